"""The only way to the database: one statement a call, values bound, no file but those handed in.

Once its store is attached a connection can open no other file, load nothing, and change no setting
but the time zone.  Files it must read (a delivered table) are *handed over*: put for a while, under
a name of our own, into this connection's private folder, the only place the database may read. So
even text that slipped into SQL would find no file to read or write, and no second statement would
run.

Columns of a file are named by their places. A million plain rows (CSV) take 2 to 6 % more processor
time than in the last version before these limits (2.85 to 3.00 s instead of 2.79 to 2.89; three
alternating pairs, including all other changes since). Checks: ``tests/hostile/test_sql.py``.
"""

import errno
import os
import secrets
import shutil
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

import duckdb
from duckdb import DuckDBPyConnection, DuckDBPyRelation, Statement, StatementType

from afterclear.catalogue.component import BASE_CODE_MACRO, COMPONENT_MACRO, PLACES_MACRO
from afterclear.catalogue.vin import PLAIN_VIN_MACRO, VIN_DOUBT_MACRO
from afterclear.errors import StoreError
from afterclear.plain import Takes

# Folders for files handed over, beside the store: how the suffix of their names begins.
HANDED = ".handed-"

# rules that every statement may use, each by one name
_MACROS = (
    *(COMPONENT_MACRO, PLACES_MACRO, BASE_CODE_MACRO),
    *(PLAIN_VIN_MACRO, VIN_DOUBT_MACRO),
)
_DENIED = {errno.EACCES, errno.EPERM, errno.EROFS}

Values = Sequence[object] | Mapping[str, object]


class Connection:
    """A connection to a store, and the folder through which files are handed over to it."""

    def __init__(
        self, stores: Mapping[str, Path], *, read_only: bool = False, in_memory: bool = False
    ) -> None:
        """Attach database files under names; the first holds the tables that are named without one.

        ``in_memory``: none of them is a file; the paths say beside which one each would be.

        Raises:
            duckdb.Error: one cannot be opened.

        """
        self.takes = Takes()
        self.is_in_transaction = False
        first = next(iter(stores.values())).absolute()
        self.path = first
        # a reader may lack the right to write beside the store
        beside = tempfile.gettempdir() if read_only else first.parent
        self._folder = Path(os.path.realpath(beside)) / f"{first.name}{HANDED}{_token()}"
        self._con = duckdb.connect()
        try:
            for name, path in stores.items():
                mode = " (READ_ONLY)" if read_only else ""
                place = ":memory:" if in_memory else str(path)
                self._con.execute(f"ATTACH ? AS {name}{mode}", [place])
            self._con.execute(f"USE {next(iter(stores))}")
            for macro in _MACROS:
                self._con.execute(macro)
        except BaseException:
            self.close()
            raise

    def lock(self, settings: Mapping[str, object]) -> None:
        """Make these settings, then allow no other, and no file."""
        for name, value in settings.items():
            self._con.execute(f"SET {name} = ?", [value])
        self._con.execute("SET allowed_directories = ?", [[str(self._folder)]])
        self._con.execute("SET allowed_configs = ['timezone']")
        self._con.execute("SET enable_external_access = false")
        self._con.execute("SET lock_configuration = true")

    def execute(self, sql: str, values: Values = ()) -> DuckDBPyConnection:
        """Run one statement.

        Raises:
            ValueError: it is not one.

        """
        return self._con.execute(self._only(sql), values or None)

    def relation(self, sql: str, values: Values = ()) -> DuckDBPyRelation:
        """Give the rows of one statement, not yet fetched.

        Raises:
            ValueError: it is not one.

        """
        return self._con.sql(self._only(sql), params=values or None)

    def kind(self, sql: str) -> StatementType:
        """Say what kind of statement it is.

        Raises:
            ValueError: it is not one.

        """
        return self._only(sql).type

    def script(self, sql: str) -> None:
        """Run the statements of one of our own SQL files, which hold nothing of a delivery."""
        self._con.execute(sql)

    @contextmanager
    def handed(self, path: Path, name: str) -> Iterator[Path]:
        """Let the database read a file for the block; ``name``: its name there."""
        place = self.handing() / name
        try:
            # the same bytes under a second name, where the disk can do that
            os.link(os.path.realpath(path), place)
        except OSError:
            shutil.copyfile(path, place)
        try:
            yield place
        finally:
            place.unlink(missing_ok=True)

    @contextmanager
    def seen(self, name: str, stream: object) -> Iterator[None]:
        """Let statements read an Arrow stream under a name for the block."""
        self._con.register(name, stream)
        try:
            yield
        finally:
            self._con.unregister(name)

    def handing(self) -> Path:
        """Give the folder in which the database may read, made if need be.

        Raises:
            StoreError: this user may not write there.

        """
        try:
            self._folder.mkdir(mode=0o700, exist_ok=True)
        except OSError as error:
            if error.errno not in _DENIED:
                raise
            raise StoreError(
                f"The store {self.path} cannot be used by this user: {self._folder.parent} may "
                f"not be written ({error.strerror}). Nothing was changed. Give the right to write "
                "there, or name a store elsewhere with --store FILE."
            ) from error
        return self._folder

    def interrupt(self) -> None:
        """Stop the running query, from another thread."""
        self._con.interrupt()

    def close(self) -> None:
        """Close the store and remove all files handed over."""
        self._con.close()
        shutil.rmtree(self._folder, ignore_errors=True)

    def _only(self, sql: str) -> Statement:
        statements = self._con.extract_statements(sql)
        if len(statements) != 1:
            raise ValueError(f"one statement a call; these are {len(statements)}: {sql[:200]!r}")
        return statements[0]


def quoted(name: str) -> str:
    """Write a name as SQL; for names of our own and of the catalogue, which cannot be bound."""
    return '"' + name.replace('"', '""') + '"'


def literal(text: str) -> str:
    """Write a text as SQL; for what cannot be bound: comments, and files of our own."""
    return "'" + text.replace("'", "''") + "'"


class Binding:
    """Values of one statement, each bound under a name of its own."""

    def __init__(self) -> None:
        self.values: dict[str, object] = {}

    def __call__(self, value: object) -> str:
        """Keep a value and write SQL for it."""
        name = f"v{len(self.values)}"
        self.values[name] = value
        return f"${name}"


def _token() -> str:
    return secrets.token_hex(8)
