"""Open a store, run a transaction, hand frames in and out.

DuckDB lets one process write a file at a time, and no other open it meanwhile.  A writer takes the
lock beside the store first (``locking.py``), waiting for another to finish; a reader that finds the
store taken opens the snapshot of a long writer (``snapshot.py``), or waits.
"""

import os
import time
from collections.abc import Generator, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb

from afterclear.errors import StoreError, StoreInUseError
from afterclear.plain import Takes
from afterclear.store.engine.archive import begin_archive, has_archive_in_common, take_out_of_common
from afterclear.store.engine.connection import Connection, Values
from afterclear.store.engine.failures import full_disk_explained, not_opened
from afterclear.store.engine.locking import (
    READER_WAITS_S,
    WRITER_WAITS_S,
    holding,
    waits,
    writer_lock,
)
from afterclear.store.engine.migrations import (
    applied_migrations,
    has_these_declarations,
    migrate,
    note_declarations,
    pending_migrations,
)
from afterclear.store.engine.sharing import shared_at
from afterclear.store.engine.snapshot import copy_file, snapshot_path
from afterclear.store.engine.stop_signal import stop_explained

if TYPE_CHECKING:
    import polars as pl

__all__ = ["Connection"]  # so that other modules can name the type without importing the database

# Enough for the work of 1 M rows on a small machine with room to spare; larger sorts spill
# to disk beside the store.
MEMORY_LIMIT = "1GB"

_PAUSE_S = 0.1
# DuckDB cuts the log's name at a question mark and turns a backslash into a slash.
_MISREAD = set("?" if os.sep == "\\" else "?\\")

# Open connections, so that a signal can stop their queries.
_open: set[Connection] = set()


@contextmanager
def open_store(
    path: Path,
    *,
    read_only: bool = False,
    doing: str = "afterclear",
    takes: Takes | None = None,
) -> Iterator[Connection]:
    """Give a connection to the store at ``path``, made and migrated when writing.

    ``doing``: the reason shown to others that wait for the store; ``takes``: what is accepted in
    delivered tables.

    Raises:
        StoreError: it does not exist (reading), is held by another process, is newer than
            this program, is no store, or its disk is full; or its path would be misread.

    """
    if set(str(path)) & _MISREAD:
        raise StoreError(
            f"The store {path} cannot stand there: the database takes a question mark or a "
            "backslash in a path for something else. Give the folder or file another name."
        )
    if read_only:
        with stop_explained(), _reading(path) as con:
            yield con
        return
    with (
        stop_explained(),
        holding(writer_lock(path), doing),
        private_files(),
        full_disk_explained(path),
    ):
        con = _up_to_date(path)
        con.takes = takes or con.takes
        try:
            yield con
        finally:
            _close(con)


def is_copy(con: Connection) -> bool:
    """Whether a reader sees the store as it was before the work under way."""
    return con.path == snapshot_path(con.path.with_suffix(""))


def interrupt_queries() -> None:
    """Stop the queries of all open connections; they raise."""
    for con in tuple(_open):
        with suppress(duckdb.Error):  # closed at this very moment
            con.interrupt()


@contextmanager
def _reading(path: Path) -> Iterator[Connection]:
    shared = shared_at(path)
    with full_disk_explained(path):
        if shared is not None:
            yield shared.opened(_opened)
            return
        with _opened(path) as con:
            yield con


@contextmanager
def _opened(path: Path) -> Iterator[Connection]:
    if not path.exists():
        raise StoreError(f"There is no store at {path} yet. Run 'afterclear load' first.")
    con = _readable(path)
    try:
        if pending_migrations(con):
            raise StoreError(f"The store {path} is of an older version. Run 'afterclear load'.")
        yield con
    finally:
        _close(con)


def _readable(path: Path) -> Connection:
    """Open the store for reading, or the snapshot beside it while it is taken."""
    give_up_at = time.monotonic() + waits(READER_WAITS_S)
    while True:
        try:
            return _connected(path, read_only=True, wait_s=0)
        except StoreInUseError:
            copy = snapshot_path(path)
            if copy.exists():
                # the writer may finish, and remove it, at this very moment
                with suppress(StoreError):
                    return _connected(copy, read_only=True, wait_s=0)
            if time.monotonic() >= give_up_at:
                raise
        time.sleep(_PAUSE_S)


def _up_to_date(path: Path) -> Connection:
    """Connect to the store for writing; make or migrate it first if needed."""
    if not path.exists():
        make_store(path)
        return _writable(path)
    con = _writable(path)
    try:
        pending = pending_migrations(con)
        if pending:
            con = _migrated(con, path, pending[0])
        elif not has_these_declarations(con):
            note_declarations(con)
        if has_archive_in_common(path):  # it is the store's alone
            take_out_of_common(path, archived_hashes(con))
    except BaseException:
        _close(con)
        raise
    return con


def make_store(path: Path) -> None:
    """Make an empty store, and the archive beside it."""
    con = _writable(path)
    try:
        migrate(con)
        begin_archive(path)
    finally:
        _close(con)


def _migrated(con: Connection, path: Path, first: str) -> Connection:
    """Apply pending migrations, after a copy of the store was put beside it."""
    if applied_migrations(con):
        _close(con)  # then everything is in the file itself
        copy_file(path, Path(f"{path}.before-{first.removesuffix('.sql')}"))
        con = _writable(path)
    try:
        migrate(con)
    finally:
        _close(con)
    return _writable(path)


