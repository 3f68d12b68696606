"""One delivered table into a temporary table ``staged``: parsed, with its faults.

Set-based throughout: a file is read once, by the database's own readers, every cell as text,
and parsed in the same pass.  Which row came first matters only where something was refused or
two rows of the file contradict each other; numbering the rows costs the second core (1.25 s
against 0.65 s for a million rows), so only such a file is staged again in order.
"""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC
from math import isfinite
from pathlib import Path
from typing import Literal

import duckdb

from afterclear.errors import RefusedFileError, worded
from afterclear.plain import INSTANT_OF, MILE_COLUMNS, Table, Takes
from afterclear.store.engine.connection import Binding, Connection
from afterclear.store.intake.lines import longest_line
from afterclear.store.intake.spelling import cell_faults, faults, parsed, raw

# Longest line accepted; a plain row is a few hundred bytes.
MAX_LINE_BYTES = 1_000_000
# What one core parses at a time.  The database's default of 16 lines' worth leaves a file of about
# 30 MB to one core; with this both work on it (a file of 300,000 rows in 0.28 s instead of 0.43 s).
BUFFER_BYTES = 4 * MAX_LINE_BYTES
# A longer line is refused with its whole file: the reader must hold it to refuse it alone.
MAX_BUFFERED_BYTES = 32 * MAX_LINE_BYTES


# What a file is called while the database reads it.
_HANDED = "delivered"

# A table's column of code spellings.
SPELLED = {"scans": "code", "repairs": "codes"}
KNOWN_VEHICLE = "the number of a vehicle, not nearly that of a known one"
ONE_PLACE = (
    "codes of one place: these rows of the order differ in nothing but codes of different places, "
    "so they may be one piece of work told once for each code, or one for each place. Say position "
    "or quantity, give one row with all codes, or say places_apart in the map of these files"
)
UNDECIDED_LINE = (
    "a line of this order that is stored already, or one that is clearly new: it is like none of "
    "the stored lines, or like several. Deliver the order with all its lines, name the part or "
    "the position, or retract the load that brought the stored lines"
)
A_CODE = "a fault code such as P0301, C0034-11, SPN 100 FMI 4 or make:40417"


@dataclass(frozen=True, slots=True)
class RawTable:
    """A table as delivered: its place, and the meaning of its columns.

    A delivered name never becomes part of SQL: columns are named by position, names are bound.
    """

    table: Table
    path: Path
    form: Literal["csv", "jsonl", "parquet"]
    header: tuple[str, ...]  # all columns, in file order
    zone: str
    takes: Takes = field(default_factory=Takes)
    numbered: bool = False  # its last column is the reader's own ``_line``
    longest_line: int = 0  # bytes, where a line is longer than any row may be
    places_apart: str = ""  # as a map said it: one, each; see plain.APART
    once: tuple[str, ...] = ()  # amounts of the whole order in each of its rows; see plain.ONCE

    @property
    def known(self) -> frozenset[str]:
        """Columns of the plain layout (or their mile twins) this file has."""
        names = {*self.table.names, *MILE_COLUMNS.values()}
        return frozenset(names & set(self.header))

    @property
    def unknown(self) -> tuple[int, ...]:
        """Positions of the columns that are kept as they are, in extras."""
        return tuple(i for i, name in enumerate(self.header) if name not in self.known)


def stage(con: Connection, source: RawTable, *, in_order: bool = False) -> None:
    """Read and parse into ``staged``.

    ``staged`` has the plain columns, ``extras`` (JSON of unknown columns or NULL), ``fault`` (index
    into ``faults(...)`` or NULL), ``raw_row`` (JSON, of faulty rows only) and ``_nth``: the
    reader's own line number where it gives one, otherwise the 1-based place among the rows the
    file's reader accepted, or NULL unless ``in_order``.

    Raises:
        RefusedFileError: the file cannot be read as what it seems to be.

    """
    forget_refused(con)
    con.execute("SET TimeZone = ?", [source.zone])
    try:
        with _refused_in_words(source.form), con.handed(source.path, _HANDED) as place:
            bind = Binding()
            sql = staging_sql(source, place, bind, in_order=in_order)
            con.execute(f"CREATE OR REPLACE TEMP TABLE staged AS {sql}", bind.values)
    finally:
        reset_zone(con)


def forget_refused(con: Connection) -> None:
    """Discard the database reader's refusals of the previous file."""
    con.execute("DROP TABLE IF EXISTS csv_rejects")
    con.execute("DROP TABLE IF EXISTS csv_rejects_scan")


@contextmanager
def _refused_in_words(form: str) -> Iterator[None]:
    """Refuse a file the database's reader gives up on; our own errors stay as they are."""
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


# A query stopped by a signal, too little memory, a transaction that a failed write has ended.
_NOT_THE_FILES_FAULT = (
    duckdb.InterruptException,
    duckdb.OutOfMemoryException,
    duckdb.FatalException,
    duckdb.InternalException,
)


