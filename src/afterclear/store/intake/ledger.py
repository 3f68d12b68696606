"""The ledger of loads.  A load's row comes last, in the load's own transaction.

rows_read = rows_stored + rows_duplicate + rows_rejected holds for every row, always.

The line of an archive follows the lines of its files, so that a kill in between loads the rest
next time.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import polars as pl

from afterclear.records import PLAIN, LoadResult, Rejection
from afterclear.store.engine.connection import Connection
from afterclear.store.engine.database import create_temp_table, query, scalar
from afterclear.store.queries.results import naive


def known_load(con: Connection, sha256: str, since: int | None = None) -> int | None:
    """Give the number of the load that stored these bytes, or None.

    ``since``: a load after this one counts if it refused them, too.
    """
    load_id = scalar(
        con,
        """SELECT min(load_id) FROM loads
           WHERE sha256 = ? AND (outcome = 'stored' OR (outcome = 'refused' AND load_id > ?))""",
        [sha256, since],
    )
    return load_id or None


def retracted_load(con: Connection, sha256: str) -> int | None:
    """Give the number of the last load of these bytes that was retracted, or None."""
    load_id = scalar(
        con, "SELECT max(load_id) FROM loads WHERE sha256 = ? AND outcome = 'retracted'", [sha256]
    )
    return load_id or None


def vehicle_given(con: Connection, load_id: int) -> str | None:
    """Give the vehicle a user named for a load's rows, not the file."""
    rows = query(
        con,
        """SELECT o.vehicle_id FROM load_origins o WHERE o.load_id = $1 AND EXISTS (
               SELECT 1 FROM scan_facts s WHERE s.load_id = $1 AND s.vehicle_id = o.vehicle_id)""",
        [load_id],
    ).rows()
    return rows[0][0] if rows else None


def zone_given(con: Connection, load_id: int) -> str | None:
    """Give the zone that times without an offset were read in; None: an archive has none."""
    rows = query(con, "SELECT zone FROM load_origins WHERE load_id = ?", [load_id]).rows()
    return rows[0][0] if rows else None


def next_load_id(con: Connection) -> int:
    """Give the number of the load about to begin; numbers only rise."""
    return scalar(con, "SELECT max(load_id) FROM loads") + 1


def complete_load(
    con: Connection, load: LoadResult, started_at: datetime, finished_at: datetime
) -> None:
    """Write a load's ledger row.  Without it, the load never happened."""
    if load.rows_read != load.rows_stored + load.rows_duplicate + load.rows_rejected:
        raise AssertionError(f"the rows of {load.file_name} do not add up: {load}")
    con.execute(
        "INSERT INTO loads VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            load.load_id,
            load.source,
            load.file_name,
            load.sha256,
            load.reader,
            load.outcome,
            load.rows_read,
            load.rows_stored,
            load.rows_duplicate,
            load.rows_rejected,
            load.rows_corrected,
            load.note,
            naive(started_at),
            naive(finished_at),
        ],
    )


@dataclass(frozen=True, slots=True)
class Came:
    """How a row came: the reader of its file, and the zone of times without an offset."""

    reader: str
    zone: str | None
    key: str | None = None  # of its first refusal, if it came back (store/intake/returned.py)


def insert_rejections(
    con: Connection,
    load_id: int,
    file_name: str,
    rejections: Sequence[Rejection],
    came: Callable[[Rejection], Came],
) -> None:
    """Keep refused rows with the reasons, and how each came."""
    if not rejections:
        return
    how = _each_key_once([came(r) for r in rejections])
    rows = [
        (*(r.line, r.table, r.column, r.value, r.expected, r.row), _came_as(r, h), h.zone, h.key)
        for r, h in zip(rejections, how, strict=True)
    ]
    create_temp_table(con, "refused", pl.DataFrame(rows, schema=_REFUSED, orient="row"))
    con.execute(
        "INSERT INTO rejections SELECT ?, ?, * FROM refused",
        [load_id, file_name],
    )


def _each_key_once(how: Sequence[Came]) -> list[Came]:
    """Leave a first key to one row: the others that its cells became are rows of their own now.

    With one key for several, bringing one of them would take the others off the list.
    """
    seen: set[str] = set()
    made = []
    for each in how:
        made.append(each if each.key not in seen else replace(each, key=None))
        seen |= {each.key} if each.key else set()
    return made


def _came_as(refused: Rejection, came: Came) -> str | None:
    if refused.row is None:
        return None
    return came.reader if refused.is_source else PLAIN


_REFUSED = {
    "line": pl.Int64,
    "table_name": pl.String,
    "column_name": pl.String,
    "value": pl.String,
    "expected": pl.String,
    "row_json": pl.String,
    "came_as": pl.String,
    "zone": pl.String,
    "first_key": pl.String,
}
