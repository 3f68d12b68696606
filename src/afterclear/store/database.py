"""Open a store, run a transaction, hand frames in and out.

DuckDB lets one process write a file at a time, and no other open it meanwhile; the message
of a refused open says who holds it.
"""

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import duckdb
import polars as pl
from duckdb import DuckDBPyConnection

from afterclear.errors import StoreError
from afterclear.store.migrations import migrate, pending_migrations

# So that other parts can name the type without knowing the database.
Connection = DuckDBPyConnection

# Enough for the work of 1 M rows on a small machine with room to spare; larger sorts spill
# to disk beside the store.
MEMORY_LIMIT = "1GB"


@contextmanager
def open_store(path: Path, *, read_only: bool = False) -> Iterator[DuckDBPyConnection]:
    """Give a connection to the store at ``path``, made and migrated when writing.

    Raises:
        StoreError: it does not exist (reading), is held by another process, is newer than
            this program, or is no store.

    """
    if read_only and not path.exists():
        raise StoreError(f"There is no store at {path} yet. Run 'afterclear load' first.")
    path.parent.mkdir(parents=True, exist_ok=True)
    con = duckdb.connect()
    try:
        _attach(con, path, read_only=read_only)
        # order is what tells a refused row's line; time zone so that no machine's leaks in
        con.execute(f"SET memory_limit = '{MEMORY_LIMIT}'")
        con.execute("SET temp_directory = ?", [f"{path}.tmp"])
        con.execute("SET preserve_insertion_order = true")
        con.execute("SET TimeZone = 'UTC'")
        con.execute("SET enable_progress_bar = false")
        if not read_only:
            migrate(con)
        elif pending_migrations(con):
            raise StoreError(f"The store {path} is of an older version. Run 'afterclear load'.")
        yield con
    finally:
        con.close()


def _attach(con: DuckDBPyConnection, path: Path, *, read_only: bool) -> None:
    # attached under a fixed name, so that SQL can tell the store's tables from temporary ones
    mode = " (READ_ONLY)" if read_only else ""
    place = str(path).replace("'", "''")
    try:
        con.execute(f"ATTACH '{place}' AS store{mode}")
    except (duckdb.IOException, duckdb.SerializationException) as error:
        raise StoreError(_why_not_opened(path, str(error))) from error
    con.execute("USE store")


def _why_not_opened(path: Path, message: str) -> str:
    if "lock" in message.lower():
        holder = message.partition("Conflicting lock is held in ")[2].partition(". ")[0]
        return (
            f"The store {path} is in use by another process{f' ({holder})' if holder else ''}. "
            "Wait until it has finished, then try again."
        )
    return f"The store {path} cannot be opened: {message.splitlines()[0]}"


@contextmanager
def transaction(con: DuckDBPyConnection) -> Iterator[None]:
    """Run the block as one transaction: all of it, or nothing."""
    con.execute("BEGIN")
    try:
        yield
    except BaseException:
        con.execute("ROLLBACK")
        raise
    con.execute("COMMIT")


def query(con: DuckDBPyConnection, sql: str, parameters: Sequence[object] = ()) -> pl.DataFrame:
    """Run a query and return its rows as a frame."""
    relation = con.sql(sql, params=list(parameters)) if parameters else con.sql(sql)
    return pl.DataFrame(relation)


def scalar(con: DuckDBPyConnection, sql: str, parameters: Sequence[object] = ()) -> int:
    """Run a query for one whole number."""
    # all rows are fetched: a half-read result would block the connection
    rows = con.execute(sql, list(parameters)).fetchall()
    return int(rows[0][0]) if rows and rows[0][0] is not None else 0


def create_temp_table(con: DuckDBPyConnection, name: str, frame: pl.DataFrame) -> None:
    """Put a frame into a temporary table, replacing one of that name."""
    # by way of a Parquet file: the driver reads frames directly only through another package
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "frame.parquet"
        frame.write_parquet(path)
        con.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS FROM read_parquet(?)", [str(path)])