def reset_zone(con: Connection) -> None:
    """Give the session its own zone back; an aborted transaction must be rolled back first."""
    with suppress(duckdb.TransactionException):
        con.execute("SET TimeZone = 'UTC'")


def row_checks(source: RawTable) -> list[tuple[str, str, str]]:
    """(condition, delivered column, expectation) of everything refused in a row, in order."""
    checks = faults(source.table, source.known, source.takes)
    spelled = SPELLED.get(source.table.name)
    if spelled and spelled in source.known:
        unreadable = f"{spelling_key(source.table)} IN (SELECT spelling FROM unreadable)"
        checks.append((unreadable, spelled, A_CODE))
    checks += _implausible(source)
    if source.table.name != "vehicles":
        near = "vehicle_id IN (SELECT told FROM near_misses)"
        checks.append((near, "vehicle_id", KNOWN_VEHICLE))
    if source.table.name == "repairs":
        checks.append(("_nth IN (SELECT number FROM apart)", "codes", ONE_PLACE))
        checks.append(("_nth IN (SELECT number FROM undecided)", "notes", UNDECIDED_LINE))
    return checks


def cell_checks(source: RawTable) -> list[tuple[str, str, str]]:
    """Give those of the checks that one cell shows alone, before codes are spelled."""
    return [*cell_faults(source.table, source.known, source.takes), *_implausible(source)]


def _implausible(source: RawTable) -> Iterator[tuple[str, str, str]]:
    """Give the checks for impossible distances and times in the future."""
    limits, names = source.takes, source.table.names
    highest = {
        "odometer_km": (limits.max_km, "km"),
        "first_seen_km": (limits.max_km, "km"),
        "engine_hours": (limits.max_hours, "hours"),
    }
    for name, (most, unit) in highest.items():
        column = next((n for n in (name, MILE_COLUMNS.get(name)) if n in source.known), None)
        if name in names and column and isfinite(most):
            expected = worded(
                "at most {most:,.0f} {unit} (limits in afterclear.toml)", most=most, unit=unit
            )
            yield f"{name} > {most}", column, expected
    for name in INSTANT_OF.values():
        if name in names and name in source.known and limits.latest is not None:
            latest = limits.latest.astimezone(UTC).replace(tzinfo=None)
            expected = worded(
                "a time not after {latest} UTC, when the file came",
                latest=f"{latest:%Y-%m-%d %H:%M}",
            )
            yield f"{name} > TIMESTAMP '{latest:%Y-%m-%d %H:%M:%S}'", name, expected


def spelling_key(table: Table) -> str:
    """Write SQL for what a row's code spelling depends on, as one text; NULL without a code."""
    if table.name == "scans":
        return "code || '|' || coalesce(failure_type, '')"
    return "codes || '|'"


def check_one_odometer(source: RawTable) -> None:
    """Refuse a file that has distances in both units.

    Raises:
        RefusedFileError: it has both columns.

    """
    for km, mi in MILE_COLUMNS.items():
        if km in source.header and mi in source.header:
            raise RefusedFileError(
                f"The file has both {km} and {mi}. Keep one of them, so that it is clear "
                "which unit counts."
            )


def check_width(source: RawTable) -> None:
    """Refuse a file with more columns than are taken.

    Raises:
        RefusedFileError: it has more.

    """
    if len(source.header) > source.takes.columns:
        raise RefusedFileError(
            f"The file has more than {source.takes.columns:,} columns: in a table every kind of "
            "fact has one, and each row fills most. If so many are meant, raise max_columns under "
            "[limits] in afterclear.toml."
        )


def check_lines(path: Path, form: str) -> int:
    """Find lines longer than any row; give the bytes of the longest, 0 if there is none.

    The database's reader passes over a line that does not fit its buffer, without a word.

    Raises:
        RefusedFileError: one is too long to be refused alone.

    """
    if form == "parquet":
        return 0
    found = longest_line(path, MAX_LINE_BYTES)
    if found is None:
        return 0
    line, n_bytes = found
    if form == "jsonl" or n_bytes > MAX_BUFFERED_BYTES:
        raise RefusedFileError(
            f"Line {line:,} has {n_bytes:,} bytes; a row has less than {MAX_LINE_BYTES:,}. "
            "Is each row on a line of its own?"
        )
    return n_bytes


