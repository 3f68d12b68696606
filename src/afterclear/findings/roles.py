"""Roles of every code in every scan: rules, the fleet's data, and what came of repairs.

Rows of the store through ``roles_rules`` and ``leftover`` into ``roles``, ``leftovers``,
``echo_work`` and ``related_returns``.  All are made again by every analysis: what the fleet's
data say of a pair may change the role of a code anywhere.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import polars as pl

from afterclear.findings.kept import keep
from afterclear.findings.leftover import (
    EchoWork,
    Histories,
    Repair,
    RoleRow,
    find_echo_work,
    find_leftovers,
)
from afterclear.findings.role_facts import FactBook, SeenCode
from afterclear.findings.roles_data import fleet_pairs
from afterclear.findings.roles_rules import Look, RoleRules
from afterclear.findings.told import Told, Voice
from afterclear.normalise.catalogue import Catalogue
from afterclear.store.database import Connection, query


@dataclass(frozen=True, slots=True)
class Roles:
    """Counts, for the run's report."""

    n_roles: int
    n_echoes: int
    n_leftovers: int
    n_echo_work: int
    n_pairs_called: int


def find_roles(con: Connection, catalogue: Catalogue, told: Told) -> Roles:
    """Say of every code in every scan whether it is the fault or an echo; replace the tables."""
    book = FactBook(catalogue)
    voice = Voice(told, book.label)
    pairs = fleet_pairs(con, book)
    known = _histories(con, book)
    rules = RoleRules(book, pairs)
    rows, left = find_leftovers(_role_rows(con, book, rules), known, voice)
    work = find_echo_work(rows, known.repairs, voice)
    keep(con, "roles", _frame(rows, _ROLES))
    keep(con, "leftovers", _frame(left, _LEFTOVERS))
    keep(con, "echo_work", pl.DataFrame([_flat(w) for w in work], schema=_ECHO_WORK))
    keep(con, "related_returns", _related(con, book, voice))
    return Roles(
        n_roles=len(rows),
        n_echoes=sum(row.role == "consequential" for row in rows),
        n_leftovers=len(left),
        n_echo_work=len(work),
        n_pairs_called=len(pairs),
    )


def _role_rows(con: Connection, book: FactBook, rules: RoleRules) -> list[RoleRow]:
    """Roles scan by scan, in the order of time within each vehicle."""
    rows: list[RoleRow] = []
    for scan in query(con, _SCANS).iter_rows(named=True):
        seen = tuple(
            SeenCode(c["ecu"], c["code"], c["family"], c["presence"] == "sign", c["description"])
            for c in scan["codes"]
        )
        look = Look(
            seen,
            frozenset(book.unit(ecu) for ecu in scan["read"] or ()),
            frozenset(book.unit(ecu) for ecu in scan["silent"] or ()),
        )
        for role in rules.roles(look):
            primary = role.primary_ecu and book.unit(role.primary_ecu)
            rows.append(
                RoleRow(
                    scan["scan_id"],
                    scan["vehicle_id"],
                    role.ecu,
                    role.code,
                    scan["seen_at"],
                    role.role,
                    role.primary_ecu,
                    role.primary_code,
                    role.confidence,
                    role.basis,
                    role.source,
                    role.to_scan,
                    role.why,
                    book.unit(role.ecu),
                    primary,
                )
            )
    return rows


def _histories(con: Connection, book: FactBook) -> Histories:
    """Repairs, clears and reads of the vehicles that ever had two codes to compare."""
    clears: dict[tuple[str, str], list[datetime]] = defaultdict(list)
    for vehicle, ecu, at in query(con, _CLEARS).iter_rows():
        clears[vehicle, book.unit(ecu)].append(at)
    for times in clears.values():
        times.sort()
    repairs = []
    for row in query(con, _REPAIRS).iter_rows(named=True):
        fault = (row["vehicle_id"], book.unit(row["ecu"]), row["code"])
        repairs.append(
            Repair(
                row["attempt_id"],
                fault,
                row["ecu"],
                row["attempted_at"],
                row["repair_id"],
                row["site"],
                row["parts"],
                row["cost"],
                row["currency"],
                row["returned_scan_id"],
            )
        )
    return Histories(
        repairs=repairs,
        clears=clears,
        reads=frozenset((v, s, book.unit(ecu)) for v, s, ecu in query(con, _READS).iter_rows()),
        shown=frozenset(
            (v, s, book.unit(ecu), code) for v, s, ecu, code in query(con, _SHOWN).iter_rows()
        ),
        open_now=frozenset(
            (v, book.unit(ecu), code) for v, ecu, code in query(con, _OPEN).iter_rows()
        ),
    )


