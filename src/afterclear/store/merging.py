"""Staged rows into their table: new, duplicate, or correction of an older row.

Set-based and cheap where nothing repeats: rows whose key occurs once in the file, on a vehicle
and scan the store does not have, go straight in.  Only the *suspects* (same key hash twice in
the file, or a known scan) are compared cell by cell, so a hash collision costs time, never a
row.  A row equal to the current one, or to one it replaced, is a duplicate; another content
under the same key supersedes the current row, which is kept with both load ids.
"""

from dataclasses import dataclass

from afterclear.plain import Table
from afterclear.store.connection import Connection
from afterclear.store.database import scalar


@dataclass(frozen=True, slots=True)
class Merge:
    """What became of the staged rows without a fault."""

    stored: int
    duplicate: int
    corrected: int


# failure_type has become part of the code's spelling by now
_NOT_STORED = {"failure_type"}

# One unit may list a code as pending and as confirmed in one scan: two facts, not a correction.
_EXTRA_KEY = {
    "scans": "CASE WHEN status IN ('pending', 'permanent') THEN status ELSE '' END",
}

# The widest part of a key the store can be asked for cheaply.
_ENTITY = {
    "vehicles": ("vehicle_id",),
    "scans": ("vehicle_id", "scan_id"),
    "clears": ("vehicle_id",),
    "repairs": ("vehicle_id", "repair_id"),
}

# Facts about a vehicle are gathered from several sources: an empty cell erases nothing.
_GATHERED = {"vehicles"}
# ... but a fact about another fact goes with it: the day an older plate was fitted says nothing
# of the new one.
_BELONGS_TO = {"plate_since": "plate"}


def stored_columns(table: Table) -> list[str]:
    """Columns of a table as the store keeps them, without the load's number."""
    return [n for n in table.names if n not in _NOT_STORED] + ["extras"]


def contradictions(con: Connection, table: Table) -> int:
    """Count the keys under which the file itself has more than one content."""
    # contents are compared among the few keys that repeat, not among all rows
    return scalar(
        con,
        f"""SELECT count(*) FROM (
                SELECT 1 FROM staged WHERE fault IS NULL AND {key_hash(table)} IN (
                    SELECT {key_hash(table)} FROM staged WHERE fault IS NULL
                    GROUP BY ALL HAVING count(*) > 1)
                GROUP BY {key_hash(table)} HAVING count(DISTINCT {content_hash(table)}) > 1)""",
    )


def merge(con: Connection, table: Table, load_id: int) -> Merge:
    """Move the faultless rows of ``staged`` into ``table``; count what became of each."""
    total = scalar(con, "SELECT count(*) FROM staged WHERE fault IS NULL")
    suspects = _find_suspects(con, table)
    columns = ", ".join(stored_columns(table))
    fresh = "TRUE"
    if suspects:
        fresh = f"{key_hash(table)} NOT IN (SELECT key_hash FROM suspects)"
    con.execute(
        f"""INSERT INTO {table.name} ({columns}, load_id)
            SELECT {columns}, {load_id} FROM staged WHERE fault IS NULL AND {fresh}"""
    )
    if not suspects:
        return Merge(stored=total, duplicate=0, corrected=0)
    stored, corrected = _merge_suspects(con, table, load_id)
    return Merge(total - suspects + stored, suspects - stored, corrected)


def _find_suspects(con: Connection, table: Table) -> int:
    entity = _entity(table)
    # the file's scans are looked up while the store streams past: the store may be far larger
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE known AS
            SELECT {entity} FROM (SELECT DISTINCT {entity} FROM staged WHERE fault IS NULL)
            SEMI JOIN {table.name} USING ({entity})"""
    )
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE suspects AS
            SELECT {key_hash(table)} AS key_hash FROM staged WHERE fault IS NULL
            GROUP BY key_hash HAVING count(*) > 1
            UNION
            SELECT {key_hash(table)} FROM staged SEMI JOIN known USING ({entity})
            WHERE fault IS NULL"""
    )
    return scalar(
        con,
        f"""SELECT count(*) FROM staged
            WHERE fault IS NULL AND {key_hash(table)} IN (SELECT key_hash FROM suspects)""",
    )


