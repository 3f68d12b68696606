"""Staged rows into their table: new, duplicate, or correction of an older row.

Set-based and cheap where nothing repeats: rows whose key occurs once in the file, on a vehicle and
scan the store does not have, go straight in.  Only the *suspects* (same key hash twice in the file,
or a known scan) are compared cell by cell, so a hash collision costs time, never a row.  A row
equal to the current one is a duplicate; another content under the same key supersedes the current
row, which is kept with both load ids. The last content counts, even if it returns to an earlier
one, unless its file is the older one. Lines of a work order that name no part have their work in
their key: ``order_lines`` says what becomes of them.

An empty cell of a vehicle row erases nothing: facts on a vehicle come from several sources. A file
written before the one that made a correction undoes nothing (an old export that comes again).
Identical bytes are no load.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from afterclear.plain import SCANS, Table
from afterclear.store.engine.connection import Connection
from afterclear.store.engine.database import scalar
from afterclear.store.merging.delivered import delete_rows, insert_rows, placed


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

# Lines of an order that name no part are told apart by their work: see order_lines.
_WORK = (
    "notes",
    "codes",
    "quantity",
    "part_cost",
    "labour_cost",
    "part_brand",
    "part_grade",
    "removal_reason",
)
_KEY_WITHOUT_PART = f"""CASE WHEN part_number IS NULL AND part_family IS NULL
    THEN to_json([{", ".join(f"{name}::VARCHAR" for name in _WORK)}])::VARCHAR END"""
_MORE_KEY = {"repairs": _KEY_WITHOUT_PART}

# The widest part of a key that the store can look up cheaply.
_ENTITY = {
    "vehicles": ("vehicle_id",),
    "scans": ("vehicle_id", "scan_id"),
    "clears": ("vehicle_id",),
    "repairs": ("vehicle_id", "repair_id"),
}

# Facts about a vehicle come from several sources: an empty cell erases nothing.
_GATHERED = {"vehicles"}
# ... but a fact about another fact goes with it: the day an older plate was fitted means nothing
# for the new one.
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


def find_known(con: Connection, table: Table) -> None:
    """Put into ``known`` the file's vehicles, scans or work orders that the store has already."""
    entity = _entity(table)
    # the file's scans are looked up while the store's stream by: the store may be far larger
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE known AS
            SELECT {entity} FROM (SELECT DISTINCT {entity} FROM staged WHERE fault IS NULL)
            SEMI JOIN {table.name} USING ({entity})"""
    )


def merge(con: Connection, table: Table, load_id: int) -> Merge:
    """Move the faultless rows of ``staged`` into ``table``; count what became of each.

    Needs ``known``, as ``find_known`` makes it.
    """
    total = scalar(con, "SELECT count(*) FROM staged WHERE fault IS NULL")
    suspects = _find_suspects(con, table)
    columns = ", ".join(stored_columns(table))
    fresh = "TRUE"
    if suspects:
        fresh = f"{key_hash(table)} NOT IN (SELECT key_hash FROM suspects)"
    insert_rows(
        con,
        table,
        f"""SELECT {columns}, {load_id} AS load_id FROM staged
            WHERE fault IS NULL AND {fresh}""",
    )
    if not suspects:
        return Merge(stored=total, duplicate=0, corrected=0)
    stored, corrected = _merge_suspects(con, table, load_id)
    return Merge(total - suspects + stored, suspects - stored, corrected)


def _find_suspects(con: Connection, table: Table) -> int:
    entity = _entity(table)
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
    """Compare the suspects exactly; return (rows stored, of them corrections).

    Each key has a sequence of rows: the store's own, then the file's in their order. Of the rows
    that differ from the one before, the last one is current and the others are replaced.
    """
    _line_up(con, table, load_id)
    columns = ", ".join(stored_columns(table))
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE told_anew AS
            SELECT *, row_number() OVER line AS version,
                lead(turn) OVER line IS NULL AS stands
            FROM (
                SELECT *, lag(row({columns})) OVER line AS before FROM lined_up
                WINDOW line AS (PARTITION BY key_json ORDER BY turn)
            )
            WHERE turn = 0 OR before IS NULL OR row({columns}) IS DISTINCT FROM before
            WINDOW line AS (PARTITION BY key_json ORDER BY turn)"""
    )
    content = content_hash(table)
    con.execute(
        f"""INSERT INTO superseded
            SELECT '{table.name}', to_json(struct_pack({packed(table)}, load_id :=
                    coalesce(own_load, {load_id}))),
                key_json, {content}, coalesce(own_load, {load_id}), {load_id}
            FROM told_anew WHERE NOT stands ORDER BY key_json, turn"""
    )
    delete_rows(con, table, "place IN (SELECT place FROM told_anew WHERE turn = 0 AND NOT stands)")
    insert_rows(
        con,
        table,
        f"""SELECT {columns}, {load_id} AS load_id FROM told_anew WHERE stands AND turn > 0
            ORDER BY turn, key_json""",
    )
    stored = scalar(con, "SELECT count(*) FROM told_anew WHERE turn > 0")
    corrected = scalar(con, "SELECT count(*) FROM told_anew WHERE turn > 0 AND version > 1")
    con.execute("DROP TABLE lined_up")
    con.execute("DROP TABLE told_anew")
    return stored, corrected