def archived_hashes(con: Connection) -> list[str]:
    """List the hashes of the ledger's archived files, as they are kept now."""
    found = con.execute(
        """SELECT DISTINCT coalesce(c.kept_sha256, CASE WHEN c.sha256 IS NULL THEN l.sha256 END)
           FROM loads l LEFT JOIN archive_changes c USING (sha256)"""
    ).fetchall()
    return sorted(sha256 for (sha256,) in found if sha256)


def _writable(path: Path) -> Connection:
    return _connected(path, read_only=False, wait_s=waits(WRITER_WAITS_S))


def _connected(path: Path, *, read_only: bool, wait_s: float) -> Connection:
    give_up_at = time.monotonic() + wait_s
    while True:
        try:
            con = _attached(path, read_only=read_only)
        except StoreInUseError:
            if time.monotonic() >= give_up_at:
                raise
        else:
            _open.add(con)
            return con
        time.sleep(_PAUSE_S)


def _close(con: Connection) -> None:
    _open.discard(con)
    con.close()


def _attached(path: Path, *, read_only: bool) -> Connection:
    # attached under a fixed name, so that SQL can distinguish the store's tables from temporary
    # ones
    try:
        con = Connection({"store": path}, read_only=read_only)
    except duckdb.Error as error:
        raise not_opened(path, str(error)) from error
    con.lock(settings_at(path))
    return con


def settings_at(path: Path) -> dict[str, object]:
    """Give the settings of every connection; what memory cannot hold goes beside ``path``."""
    # the order gives a refused row's line; the time zone is set so that no machine's leaks in
    return {
        "memory_limit": MEMORY_LIMIT,
        "temp_directory": f"{path}.tmp",
        "preserve_insertion_order": True,
        "TimeZone": "UTC",
        "enable_progress_bar": False,
    }


@contextmanager
def private_files() -> Iterator[None]:
    """Let new files be readable by their owner only: the store names vehicles and people."""
    before = os.umask(0o077)
    try:
        yield
    finally:
        os.umask(before)


@contextmanager
def transaction(con: Connection) -> Iterator[None]:
    """Run the block as one transaction: all of it, or nothing.  Within another it is part of it."""
    if con.is_in_transaction:
        yield
        return
    con.execute("BEGIN")
    con.is_in_transaction = True
    try:
        with stop_explained():
            yield
    except BaseException:
        # after a failed write the database has rolled back already: the first error counts
        with suppress(duckdb.Error):
            con.execute("ROLLBACK")
            con.execute("SET TimeZone = 'UTC'")  # a failed read may have left its own
        raise
    finally:
        con.is_in_transaction = False
    con.execute("COMMIT")


def query(con: Connection, sql: str, values: Values = ()) -> "pl.DataFrame":
    """Run a query and return its rows as a frame."""
    return frame_of(con.relation(sql, values))


def frame_of(found: duckdb.DuckDBPyRelation) -> "pl.DataFrame":
    """Fetch rows as a frame."""
    import polars as pl  # noqa: PLC0415 - a fifth of the time of a command that asks for no frame

    return pl.DataFrame(found)


def rows(con: Connection, sql: str, values: Values = ()) -> list[dict[str, Any]]:
    """Run a query that gives few rows and return each by its columns' names."""
    cursor = con.execute(sql, values)
    names = [name for name, *_ in cursor.description or ()]
    return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def scalar(con: Connection, sql: str, values: Values = ()) -> int:
    """Run a query for one whole number."""
    # all rows are fetched: a half-read result would block the connection
    rows = con.execute(sql, values).fetchall()
    return int(rows[0][0]) if rows and rows[0][0] is not None else 0


def query_in_parts(
    con: Connection, sql: str, most_rows: int, values: Values = ()
) -> Generator["pl.DataFrame"]:
    """Run a query and yield its rows in order, so many at a time; without rows one empty frame.

    The rows wait in a temporary table, which goes to the disk where memory is short.
    """
    con.execute(f"CREATE OR REPLACE TEMP TABLE answer AS {sql}", values)
    try:
        n_rows = scalar(con, "SELECT count(*) FROM answer")
        for first in range(0, max(n_rows, 1), most_rows):
            yield query(
                con,
                "FROM answer WHERE rowid >= ? AND rowid < ? ORDER BY rowid",
                [first, first + most_rows],
            )
    finally:
        con.execute("DROP TABLE answer")


class _Stream:
    """A frame as any package takes it (Arrow C stream), for a driver that wants its own."""

    def __init__(self, frame: "pl.DataFrame") -> None:
        self._frame: pl.DataFrame | None = frame

    def __arrow_c_stream__(self, requested_schema: object | None = None) -> object:
        if self._frame is None:
            raise ValueError("the block in which this frame could be read has ended")
        return self._frame.__arrow_c_stream__(requested_schema)

    def let_go(self) -> None:
        """Free the frame, whoever still holds this."""
        self._frame = None


@contextmanager
def frame_seen(con: Connection, frame: "pl.DataFrame") -> Iterator[None]:
    """Let statements read a frame as ``frame`` for the block."""
    stream = _Stream(frame)
    try:
        with con.seen("frame", stream):
            yield
    finally:
        # a transaction holds all it has seen until it ends: the frames of a large file's pieces
        stream.let_go()


def create_temp_table(con: Connection, name: str, frame: "pl.DataFrame") -> None:
    """Put a frame into a temporary table, replacing one of that name."""
    with frame_seen(con, frame):
        con.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS FROM frame")
