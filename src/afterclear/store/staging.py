"""One delivered table into a temporary table ``staged``: parsed, with its faults beside.

Set-based throughout: a file is read once, by the database's own readers, every cell as text,
and parsed in the same pass.  Which row came first matters only where something was refused or
two rows of the file contradict each other; numbering the rows costs the second core (1.25 s
against 0.65 s for a million rows), so only such a file is staged again in order.
"""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import duckdb
from duckdb import DuckDBPyConnection

from afterclear.errors import RefusedFileError
from afterclear.plain import MILE_COLUMNS, Table
from afterclear.store.normalising import faults, parsed, raw

# Longest line accepted; a plain row is a few hundred bytes.
MAX_LINE_BYTES = 1_000_000
# What one core parses at a time.  The database's own 16 lines' worth leaves a file of some 30 MB
# to one core; with this both work on it (a file of 300,000 rows in 0.28 s instead of 0.43 s).
BUFFER_BYTES = 4 * MAX_LINE_BYTES


# The column of a table in which code spellings stand.
SPELLED = {"scans": "code", "repairs": "codes"}
A_CODE = "a fault code such as P0301, C0034-11, SPN 100 FMI 4 or make:16705"


@dataclass(frozen=True, slots=True)
class RawTable:
    """A table as delivered: where it stands, and which of its columns mean what."""

    table: Table
    path: Path
    form: Literal["csv", "jsonl", "parquet"]
    header: tuple[str, ...]  # all columns, in file order
    zone: str

    @property
    def known(self) -> frozenset[str]:
        """Columns of the plain layout (or their mile twins) this file has."""
        names = {*self.table.names, *MILE_COLUMNS.values()}
        return frozenset(names & set(self.header))

    @property
    def unknown(self) -> tuple[str, ...]:
        """Columns kept aside as they are."""
        return tuple(n for n in self.header if n not in self.known and n != "_line")


def stage(con: DuckDBPyConnection, source: RawTable, *, in_order: bool = False) -> None:
    """Read and parse into ``staged``.

    ``staged`` has the plain columns, ``extras`` (JSON of unknown columns or NULL), ``fault``
    (index into ``faults(...)`` or NULL), ``raw_row`` (JSON, of faulty rows only) and ``_nth``:
    the reader's own line number where it gives one, else the 1-based place among the rows the
    file's reader accepted, or NULL unless ``in_order``.

    Raises:
        RefusedFileError: the file cannot be read as what it seems to be.

    """
    con.execute("DROP TABLE IF EXISTS csv_rejects; DROP TABLE IF EXISTS csv_rejects_scan")
    con.execute(f"SET TimeZone = '{source.zone}'")
    try:
        with _refused_in_words(source.form):
            con.execute(
                f"CREATE OR REPLACE TEMP TABLE staged AS {staging_sql(source, in_order=in_order)}"
            )
    finally:
        reset_zone(con)


@contextmanager
def _refused_in_words(form: str) -> Iterator[None]:
    """Refuse a file the database's reader gives up on; our own troubles stay what they are."""
    try:
        yield
    except _NOT_THE_FILES_FAULT:
        raise
    except duckdb.Error as error:
        if "no space left" in str(error).lower():
            raise
        raise RefusedFileError(
            f"The file cannot be read as {form.upper()}: {str(error).splitlines()[0]}"
        ) from error


# A query stopped by a signal, too little memory, a store that gave up after a failed write.
_NOT_THE_FILES_FAULT = (
    duckdb.InterruptException,
    duckdb.OutOfMemoryException,
    duckdb.FatalException,
    duckdb.InternalException,
)


def reset_zone(con: DuckDBPyConnection) -> None:
    """Give the session its own zone back; an aborted transaction must be given up first."""
    with suppress(duckdb.TransactionException):
        con.execute("SET TimeZone = 'UTC'")


def row_checks(source: RawTable) -> list[tuple[str, str, str]]:
    """(condition, delivered column, expectation) of everything refused in a row, in order."""
    checks = faults(source.table, source.known)
    spelled = SPELLED.get(source.table.name)
    if spelled and spelled in source.known:
        unreadable = f"{spelling_key(source.table)} IN (SELECT spelling FROM unreadable)"
        checks.append((unreadable, spelled, A_CODE))
    return checks


def spelling_key(table: Table) -> str:
    """Write SQL for what a row's code spelling depends on, as one text; NULL without a code."""
    if table.name == "scans":
        return "code || '|' || coalesce(failure_type, '')"
    return "codes || '|'"