def _line_up(con: Connection, table: Table, load_id: int) -> None:
    """Put into ``lined_up`` the suspects of each key behind the store's own row (turn 0)."""
    names, entity = stored_columns(table), _entity(table)
    columns = ", ".join(names)
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE lined_up AS
            WITH arriving AS (
                SELECT {columns}, {key_json(table)} AS key_json,
                    row_number() OVER (PARTITION BY {key_json(table)} ORDER BY _nth) AS turn
                FROM staged
                WHERE fault IS NULL AND {key_hash(table)} IN (SELECT key_hash FROM suspects)
            ),
            own AS (
                SELECT {columns}, {key_json(table)} AS key_json, 0 AS turn, place,
                    load_id AS own_load
                FROM {placed(table, "known")} SEMI JOIN (SELECT DISTINCT {entity} FROM arriving)
                    USING ({entity})
            )
            SELECT * FROM (
                SELECT *, NULL AS place, NULL AS own_load FROM arriving
                UNION ALL BY NAME
                FROM own SEMI JOIN arriving USING (key_json)
            )"""
    )
    if table.name in _GATHERED:
        _gather(con, names)
    _leave_out_old_news(con, table, load_id)


def _gather(con: Connection, names: list[str]) -> None:
    """Fill each row of a sequence with facts of earlier rows that it leaves empty."""
    facts = [n for n in names if n not in _BELONGS_TO]
    known = ", ".join(f"last_value({n} IGNORE NULLS) OVER line AS {n}" for n in facts)
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE lined_up AS
            SELECT * REPLACE ({known}) FROM lined_up
            WINDOW line AS (PARTITION BY key_json ORDER BY turn)"""
    )
    for name, fact in _BELONGS_TO.items():
        con.execute(
            f"""CREATE OR REPLACE TEMP TABLE lined_up AS
                SELECT * EXCLUDE (changed, stretch) REPLACE (
                    last_value({name} IGNORE NULLS)
                        OVER (PARTITION BY key_json, stretch ORDER BY turn) AS {name})
                FROM (
                    SELECT *, count_if(changed) OVER line AS stretch FROM (
                        SELECT *, {fact} IS DISTINCT FROM lag({fact}) OVER line AS changed
                        FROM lined_up WINDOW line AS (PARTITION BY key_json ORDER BY turn))
                    WINDOW line AS (PARTITION BY key_json ORDER BY turn)
                )"""
        )


def note_written(con: Connection, load_id: int, written_at: float | None) -> None:
    """Note when the file of a load under way was written (seconds since 1970), where known."""
    con.execute(WRITTEN)
    con.execute("INSERT INTO temp.files_written VALUES (?, ?)", [load_id, written_at])


# loads under way; load_origins has the earlier ones
WRITTEN = "CREATE TEMP TABLE IF NOT EXISTS files_written (load_id INTEGER, written_at DOUBLE)"


