"""Roles of one part of the fleet: each situation is decided once, then applied to all its scans.

A situation is a list of codes with the answers of the units they point at. A fleet has far fewer
situations than scans, so Python handles situations and the store handles scans. Only consequential
codes of a repaired fault (``leftover``) are handled row by row.

Pairs are counted by number, one part of the fleet at a time (``findings/sql/role_counts.sql``);
they must equal the plain joins in ``tests/findings/pairs_by_joins.sql``.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any, Final

import polars as pl

from afterclear.findings.common.facts_json import as_json
from afterclear.findings.common.visits import visit_length
from afterclear.findings.roles.leftovers import (
    EchoWork,
    Histories,
    Leftover,
    Repair,
    RoleRow,
    find_leftovers,
    work_on_consequential,
)
from afterclear.findings.roles.role_facts import FactBook, SeenCode
from afterclear.findings.roles.role_parts import role_sql
from afterclear.findings.roles.role_rules import Look, Role, RoleRules
from afterclear.store.engine.database import Connection, create_temp_table, query


@dataclass(frozen=True, slots=True)
class PartFound:
    """What one part of the fleet adds to the tables beside its roles."""

    leftovers: list[Leftover]
    echo_work: list[EchoWork]


def put_roles(con: Connection, book: FactBook, rules: RoleRules) -> PartFound:
    """Add to ``roles`` the roles of the part that ``fleet_parts`` has set."""
    con.script(role_sql("lists"))
    seen = [SeenCode(*row) for row in query(con, _SEEN).iter_rows()]
    lists = query(con, "SELECT codes FROM part_lists ORDER BY list_no")["codes"].to_list()
    create_temp_table(con, "part_asked", _asked(lists, seen, book))
    con.script(role_sql("situations"))
    flat_roles = []
    for number, codes, read, silent in query(con, _SITUATIONS).iter_rows():
        look = Look(
            tuple(seen[n] for n in lists[codes]), frozenset(read or ()), frozenset(silent or ())
        )
        flat_roles += [
            (number, position, *_flat(role, book))
            for position, role in enumerate(rules.roles(look))
        ]
    create_temp_table(con, "part_said", pl.DataFrame(flat_roles, schema=_SAID, orient="row"))
    con.script(role_sql("echoes"))
    found = _mend(con, book)
    con.execute(_INSERT)
    return found


def _asked(
    lists: Sequence[Sequence[int]], seen: Sequence[SeenCode], book: FactBook
) -> pl.DataFrame:
    """List the units each list of codes points at: only their answers can change its roles."""
    targets = [book.fact(code).targets for code in seen]
    pairs = [
        (number, unit)
        for number, codes in enumerate(lists)
        for unit in sorted({unit for n in codes for unit in targets[n]})
    ]
    return pl.DataFrame(pairs, schema={"list_no": pl.Int32, "unit": pl.String}, orient="row")


def _flat(role: Role, book: FactBook) -> tuple[object, ...]:
    return (
        role.ecu,
        role.code,
        role.role,
        role.primary_ecu,
        role.primary_code,
        role.confidence,
        role.basis,
        role.source,
        role.to_scan,
        role.explained.reason,
        as_json(role.explained.facts),
        book.unit(role.ecu),
        role.primary_ecu and book.unit(role.primary_ecu),
    )


def _mend(con: Connection, book: FactBook) -> PartFound:
    """Correct left-over codes in ``part_mended``; find them, and work on consequential codes."""
    frame = query(con, _ECHO_ROWS)
    rows = [RoleRow(*row) for row in frame.select(_COLUMNS).iter_rows()]
    known = _histories(con, book)
    mended, left = find_leftovers(rows, known, book.label)
    changed = [n for n, (old, new) in enumerate(zip(rows, mended, strict=True)) if new is not old]
    table = {
        name: pl.Series([getattr(mended[n], name) for n in changed], dtype=frame.schema[name])
        for name in _COLUMNS
    }
    create_temp_table(
        con, "part_mended", frame.select("scan_no", "position")[changed].with_columns(**table)
    )
    return PartFound(left, work_on_consequential(mended, known, book.label))


def _histories(con: Connection, book: FactBook) -> Histories:
    """Repairs, clears and readings of the vehicles whose consequential codes are checked."""
    clears: dict[tuple[str, str], list[datetime]] = defaultdict(list)
    for vehicle, ecu, at in query(con, _CLEARS).iter_rows():
        clears[vehicle, book.unit(ecu)].append(at)
    for times in clears.values():
        times.sort()
    return Histories(
        repairs=[
            Repair(attempt, (vehicle, unit, code), *rest)
            for attempt, vehicle, unit, code, *rest in query(con, _REPAIRS).iter_rows()
        ],
        clears=clears,
        reads=frozenset(query(con, _READS).iter_rows()),
        shown=frozenset(query(con, _SHOWN).iter_rows()),
        open_now=frozenset((v, book.unit(e), code) for v, e, code in query(con, _OPEN).iter_rows()),
        visit=visit_length(con),
    )


_COLUMNS: Final = [field.name for field in fields(RoleRow)]

_SAID: Final[dict[str, Any]] = {
    "situation_no": pl.Int32,
    "position": pl.Int32,
    "ecu": pl.String,
    "code": pl.String,
    "role": pl.String,
    "primary_ecu": pl.String,
    "primary_code": pl.String,
    "confidence": pl.Float64,
    "basis": pl.String,
    "source": pl.String,
    "to_scan": pl.String,
    "reason": pl.String,
    "facts": pl.String,
    "unit": pl.String,
    "primary_unit": pl.String,
}

_SEEN: Final = """
SELECT ecu, code, family, is_sign, description, is_older FROM part_seen ORDER BY seen_no
"""

_SITUATIONS: Final = """
SELECT situation_no, list_no, read, silent FROM part_situations ORDER BY situation_no
"""

_ECHO_ROWS: Final = "FROM part_echo_rows ORDER BY vehicle_id, seen_at, scan_id, position"

_OF_ECHOES: Final = "(SELECT vehicle_id FROM part_echoes)"

_CLEARS: Final = f"""
SELECT vehicle_id, ecu, cleared_at FROM store.clear_events
WHERE origin <> 'vanished' AND vehicle_id IN {_OF_ECHOES}
ORDER BY vehicle_id, ecu, cleared_at
"""

_REPAIRS: Final = f"""
SELECT attempt_id, vehicle_id, unit, code, ecu, attempted_at, repair_id, site, parts, cost,
    currency, returned_scan_id
