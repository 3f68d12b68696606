"""Refused rows that a later load brought corrected: they are no longer listed.

A row is the corrected one if its whole key agrees, except for the cell that was wrong: of a scan
row its scan, vehicle, unit and code; of a line of a work order the order, vehicle, action, part and
place, and the notes where it names no part; of a clear the vehicle, instant and unit; of a vehicle
its number. A scan or order whose own number was wrong, and a line without cells, cannot be matched
and stays listed; in the workbook of refused rows it comes back by its key
(``store/intake/returned.py``). The refused row is set aside with the load that corrected it, and
listed again if that load is withdrawn.
"""

from typing import Final

from afterclear.store.engine.connection import Connection
from afterclear.store.engine.database import scalar
from afterclear.store.intake.staging import UNDECIDED_LINE


def _mark(text: str) -> str:
    return f"upper(regexp_replace(coalesce({text}, ''), '[^\\p{{L}}\\p{{N}}]', '', 'g'))"


def _same(*names: str) -> str:
    """Write SQL for: these cells of the refused row are those of the new one, or the wrong one."""
    cells = (
        f"(r.column_name = '{n}' OR {_mark(f'cells->>{n!r}')} = {_mark(f't.{n}')})" for n in names
    )
    return " AND ".join(cells)


# the table, and the key of its corrected row; cells that must be legible come first
_AGREES: Final = {
    "vehicles": "r.column_name <> 'vehicle_id' AND " + _same("vehicle_id"),
    "scans": "r.column_name <> 'scan_id' AND "
    + _same("scan_id", "vehicle_id", "ecu")
    + f""" AND (r.column_name IN ('code', 'failure_type')
        OR {_mark("concat(cells->>'code', cells->>'failure_type')")} = {_mark("t.code")})""",
    "clears": "r.column_name NOT IN ('vehicle_id', 'cleared_at') AND "
    + _same("vehicle_id", "ecu")
    + " AND timezone('UTC', try_cast(cells->>'cleared_at' AS TIMESTAMPTZ)) = t.cleared_at",
    "repairs": "r.column_name <> 'repair_id' AND "
    + _same("repair_id", "vehicle_id", "action", "part_number", "part_family", "position")
    # lines that name no part are told apart by their notes
    + f""" AND (t.part_number IS NOT NULL OR t.part_family IS NOT NULL
        OR (r.column_name = 'notes' AND r.expected <> '{UNDECIDED_LINE}')
        OR {_mark("cells->>'notes'")} = {_mark("t.notes")})""",
}


def clear_mended(con: Connection, load_id: int) -> int:
    """Set aside older refusals that this load's rows correct; give their number."""
    if not scalar(con, "SELECT count(*) FROM rejections WHERE load_id < ?", [load_id]):
        return 0
    n_rows = 0
    for name, agrees in _AGREES.items():
        con.execute(
            f"""CREATE OR REPLACE TEMP TABLE mended AS SELECT r.rowid AS place
                FROM (
                    SELECT rowid, column_name, expected, row_json::JSON AS cells FROM rejections
                    WHERE table_name = '{name}' AND load_id < {load_id}
                        AND json_valid(row_json) AND json_type(row_json) = 'OBJECT'
                ) r
                SEMI JOIN (SELECT * FROM {name} WHERE load_id = {load_id}) t ON {agrees}"""
        )
        con.execute(
            f"""INSERT INTO replaced_rejections BY NAME
                SELECT *, {load_id} AS replaced_by FROM rejections
                WHERE rowid IN (SELECT place FROM mended)"""
        )
        con.execute("DELETE FROM rejections WHERE rowid IN (SELECT place FROM mended)")
        n_rows += scalar(con, "SELECT count(*) FROM mended")
    return n_rows