def _merge_suspects(con: Connection, table: Table, load_id: int) -> tuple[int, int]:
    """Compare the suspects exactly, round by round: the n-th row of each key in the file."""
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE candidates AS
            SELECT *, {_key(table)} AS key_json,
                row_number() OVER (PARTITION BY {_key(table)} ORDER BY _nth) AS turn
            FROM staged
            WHERE fault IS NULL AND {key_hash(table)} IN (SELECT key_hash FROM suspects)"""
    )
    stored = corrected = 0
    for turn in range(1, scalar(con, "SELECT max(turn) FROM candidates") + 1):
        new, replaced = _take_turn(con, table, load_id, turn)
        stored, corrected = stored + new, corrected + replaced
    return stored, corrected


def _take_turn(con: Connection, table: Table, load_id: int, turn: int) -> tuple[int, int]:
    """Merge rows that all have different keys; return (rows stored, of them corrections)."""
    columns = stored_columns(table)
    entity = _entity(table)
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE current_rows AS
            SELECT *, {_key(table)} AS key_json, rowid AS place FROM {table.name}
            SEMI JOIN (SELECT DISTINCT {entity} FROM candidates WHERE turn = {turn})
                USING ({entity})"""
    )
    values = ", ".join(f"{_value(table, n)} AS {n}" for n in columns)
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE arriving AS
            SELECT {values}, c.key_json, o.place, o.load_id AS old_load
            FROM candidates c LEFT JOIN current_rows o USING (key_json) WHERE c.turn = {turn}"""
    )
    content = content_hash(table)
    con.execute(
        f"""DELETE FROM arriving WHERE EXISTS (
                SELECT 1 FROM current_rows o WHERE o.key_json = arriving.key_json
                AND {content_hash(table, "o.")} = {content_hash(table, "arriving.")})
            OR EXISTS (
                SELECT 1 FROM superseded s WHERE s.table_name = '{table.name}'
                AND s.key_json = arriving.key_json
                AND s.content_hash = {content_hash(table, "arriving.")})"""
    )
    con.execute(
        f"""INSERT INTO superseded
            SELECT '{table.name}', to_json(o), key_json, {content}, load_id, {load_id}
            FROM current_rows o WHERE place IN (SELECT place FROM arriving)"""
    )
    con.execute(f"DELETE FROM {table.name} WHERE rowid IN (SELECT place FROM arriving)")
    names = ", ".join(columns)
    con.execute(
        f"INSERT INTO {table.name} ({names}, load_id) SELECT {names}, {load_id} FROM arriving"
    )
    return (
        scalar(con, "SELECT count(*) FROM arriving"),
        scalar(con, "SELECT count(place) FROM arriving"),
    )


def _value(table: Table, name: str) -> str:
    """Write SQL for a cell of a row (c) that replaces another (o), or is new (o is empty)."""
    if table.name not in _GATHERED:
        return f"c.{name}"
    if fact := _BELONGS_TO.get(name):
        is_same = f"coalesce(c.{fact}, o.{fact}) IS NOT DISTINCT FROM o.{fact}"
        return f"CASE WHEN {is_same} THEN coalesce(c.{name}, o.{name}) ELSE c.{name} END"
    return f"coalesce(c.{name}, o.{name})"


def as_row(con: Connection, name: str, json: str) -> str:
    """Write SQL for a replaced row, kept as JSON, as a struct of its table's columns."""
    columns = con.execute(
        """SELECT column_name, data_type FROM duckdb_columns()
           WHERE database_name = 'store' AND table_name = ? ORDER BY column_index""",
        [name],
    ).fetchall()
    shape = "{" + ", ".join(f'"{column}": "{kind}"' for column, kind in columns) + "}"
    return f"json_transform(({json})::JSON, '{shape}')"


def _key_parts(table: Table) -> list[str]:
    parts = [f"coalesce({name}::VARCHAR, '')" for name in table.keys]
    return parts + ([_EXTRA_KEY[table.name]] if table.name in _EXTRA_KEY else [])


def _key(table: Table) -> str:
    return f"to_json([{', '.join(_key_parts(table))}])::VARCHAR"


def key_hash(table: Table) -> str:
    """Write SQL for a hash of what says which row this is."""
    return f"hash({', '.join(_key_parts(table))})"


def content_hash(table: Table, prefix: str = "") -> str:
    """Write SQL for a hash of all that a row says."""
    return f"hash({', '.join(prefix + name for name in stored_columns(table))})"


def entity_hash(table: Table) -> str:
    """Write SQL for a hash of the vehicle, scan or work order a row belongs to."""
    return f"hash({_entity(table)})"


def _entity(table: Table) -> str:
    return ", ".join(_ENTITY[table.name])