FROM part_repairs WHERE vehicle_id IN {_OF_ECHOES}
ORDER BY vehicle_id, attempted_at, attempt_id
"""

_READS: Final = """
SELECT DISTINCT s.vehicle_id, s.scan_id, u.unit
FROM (SELECT DISTINCT scan_no, vehicle_id, scan_id FROM part_echo_rows) s
JOIN store.looks l ON l.scan_no = s.scan_no AND l.answered AND l.is_stored_memory
JOIN part_units u USING (unit_no)
"""

_SHOWN: Final = """
SELECT DISTINCT s.vehicle_id, s.scan_id, p.unit, p.code
FROM (SELECT DISTINCT scan_no, vehicle_id, scan_id FROM part_echo_rows) s
JOIN part_scan_situations USING (scan_no)
JOIN part_said p USING (situation_no)
"""

_OPEN: Final = f"""
SELECT DISTINCT vehicle_id, ecu, code FROM store.episodes
WHERE ended_by = 'open' AND vehicle_id IN {_OF_ECHOES}
"""

_INSERT: Final = """
INSERT INTO store.roles BY NAME
SELECT m.scan_id, m.vehicle_id, m.seen_at, p.* EXCLUDE (situation_no, position, unit, primary_unit)
FROM part_scan_situations s
JOIN part_scans m USING (scan_no)
JOIN part_said p USING (situation_no)
ANTI JOIN part_mended x ON x.scan_no = s.scan_no AND x.position = p.position
UNION ALL BY NAME
SELECT * EXCLUDE (scan_no, position, unit, primary_unit) FROM part_mended
"""