def _flat(work: EchoWork) -> dict[str, object]:
    repair, role = work.repair, work.role
    return {
        "attempt_id": repair.attempt_id,
        "vehicle_id": repair.fault[0],
        "ecu": repair.ecu,
        "code": repair.fault[2],
        "attempted_at": repair.at,
        "repair_id": repair.repair_id,
        "site": repair.site,
        "parts": repair.parts,
        "cost": repair.cost,
        "currency": repair.currency,
        "primary_ecu": role.primary_ecu,
        "primary_code": role.primary_code,
        "scan_id": role.scan_id,
        "confidence": role.confidence,
        "why": work.why,
    }


def _related(con: Connection, book: FactBook, voice: Voice) -> pl.DataFrame:
    """List returns under another code of the component an attempt was aimed at."""
    found = []
    for row in query(con, _RELATED).to_dicts():
        label, km = row.pop("label"), row["km_after"]
        after = f", {voice.told.distance(km)} later" if km is not None else ""
        worked_on = voice.told.day(row["attempted_at"])
        row["why"] = (
            f"{voice.at(row['code'], book.unit(row['ecu']))} was worked on on {worked_on}; "
            f"{row['related_code']}, of the same component ({label}), was first seen on "
            f"{voice.told.day(row['seen_at'])}{after}. The component is in trouble again, under "
            "another code."
        )
        found.append(row)
    return pl.DataFrame(found, schema=_RELATED_RETURNS)


def _frame(records: Sequence[object], schema: dict[str, Any]) -> pl.DataFrame:
    """Put records of one kind into a frame, a column an attribute."""
    columns = {name: [getattr(record, name) for record in records] for name in schema}
    return pl.DataFrame(columns, schema=schema)


_AT: Final = pl.Datetime("us")
_ROLES: Final[dict[str, Any]] = {
    "scan_id": pl.String,
    "vehicle_id": pl.String,
    "ecu": pl.String,
    "code": pl.String,
    "seen_at": _AT,
    "role": pl.String,
    "primary_ecu": pl.String,
    "primary_code": pl.String,
    "confidence": pl.Float64,
    "basis": pl.String,
    "source": pl.String,
    "to_scan": pl.String,
    "why": pl.String,
}
_LEFTOVERS: Final[dict[str, Any]] = {
    "vehicle_id": pl.String,
    "ecu": pl.String,
    "code": pl.String,
    "primary_ecu": pl.String,
    "primary_code": pl.String,
    "repair_id": pl.String,
    "repaired_at": _AT,
    "first_scan_id": pl.String,
    "first_seen_at": _AT,
    "last_seen_at": _AT,
    "n_scans": pl.Int32,
    "is_open": pl.Boolean,
    "why": pl.String,
}
_ECHO_WORK: Final[dict[str, Any]] = {
    "attempt_id": pl.String,
    "vehicle_id": pl.String,
    "ecu": pl.String,
    "code": pl.String,
    "attempted_at": _AT,
    "repair_id": pl.String,
    "site": pl.String,
    "parts": pl.String,
    "cost": pl.Float64,
    "currency": pl.String,
    "primary_ecu": pl.String,
    "primary_code": pl.String,
    "scan_id": pl.String,
    "confidence": pl.Float64,
    "why": pl.String,
}
_RELATED_RETURNS: Final[dict[str, Any]] = {
    "attempt_id": pl.String,
    "vehicle_id": pl.String,
    "ecu": pl.String,
    "code": pl.String,
    "family": pl.String,
    "attempted_at": _AT,
    "related_ecu": pl.String,
    "related_code": pl.String,
    "seen_at": _AT,
    "km_after": pl.Float64,
    "is_open": pl.Boolean,
    "why": pl.String,
}

