"""Roles of every code in every scan: from rules, the fleet's data, and the outcome of repairs.

Rows of the store pass through ``roles_rules`` and ``leftover`` into ``roles``, ``leftovers``,
``echo_work``, ``echo_fixes`` and ``related_returns``. Each analysis replaces all of them: new data
of the fleet about a pair may change the role of a code anywhere.
"""

from typing import Any, Final

import polars as pl

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.findings.common.facts_json import as_json, iso
from afterclear.findings.common.tables import keep
from afterclear.findings.roles.leftovers import EchoWork, Leftover
from afterclear.findings.roles.pair_evidence import Pairs, fleet_pairs
from afterclear.findings.roles.role_facts import FactBook
from afterclear.findings.roles.role_parts import fleet_parts, forget_parts
from afterclear.findings.roles.role_rows import put_roles
from afterclear.findings.roles.role_rules import RoleRules
from afterclear.reasons import RoleReason
from afterclear.store.engine.database import Connection, create_temp_table, query, transaction

# Readings in a part: one in ten or twenty shows a code, and only these are processed.
_PART_READINGS: Final = 10_000_000


def find_roles(con: Connection, catalogue: Catalogue) -> None:
    """Find the role of every code in every scan, primary or consequential; replace the tables."""
    book = FactBook(catalogue)
    tell_roles(con, book, fleet_pairs(con, book))
    find_related(con, book)


def tell_roles(con: Connection, book: FactBook, pairs: Pairs) -> None:
    """Replace the roles of all vehicles in the store, and what follows from each one's own.

    Needs the numbers of units (``pair_evidence.number_units``).
    """
    rules = RoleRules(book, pairs)
    left: list[Leftover] = []
    work: list[EchoWork] = []
    create_temp_table(con, "role_harms", _harms(con, book))
    with transaction(con):
        con.execute("DELETE FROM store.roles")
        for _ in fleet_parts(con, _PART_READINGS):
            found = put_roles(con, book, rules)
            left += found.leftovers
            work += found.echo_work
    forget_parts(con)
    keep(con, "leftovers", _frame(left, _LEFTOVERS))
    keep(con, "echo_work", pl.DataFrame([_flat(w) for w in work], schema=_ECHO_WORK))
    keep(con, "echo_fixes", query(con, _ECHO_FIXES))


def find_related(con: Connection, book: FactBook) -> None:
    """Replace the returns under another code; components are named as all the fleet's codes do."""
    keep(con, "related_returns", _related(con, book))


def _harms(con: Connection, book: FactBook) -> pl.DataFrame:
    """List the fleet's codes that can be damage done by another of its codes."""
    met = query(con, "SELECT DISTINCT code, family FROM store.codes_met ORDER BY ALL")
    columns = dict.fromkeys(("code", "by_code"), pl.String)
    return pl.DataFrame(book.harms(met.iter_rows()), schema=columns, orient="row")


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
        "reason": work.reason,
        "facts": work.facts,
    }


def _related(con: Connection, book: FactBook) -> pl.DataFrame:
    """List returns under another code of the component an attempt was aimed at."""
    found = []
    for row in query(con, _RELATED).to_dicts():
        facts = {
            "code": row["code"],
            "unit": book.label(book.unit(row["ecu"])),
            "worked_on": iso(row["attempted_at"]),
            "related_code": row["related_code"],
            "component": row.pop("label"),
            "seen_on": iso(row["seen_at"]),
            "km_after": row["km_after"],
        }
        found.append(row | {"reason": RoleReason.RELATED_RETURN, "facts": as_json(facts)})
    return pl.DataFrame(found, schema=_RELATED_RETURNS)


def _frame(records: list[Leftover], schema: dict[str, Any]) -> pl.DataFrame:
    """Turn records of one kind into a frame, one column for each attribute."""
    columns = {name: [getattr(record, name) for record in records] for name in schema}
    return pl.DataFrame(columns, schema=schema)


_AT: Final = pl.Datetime("us")
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
    "reason": pl.String,
    "facts": pl.String,
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
    "reason": pl.String,
    "facts": pl.String,
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
    "reason": pl.String,
    "facts": pl.String,
}

# One failure counts once: an attempt on a consequential code of a fault worked on in the same visit
# is part of that fix; so is a bare clear of such a code beside work on something else, and work on
# another code of the same circuit at that visit.
_ECHO_FIXES: Final = """
WITH known AS (
    SELECT a.attempt_id, a.vehicle_id, a.ecu, a.code, a.attempted_at, a.beside_repair_id,
        r.role, r.primary_ecu, r.primary_code
    FROM store.attempts a
    JOIN store.roles r ON r.vehicle_id = a.vehicle_id AND r.ecu = a.ecu AND r.code = a.code
        AND r.seen_at <= a.attempted_at
    QUALIFY row_number() OVER (PARTITION BY a.attempt_id
        ORDER BY r.seen_at DESC, r.scan_id DESC) = 1
), followed AS (
SELECT k.attempt_id, k.vehicle_id, k.ecu, k.code, k.attempted_at, k.primary_ecu, k.primary_code,
    min_by(p.attempt_id, (abs(date_diff('second', p.attempted_at, k.attempted_at)), p.attempt_id))
        AS primary_attempt_id
FROM known k
LEFT JOIN store.attempts p ON p.vehicle_id = k.vehicle_id AND p.ecu = k.primary_ecu
    AND p.code = k.primary_code
    AND p.attempted_at BETWEEN k.attempted_at - getvariable('visit')
        AND k.attempted_at + getvariable('visit')
WHERE k.role = 'consequential' AND k.primary_code IS NOT NULL
GROUP BY k.attempt_id, k.vehicle_id, k.ecu, k.code, k.attempted_at, k.primary_ecu, k.primary_code,
    k.beside_repair_id
HAVING count(p.attempt_id) > 0 OR k.beside_repair_id IS NOT NULL
)
FROM followed
UNION ALL
SELECT a.attempt_id, a.vehicle_id, a.ecu, a.code, a.attempted_at,
    coalesce(f.primary_ecu, p.ecu), coalesce(f.primary_code, p.code),
    coalesce(f.primary_attempt_id, p.attempt_id)
FROM store.attempts a
JOIN store.attempts p ON p.attempt_id = a.counted_with
LEFT JOIN followed f ON f.attempt_id = p.attempt_id
WHERE a.attempt_id NOT IN (SELECT attempt_id FROM followed)
ORDER BY vehicle_id, attempted_at, attempt_id
"""

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