def _leave_out_old_news(con: Connection, table: Table, load_id: int) -> None:
    """Leave out rows that were replaced already, if the file is older than the one that did it.

    Last month's export that comes once more undoes no correction made since.
    """
    con.execute(WRITTEN)
    con.execute(
        f"""DELETE FROM lined_up
            WHERE turn > 0 AND EXISTS (
                SELECT 1 FROM superseded s
                WHERE s.table_name = '{table.name}' AND s.key_json = lined_up.key_json
                AND s.content_hash = {content_hash(table, "lined_up.")})
            AND key_json IN (
                WITH written AS (
                    SELECT load_id, changed_at AS since FROM load_origins
                    UNION ALL FROM temp.files_written
                )
                SELECT own.key_json FROM lined_up own JOIN written w ON own.own_load = w.load_id
                WHERE own.turn = 0
                AND w.since > (SELECT max(since) FROM written WHERE load_id = {load_id}))"""
    )


def replace_leaving(con: Connection, table: Table, load_id: int) -> int:
    """Retire the rows whose places are in ``leaving``, without a successor; give their number."""
    leaving = "place IN (SELECT place FROM leaving)"
    con.execute(
        f"""INSERT INTO superseded
            SELECT '{table.name}', to_json(struct_pack({packed(table)}, load_id := load_id)),
                {key_json(table)}, {content_hash(table)}, load_id, {load_id}
            FROM {placed(table)} WHERE {leaving}
            ORDER BY ALL"""
    )
    con.execute(
        f"""INSERT INTO stale_vehicles SELECT DISTINCT vehicle_id, {load_id}
            FROM {placed(table)} WHERE {leaving}"""
    )
    n_rows = scalar(con, "SELECT count(*) FROM leaving")
    delete_rows(con, table, leaving)
    return n_rows


def packed(table: Table) -> str:
    """Write SQL for the arguments of a struct of a row's columns, without the load's number."""
    return ", ".join(f"{name} := {name}" for name in stored_columns(table))


def as_row(con: Connection, name: str, json: str) -> str:
    """Write SQL for a replaced row, kept as JSON, as a struct of its table's columns."""
    columns = con.execute(
        """SELECT column_name, data_type FROM duckdb_columns()
           WHERE database_name = 'store' AND schema_name = 'main' AND table_name = ?
           ORDER BY column_index""",
        [name],
    ).fetchall()
    shape = "{" + ", ".join(f'"{column}": "{kind}"' for column, kind in columns) + "}"
    return f"json_transform(({json})::JSON, '{shape}')"


def _key_parts(table: Table, names: Iterable[str] | None = None) -> list[str]:
    parts = [f"coalesce({name}::VARCHAR, '')" for name in names or table.keys]
    return parts + ([_EXTRA_KEY[table.name]] if table.name in _EXTRA_KEY else [])


def key_json(table: Table) -> str:
    """Write SQL for a row's key, as one text."""
    parts = ", ".join(_key_parts(table))
    more = _MORE_KEY.get(table.name)
    if more is None:
        return f"to_json([{parts}])::VARCHAR"
    return f"to_json(CASE WHEN {more} IS NULL THEN [{parts}] ELSE [{parts}, {more}] END)::VARCHAR"


def key_hash(table: Table) -> str:
    """Write SQL for a hash of a row's key."""
    more = [_MORE_KEY[table.name]] if table.name in _MORE_KEY else []
    return f"hash({', '.join([*_key_parts(table), *more])})"


def content_hash(table: Table, prefix: str = "") -> str:
    """Write SQL for a hash of a row's content."""
    return f"hash({', '.join(prefix + name for name in stored_columns(table))})"


def key_within_scan() -> str:
    """Write SQL for what tells the rows of one scan apart, separated by commas."""
    entity = _ENTITY[SCANS.name]
    return ", ".join(_key_parts(SCANS, [name for name in SCANS.keys if name not in entity]))


def entity_hash(table: Table) -> str:
    """Write SQL for a hash of the vehicle, scan or work order a row belongs to."""
    return f"hash({_entity(table)})"


def _entity(table: Table) -> str:
    return ", ".join(_ENTITY[table.name])