# Every scan with a code, with the units whose stored memory it read and those that gave no answer.
_SCANS: Final = """
WITH told AS (
    SELECT s.vehicle_id, s.scan_id, s.ecu,
        replace(s.code, 'unknown:', coalesce(lower(v.make), 'unknown') || ':') AS code,
        max(s.description) AS description
    FROM store.scans s LEFT JOIN store.vehicles v USING (vehicle_id)
    WHERE s.code IS NOT NULL GROUP BY ALL
), codes AS (
    SELECT s.vehicle_id, s.scan_id, min(s.seen_at) AS seen_at, list({
        'ecu': s.ecu, 'code': s.code, 'family': s.family, 'presence': s.presence,
        'description': t.description} ORDER BY s.ecu, s.code) AS codes
    FROM store.sightings s
    LEFT JOIN told t USING (vehicle_id, scan_id, ecu, code)
    WHERE s.presence IN ('present', 'sign') GROUP BY s.vehicle_id, s.scan_id
)
SELECT c.*, u.read, u.silent
FROM codes c
LEFT JOIN (
    SELECT vehicle_id, scan_id,
        list(ecu) FILTER (answered AND memory = 'stored') AS read,
        list(ecu) FILTER (NOT answered) AS silent
    FROM store.observations WHERE ecu IS NOT NULL GROUP BY vehicle_id, scan_id
) u USING (vehicle_id, scan_id)
ORDER BY c.vehicle_id, c.seen_at, c.scan_id
"""

# Only vehicles with a report about another unit, or a pair the fleet's data name, can have echoes;
# these are few, but which they are is known only after the roles: so all with two codes at once.
_WITH_PAIRS: Final = """
    (SELECT DISTINCT vehicle_id FROM store.sightings WHERE presence IN ('present', 'sign')
     GROUP BY vehicle_id, scan_id HAVING count(*) > 1)
"""

_CLEARS: Final = f"""
SELECT vehicle_id, ecu, cleared_at FROM store.clear_events
WHERE origin <> 'vanished' AND vehicle_id IN {_WITH_PAIRS}
ORDER BY vehicle_id, ecu, cleared_at
"""

_REPAIRS: Final = """
SELECT attempt_id, vehicle_id, ecu, code, attempted_at, repair_id, site, parts, cost, currency,
    returned_scan_id
FROM store.attempts WHERE kind = 'repair' AND ecu IS NOT NULL
ORDER BY vehicle_id, attempted_at, attempt_id
"""

_READS: Final = f"""
SELECT DISTINCT vehicle_id, scan_id, ecu FROM store.observations
WHERE answered AND memory = 'stored' AND ecu IS NOT NULL AND vehicle_id IN {_WITH_PAIRS}
"""

_SHOWN: Final = f"""
SELECT DISTINCT vehicle_id, scan_id, ecu, code FROM store.sightings
WHERE presence IN ('present', 'sign') AND vehicle_id IN {_WITH_PAIRS}
"""

_OPEN: Final = "SELECT DISTINCT vehicle_id, ecu, code FROM store.episodes WHERE ended_by = 'open'"

_RELATED: Final = """
SELECT a.attempt_id, a.vehicle_id, a.ecu, a.code, a.family, a.attempted_at,
    arg_min(e.ecu, e.onset_high_at) AS related_ecu, a.related_code,
    min(e.onset_high_at) AS seen_at,
    greatest(0, arg_min(e.onset_high_km, e.onset_high_at) - a.attempted_km) AS km_after,
    bool_or(e.ended_by = 'open') AS is_open,
    coalesce(any_value(m.family_label), a.family) AS label
FROM store.attempts a
JOIN store.episodes e ON e.vehicle_id = a.vehicle_id AND e.code = a.related_code
    AND e.family = a.family AND e.onset_high_at > a.attempted_at
    AND (a.ended_at IS NULL OR e.onset_high_at <= a.ended_at)
LEFT JOIN store.codes_met m ON m.code = a.code AND m.family = a.family
WHERE a.kind = 'repair'
GROUP BY a.attempt_id, a.vehicle_id, a.ecu, a.code, a.family, a.attempted_at, a.attempted_km,
    a.related_code
ORDER BY a.vehicle_id, a.attempted_at, a.attempt_id
"""
