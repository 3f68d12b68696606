"""A bucket's rows into a store, and its histories out of one store and into another.

Scans, control units, fixes and patterns of units have numbers within their bucket. Where
histories of several buckets meet, each bucket's numbers begin after those that are there, as those
of vehicles do that a store rebuilds: they keep their order within a vehicle, which is all that any
rule asks.
"""

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Final

from afterclear.histories.build_histories import HISTORY_TABLES
from afterclear.lake.contents import WHOLE, Piece, files_of
from afterclear.plain import TABLES
from afterclear.store.engine.connection import Connection
from afterclear.store.engine.database import scalar, transaction
from afterclear.store.engine.parquet_files import put_rows, readable
from afterclear.store.merging.delivered import insert_rows
from afterclear.store.merging.rows import stored_columns

# Numbers by the table that has each of them; other tables refer to them by the same name ...
_NUMBERED: Final = {
    "scan_no": "scan_moments",
    "unit_no": "known_units",
    "fix_no": "fix_numbers",
    "pattern_no": "unit_patterns",
}
# ... or by these.
_OF_NUMBERS: Final = {"first_scan_no": "scan_no", "first_unit_no": "unit_no"}
_NO_LOAD: Final = 0  # rows of a lake have no load


def take_rows(
    con: Connection, lake: Path, pieces: Iterable[Piece], tables: Mapping[str, str]
) -> None:
    """Insert rows of the plain layout; ``tables``: which, each with a condition on its rows."""
    pieces = tuple(pieces)
    for table, condition in tables.items():
        columns = ", ".join(stored_columns(TABLES[table]))
        if files := [lake / file for file in files_of(pieces, table)]:
            with readable(con, files) as source:
                insert_rows(
                    con,
                    TABLES[table],
                    f"SELECT {columns}, {_NO_LOAD} AS load_id FROM {source} WHERE {condition}",
                )


def take_decisions(con: Connection, files: Sequence[Path]) -> None:
    """Insert what people decided, if they did."""
    if files:
        with readable(con, files) as source:
            con.execute(f"INSERT INTO store.{WHOLE} BY NAME FROM {source}")


def leave_tables(con: Connection, folder: Path, tables: Iterable[str] = HISTORY_TABLES) -> None:
    """Write tables of a store, each to a file of its own."""
    for table in tables:
        put_rows(con, f"FROM store.{table}", file_of(folder, table))


def take_tables(con: Connection, folder: Path, tables: Iterable[str] = HISTORY_TABLES) -> None:
    """Insert what a bucket left after what a store holds.

    Numbers go on from the store's; tables that share them are taken together.
    """
    begin = {
        number: scalar(con, f"SELECT coalesce(max({number}), 0) FROM store.{table}")
        for number, table in _NUMBERED.items()
    }
    begin |= {name: begin[number] for name, number in _OF_NUMBERS.items()}
    with transaction(con):
        for table in tables:
            with readable(con, [file_of(folder, table)]) as source:
                names = {name for name, *_ in con.execute(f"DESCRIBE FROM {source}").fetchall()}
                moved = ", ".join(f"{n} + {begin[n]} AS {n}" for n in sorted(names & begin.keys()))
                columns = f"* REPLACE ({moved})" if moved else "*"
                con.execute(f"INSERT INTO store.{table} BY NAME SELECT {columns} FROM {source}")


def file_of(folder: Path, table: str) -> Path:
    """Give the file of a table in a bucket's folder."""
    return folder / f"{table}.parquet"