def staging_sql(source: RawTable, place: Path, bind: Binding, *, in_order: bool = False) -> str:
    """Write SQL for a delivered table's rows, parsed, with their faults; see ``stage``.

    ``place``: where the database may read the file; ``bind`` keeps all that the delivery names.
    """
    cells = ", ".join(
        f"nullif(trim({_cell(source, name)}), '') AS {raw(name)}" for name in sorted(source.known)
    )
    values = ", ".join(
        f"{parsed(c, source.known, source.takes)} AS {c.name}" for c in source.table.columns
    )
    checks = row_checks(source)
    fault = " ".join(f"WHEN {sql} THEN {i}" for i, (sql, _, _) in enumerate(checks))
    number = "t._line" if source.numbered else "NULL::BIGINT"
    if in_order and not source.numbered:
        number = "row_number() OVER ()"
    return f"""
        SELECT * EXCLUDE (cells),
            CASE WHEN fault IS NOT NULL THEN {_raw_row(source, bind)} END AS raw_row
        FROM (
            SELECT {values}, CASE {fault} END AS fault, extras, cells, _nth
            FROM (
                SELECT {cells}, {extras(source, bind)} AS extras, {number} AS _nth,
                    {_cells(source)} AS cells
                FROM {rows_of(source, place, bind)} t
            )
        )
    """


def _cell(source: RawTable, name: str) -> str:
    """Write SQL for a column of the plain layout; its name is one of our own."""
    if source.form == "jsonl":
        return f"t.cells->>'$.\"{name}\"'"
    return f"t.c{source.header.index(name)}"


def _cells(source: RawTable) -> str:
    """Write SQL that keeps a row's cells together until it is known whether it is refused."""
    if source.form == "jsonl":
        return "t.cells"
    return "struct_pack(" + ", ".join(f"c{i} := t.c{i}" for i in range(len(source.header))) + ")"


def _raw_row(source: RawTable, bind: Binding) -> str:
    if source.form == "jsonl":
        return "to_json(cells)"
    pairs = ", ".join(f"{bind(name)}, cells.c{i}" for i, name in enumerate(source.header))
    return f"json_object({pairs})"


def extras(source: RawTable, bind: Binding) -> str:
    """Write SQL for a row's cells of unknown columns, as one text; NULL where there are none."""
    if not source.unknown:
        return "NULL::VARCHAR"
    pairs = []
    for i in source.unknown:
        name = source.header[i]
        cell = f"t.cells->{bind(_pointer(name))}" if source.form == "jsonl" else f"t.c{i}"
        pairs.append(f"{bind(name)}, {cell}")
    return f"json_object({', '.join(pairs)})::VARCHAR"


def _pointer(key: str) -> str:
    """Write a key as a JSON pointer (RFC 6901), which any text can be."""
    return "/" + key.replace("~", "~0").replace("/", "~1")


def json_keys(con: Connection, path: Path, takes: Takes) -> tuple[str, ...]:
    """Name every key that any object of a JSON Lines file has, sorted.

    Raises:
        RefusedFileError: the file is no text in UTF-8, a line is longer than any row, or there
            are more keys than are taken.

    """
    bind = Binding()
    with _refused_in_words("jsonl"), con.handed(path, _HANDED) as place:
        rows = con.execute(
            f"""SELECT DISTINCT unnest(json_keys(line)) AS name FROM {_lines(place, bind)}
                WHERE json_valid(line) AND json_type(line) = 'OBJECT'
                ORDER BY name LIMIT {takes.columns + 1}""",
            bind.values,
        ).fetchall()
    return tuple(name for (name,) in rows)


def _lines(place: Path, bind: Binding) -> str:
    """Write SQL for a file's lines as text, so that a broken one is refused alone and whole.

    The cell separator is a run of characters that no text holds and JSON may not.
    """
    return (
        f"read_csv({bind(str(place))}, columns = {{'line': 'VARCHAR'}}, header = false, "
        "auto_detect = false, delim = '\x1c\x1d\x1e\x1f', quote = '', escape = '', "
        f"max_line_size = {MAX_LINE_BYTES})"
    )


def rows_of(source: RawTable, place: Path, bind: Binding) -> str:
    """Write SQL for a file's rows as text: columns by their places, or a line of JSON."""
    names = [f"c{i}" for i in range(len(source.header))]
    if source.form == "parquet":
        texts = ", ".join(f"{name}::VARCHAR AS {name}" for name in names)
        line = ["_line"] if source.numbered else []
        return (
            f"(SELECT {', '.join([texts, *line])} FROM "
            f"read_parquet({bind(str(place))}, hive_partitioning = false) "
            f"p({', '.join([*names, *line])}))"
        )
    if source.form == "jsonl":
        return (
            "(SELECT CASE WHEN json_valid(line) AND json_type(line) = 'OBJECT' "
            "THEN line::JSON ELSE json_object('line', line) END AS cells "
            f"FROM {_lines(place, bind)} WHERE trim(line) <> '')"
        )
    columns = ", ".join(f"'{name}': 'VARCHAR'" for name in names)
    buffer = max(BUFFER_BYTES, 2 * source.longest_line)
    return (
        f"read_csv({bind(str(place))}, columns = {{{columns}}}, header = true, "
        "auto_detect = false, delim = ',', quote = '\"', escape = '\"', store_rejects = true, "
        "rejects_table = 'csv_rejects', rejects_scan = 'csv_rejects_scan', rejects_limit = 0, "
        f"max_line_size = {MAX_LINE_BYTES}, buffer_size = {buffer}, null_padding = false)"
    )
