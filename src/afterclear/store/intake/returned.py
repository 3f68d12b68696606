"""Refused rows that come back by themselves, each known by the key of its refusal.

A row is told from the rest of its file, so it is taken for that row and nothing more: its scan does
not lose the codes that are not beside it, and a line of a work order is refused while the store has
other lines of that order, for an order's lines are read together.  A row that was mended before is
left out as a duplicate.  A row that is refused again takes the place of its old refusal.

The key is made of the file's bytes, the line, the row and the zone of its times, so a file that is
read again refuses its rows under the same keys; a row that is refused again keeps its first one, so
that one workbook can be brought several times, a few rows mended each time.
"""

from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import Final

import polars as pl

from afterclear.plain import REPAIRS
from afterclear.records import PlainFile, PlainRows, ReadFile, Rejection
from afterclear.store.engine.connection import Connection
from afterclear.store.engine.database import query, scalar
from afterclear.store.intake.ledger import Came

# SQL of the key of a refused row r, of the load l
KEY: Final = """coalesce(r.first_key, md5(concat_ws(chr(31), l.sha256,
    coalesce(r.line::VARCHAR, ''), r.table_name, r.row_json, r.zone)))"""
_LISTED: Final = "rejections r JOIN loads l USING (load_id) WHERE l.outcome <> 'retracted'"
# set aside by a load of other bytes, or no longer refused when their own file was read again
_MENDED: Final = """replaced_rejections r JOIN loads l USING (load_id)
    LEFT JOIN loads b ON b.load_id = r.replaced_by
    WHERE l.sha256 IN (SELECT sha256 FROM loads WHERE outcome = 'stored')
        AND (b.sha256 IS DISTINCT FROM l.sha256 OR NOT EXISTS (
            FROM rejections still JOIN loads own ON own.load_id = still.load_id
            WHERE own.sha256 = l.sha256 AND still.table_name = r.table_name
                AND still.line IS NOT DISTINCT FROM r.line))"""
_UNKNOWN: Final = (
    "a row that this store refused; this one it does not know: its load was taken back, its file "
    "was read again since and refuses it otherwise, or the workbook is of another store. Take the "
    "workbook anew, or load the file it is from"
)
_OTHER_LINES: Final = (
    "a line of an order of which no other line is stored: lines of one order are read together. "
    "Mend this one in the file it is from, and bring that file again"
)


def settle_returned(con: Connection, read: ReadFile) -> ReadFile:
    """Leave out rows that were mended before, and refuse those that are not known here."""
    if not read.returned:
        return read
    present, gone = _keys(con, _LISTED), _keys(con, _MENDED)
    there = {n: key for n, key in read.returned.items() if key in present}
    known = {n for n, key in read.returned.items() if key not in present and key in gone}
    unknown = read.returned.keys() - there.keys() - known
    n_known = sum(r.line in known for r in read.rejections)
    refused = [r for r in read.rejections if r.line not in known and r.line not in unknown]
    refused += [r for r in read.rejections if r.line in unknown]
    parts: list[PlainRows | PlainFile] = []
    for part in read.parts:
        if isinstance(part, PlainRows):
            n_known += len(_of_lines(part, known))
            # as it came: what its cells mean only its own file says, its zone for one
            refused += [replace(each, is_source=True) for each in _refused(part, unknown, _UNKNOWN)]
            kept = replace(part, frame=_of_lines(part, there.keys()))
            others = _beside_stored_lines(con, kept)
            refused += _refused(kept, others, _OTHER_LINES, "repair_id")
            parts.append(replace(kept, frame=_of_lines(kept, there.keys() - others)))
    return replace(
        read, parts=tuple(parts), rejections=tuple(refused), returned=there, n_known=n_known
    )


def how_they_came(con: Connection, returned: Mapping[int, str]) -> dict[int, Came]:
    """Say how the rows first came that come back in these lines."""
    if not returned:
        return {}
    rows = query(
        con,
        f"""SELECT {KEY} AS key, any_value(r.came_as), any_value(r.zone)
            FROM rejections r JOIN loads l USING (load_id) GROUP BY key""",
    ).rows()
    by_key = {key: Came(came_as or "", zone, key) for key, came_as, zone in rows}
    return {line: by_key[key] for line, key in returned.items() if key in by_key}


def set_returned_aside(con: Connection, load_id: int, returned: Mapping[int, str]) -> None:
    """Set the old refusals of rows aside that a load brought back, mended or refused again."""
    if not returned:
        return
    own = f"""rowid IN (SELECT r.rowid FROM rejections r JOIN loads l USING (load_id)
        WHERE {KEY} IN (SELECT unnest(?::VARCHAR[])))"""
    keys = [sorted(set(returned.values()))]
    con.execute(
        f"""INSERT INTO replaced_rejections BY NAME
            SELECT *, {load_id} AS replaced_by FROM rejections WHERE {own}""",
        keys,
    )
    con.execute(f"DELETE FROM rejections WHERE {own}", keys)


def _keys(con: Connection, rows: str) -> set[str]:
    return set(query(con, f"SELECT {KEY} AS key FROM {rows}")["key"])


def _of_lines(part: PlainRows, lines: Collection[int]) -> pl.DataFrame:
    return part.frame.filter(pl.col("_line").is_in(list(lines)))


def _refused(
    part: PlainRows, lines: Collection[int], expected: str, column: str | None = None
) -> list[Rejection]:
    rows = _of_lines(part, lines)
    texts = rows.drop("_line").write_ndjson().splitlines() if len(rows) else []
    return [
        Rejection(part.table, line, column, column and row[column], expected, text)
        for line, row, text in zip(rows["_line"], rows.iter_rows(named=True), texts, strict=True)
    ]


def _beside_stored_lines(con: Connection, part: PlainRows) -> set[int]:
    """Give the lines of rows whose work order has other lines in the store."""
    if part.table != REPAIRS.name or not scalar(con, "SELECT count(*) FROM repairs"):
        return set()
    stored = query(con, "SELECT DISTINCT upper(trim(repair_id)) AS number FROM repairs")["number"]
    numbers = part.frame["repair_id"].str.strip_chars().str.to_uppercase()
    return set(part.frame.filter(numbers.is_in(stored.implode()))["_line"])
