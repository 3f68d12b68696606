"""A store's rows into a lake: only pieces whose rows differ from those that are there.

Rows leave the store month by month, in the order in which they mostly came, so that each is read
about once; within a month the database divides them by bucket.
"""

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from afterclear.errors import UsageError
from afterclear.lake.contents import INSTANTS, WHOLE, Contents, Piece, contents_at, put_contents
from afterclear.plain import TABLES
from afterclear.store.engine.connection import Connection
from afterclear.store.engine.database import rows
from afterclear.store.engine.parquet_files import put_by
from afterclear.store.merging.rows import stored_columns

# A piece as the database counts it; the sum tells rows apart whatever their order.
_COUNTED: Final = """
    SELECT bucket, month, count(*) AS n_rows, sum(hash(t)::HUGEINT)::VARCHAR AS digest,
        max(last_at) AS last_at
    FROM ({rows}) t GROUP BY bucket, month ORDER BY month, bucket"""


@dataclass(frozen=True, slots=True)
class Filled:
    """What a filling did."""

    n_buckets: int
    n_rows: int  # that the lake holds now
    n_pieces: int
    n_written: int  # pieces


def fill(con: Connection, lake: Path, n_buckets: int | None) -> Filled:
    """Bring a lake to what the store holds; ``n_buckets``: of a new lake, else as it is.

    Raises:
        UsageError: the number of buckets is missing, or is not the lake's.

    """
    before = contents_at(lake)
    n = _buckets(lake, before, n_buckets)
    there = {piece.key: piece for piece in before.pieces} if before else {}
    pieces: list[Piece] = []
    n_written = 0
    for table in (*INSTANTS, WHOLE):
        found, written = _fill_table(con, lake, table, n, there)
        pieces += found
        n_written += written
    put_contents(lake, Contents(n, tuple(pieces)))
    return Filled(n, sum(piece.n_rows for piece in pieces), len(pieces), n_written)


def _buckets(lake: Path, before: Contents | None, asked: int | None) -> int:
    if before is None:
        if asked is None or asked < 1:
            raise UsageError(
                f"{lake} is a new lake: say with --buckets into how many its vehicles are divided, "
                "one for about a million scan rows."
            )
        return asked
    if asked not in (None, before.n_buckets):
        raise UsageError(
            f"{lake} has {before.n_buckets} buckets, and vehicles do not change theirs. Leave "
            "--buckets out, or fill another folder."
        )
    return before.n_buckets


def _fill_table(
    con: Connection, lake: Path, table: str, n: int, there: dict[tuple[str, int, str], Piece]
) -> tuple[list[Piece], int]:
    """Write the pieces of a table that have changed; return all, and how many were written."""
    told = _rows_of(table, n)
    counted = [_piece(table, row) for row in rows(con, _COUNTED.format(rows=told))]
    found = [there.get(piece.key, piece) for piece in counted]
    changed = [
        new for new, old in zip(counted, found, strict=True)
        if not old.files or (old.digest, old.n_rows) != (new.digest, new.n_rows)
    ]  # fmt: skip
    written: dict[tuple[str, int, str], Piece] = {}
    for month in dict.fromkeys(piece.month for piece in changed):
        of_month = [piece for piece in changed if piece.month == month]
        written |= {piece.key: piece for piece in _written(con, lake, told, of_month)}
    return [written.get(piece.key, piece) for piece in found], len(written)


def _rows_of(table: str, n: int) -> str:
    """Ask for a table's rows with bucket, month and instant; a lake has no number of a load."""
    if table == WHOLE:
        return f"SELECT 0 AS bucket, '' AS month, '' AS last_at, * FROM store.{table}"
    instant = INSTANTS[table]
    month = f"strftime({instant}, '%Y-%m')" if instant else "''"
    last = f"strftime({instant}, '%Y-%m-%dT%H:%M:%S.%f')" if instant else "''"
    return f"""SELECT (md5_number_lower(vehicle_id) % {n})::INTEGER AS bucket, {month} AS month,
        {last} AS last_at, {", ".join(stored_columns(TABLES[table]))} FROM store.{table}"""


def _piece(table: str, row: dict[str, Any]) -> Piece:
    return Piece(
        table=table,
        bucket=int(row["bucket"]),
        month=row["month"],
        digest=row["digest"],
        n_rows=int(row["n_rows"]),
        last_at=row["last_at"],
        files=(),
    )


def _written(con: Connection, lake: Path, told: str, changed: list[Piece]) -> list[Piece]:
    """Write the changed pieces of one table and month."""
    table, month = changed[0].table, changed[0].month
    wanted = ", ".join(str(piece.bucket) for piece in changed)
    sql = f"""SELECT * EXCLUDE (month, last_at) FROM ({told} {_within(table, month)})
        WHERE bucket IN ({wanted})"""
    below = Path("rows") / table / (f"month={month}" if month else "")
    files = put_by(con, sql, "bucket", lake / below, _name(changed))
    return [
        replace(piece, files=tuple((below / file).as_posix() for file in files[piece.bucket]))
        for piece in changed
    ]


def _within(table: str, month: str) -> str:
    """Limit rows to a month by their instant, so that the database skips the others."""
    if not month:
        return ""
    year, number = (int(part) for part in month.split("-"))
    following = f"{year + number // 12}-{number % 12 + 1:02}"
    instant = INSTANTS[table]
    return f"""WHERE {instant} >= TIMESTAMP '{month}-01'
        AND {instant} < TIMESTAMP '{following}-01'"""


def _name(changed: list[Piece]) -> str:
    """Name files by what they hold: one that is replaced keeps its name for those who read it."""
    told = [(piece.bucket, piece.digest, piece.n_rows) for piece in changed]
    return hashlib.sha256(repr(told).encode()).hexdigest()[:16]