def check_one_odometer(source: RawTable) -> None:
    """Refuse a file that tells distances in both units.

    Raises:
        RefusedFileError: it has both columns.

    """
    for km, mi in MILE_COLUMNS.items():
        if km in source.header and mi in source.header:
            raise RefusedFileError(
                f"The file has both {km} and {mi}. Keep one of them, so that it is clear "
                "which unit counts."
            )


def staging_sql(source: RawTable, *, in_order: bool = False) -> str:
    """Write SQL for a delivered table's rows, parsed, with their faults; see ``stage``."""
    known = sorted(source.known)
    cells = ", ".join(f"nullif(trim(t.{_cell(source, n)}), '') AS {raw(n)}" for n in known)
    values = ", ".join(f"{parsed(c, source.known)} AS {c.name}" for c in source.table.columns)
    checks = row_checks(source)
    fault = " ".join(f"WHEN {sql} THEN {i}" for i, (sql, _, _) in enumerate(checks))
    place = "t._line" if "_line" in source.header else "NULL::BIGINT"
    if in_order and "_line" not in source.header:
        place = "row_number() OVER ()"
    return f"""
        SELECT * EXCLUDE (cells), CASE WHEN fault IS NOT NULL THEN to_json(cells) END AS raw_row
        FROM (
            SELECT {values}, CASE {fault} END AS fault, extras, cells, _nth
            FROM (
                SELECT {cells}, {_extras(source)} AS extras, {place} AS _nth,
                    {_cells_struct(source)} AS cells
                FROM {_scan(source)} t
            )
        )
    """


def _cell(source: RawTable, name: str) -> str:
    if source.form == "jsonl":
        return f"cells->>'$.\"{name}\"'"
    return f'"{name}"'


def _cells_struct(source: RawTable) -> str:
    if source.form == "jsonl":
        return "t.cells"
    names = [n for n in source.header if n != "_line"]
    return "struct_pack(" + ", ".join(f'"{_safe(n)}" := t."{_safe(n)}"' for n in names) + ")"


def _extras(source: RawTable) -> str:
    if not source.unknown:
        return "NULL::VARCHAR"
    if source.form == "jsonl":
        pairs = ", ".join(f"'{_text(n)}', t.cells->'$.\"{_safe(n)}\"'" for n in source.unknown)
        return f"json_object({pairs})::VARCHAR"
    pairs = ", ".join(f"'{_text(n)}', t.\"{_safe(n)}\"" for n in source.unknown)
    return f"json_object({pairs})::VARCHAR"


def _safe(name: str) -> str:
    return name.replace('"', '""')


def _text(name: str) -> str:
    return name.replace("'", "''")


def json_keys(con: DuckDBPyConnection, path: Path) -> tuple[str, ...]:
    """Name every key that any object of a JSON Lines file has, sorted.

    Raises:
        RefusedFileError: the file is no text in UTF-8, or a line is longer than any row.

    """
    with _refused_in_words("jsonl"):
        rows = con.execute(
            f"""SELECT DISTINCT unnest(json_keys(line)) AS name FROM {_lines(_text(str(path)))}
                WHERE json_valid(line) AND json_type(line) = 'OBJECT' ORDER BY name"""
        ).fetchall()
    return tuple(name for (name,) in rows)


def _lines(path: str) -> str:
    """Write SQL for a file's lines as text, so that a broken one is refused alone and whole."""
    return (
        f"read_csv('{path}', columns = {{'line': 'VARCHAR'}}, header = false, "
        "auto_detect = false, delim = '\\x1f', quote = '', escape = '', "
        f"max_line_size = {MAX_LINE_BYTES})"
    )


def _scan(source: RawTable) -> str:
    path = _text(str(source.path))
    if source.form == "parquet":
        columns = ", ".join(
            f'"{_safe(n)}"' if n == "_line" else f'"{_safe(n)}"::VARCHAR AS "{_safe(n)}"'
            for n in source.header
        )
        return f"(SELECT {columns} FROM read_parquet('{path}'))"
    if source.form == "jsonl":
        return (
            "(SELECT CASE WHEN json_valid(line) AND json_type(line) = 'OBJECT' "
            "THEN line::JSON ELSE json_object('line', line) END AS cells "
            f"FROM {_lines(path)} WHERE trim(line) <> '')"
        )
    columns = ", ".join(f"'{_text(n)}': 'VARCHAR'" for n in source.header)
    return (
        f"read_csv('{path}', columns = {{{columns}}}, header = true, auto_detect = false, "
        "delim = ',', quote = '\"', escape = '\"', store_rejects = true, "
        "rejects_table = 'csv_rejects', rejects_scan = 'csv_rejects_scan', rejects_limit = 0, "
        f"max_line_size = {MAX_LINE_BYTES}, buffer_size = {BUFFER_BYTES}, null_padding = false)"
    )
