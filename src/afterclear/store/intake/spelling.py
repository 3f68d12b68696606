"""How each kind of plain cell is parsed, as SQL; and the message if it cannot be.

Tables before branches: a new kind is one entry of ``_PARSERS``.  Every expression takes the
trimmed text of the cell (NULL when empty) and gives a value, or NULL when it cannot.  Instants
without an offset are read in the session's zone, which staging sets to the source's.
"""

from collections.abc import Callable
from dataclasses import dataclass

from afterclear.errors import Worded, worded
from afterclear.plain import KM_PER_MILE, MILE_COLUMNS, TABLES, Column, Kind, Table, Takes


@dataclass(frozen=True, slots=True)
class Parser:
    """One kind's SQL, and the expectation shown if it fails."""

    sql: Callable[[str, Column, Takes], str]
    expected: Callable[[Column, Takes], Worded]


def _quoted(words: tuple[str, ...]) -> str:
    return ", ".join(f"'{word}'" for word in words)


def _whole(x: str, low: int, high: int) -> str:
    # '12' and the '12.0' of spreadsheets; a bare cast would round 3.7 to 4
    value = f"try_cast(try_cast({x} AS DOUBLE) AS BIGINT)"
    shape = f"regexp_full_match({x}, '[0-9]{{1,9}}(\\.0+)?')"
    return f"CASE WHEN {shape} AND {value} BETWEEN {low} AND {high} THEN {value} END"


def _instant(x: str, _: Column, takes: Takes) -> str:
    value = f"timezone('UTC', try_cast({x} AS TIMESTAMPTZ))"
    return _within_years(x, value, takes.times_from, takes.until)


def _date(x: str, _: Column, takes: Takes) -> str:
    return _within_years(x, f"try_cast({x} AS DATE)", takes.dates_from, takes.until)


def _within_years(x: str, value: str, first: int, last: int) -> str:
    # infinity has no year; 'epoch', the year 1970, is a date to the database only
    in_years = f"year({value}) BETWEEN {first} AND {last}"
    begins = f"(year({value}) <> 1970 OR {x} BETWEEN '0' AND ':')"
    return f"CASE WHEN {in_years} AND {begins} THEN {value} END"


def _number(x: str, *, low: str) -> str:
    value = f"try_cast({x} AS DOUBLE)"
    return f"CASE WHEN isfinite({value}) AND {value} >= {low} THEN {value} END"


def _choice(x: str, column: Column, _: Takes) -> str:
    return f"CASE WHEN lower({x}) IN ({_quoted(column.choices)}) THEN lower({x}) END"


def _status(x: str, column: Column, _: Takes) -> str:
    return (
        f"CASE WHEN lower({x}) IN ({_quoted(column.choices)}) THEN lower({x}) "
        f"WHEN regexp_full_match({x}, '(0[xX])?[0-9a-fA-F]{{2}}') THEN upper(right({x}, 2)) END"
    )


def _year(x: str, _: Column, takes: Takes) -> str:
    return _whole(x, takes.dates_from, takes.until)


def _says(words: str) -> Callable[[Column, Takes], Worded]:
    return lambda _, takes: worded(
        words, times_from=takes.times_from, dates_from=takes.dates_from, until=takes.until
    )


def _says_choices(words: str) -> Callable[[Column, Takes], Worded]:
    return lambda column, _: worded(words, choices=", ".join(column.choices))


_PARSERS: dict[Kind, Parser] = {
    Kind.TEXT: Parser(lambda x, *_: x, _says("text")),
    Kind.INSTANT: Parser(
        _instant,
        _says("a time such as 2025-03-30T14:05:00+02:00 (ISO 8601), from {times_from} to {until}"),
    ),
    Kind.DATE: Parser(
        _date,
        _says("a date such as 2025-03-30 (ISO 8601), from {dates_from} to {until}"),
    ),
    Kind.DISTANCE: Parser(
        lambda x, *_: _number(x, low="0"), _says("a number, 0 or more, with a decimal point")
    ),
    Kind.NUMBER: Parser(
        lambda x, *_: _number(x, low="-1e12"), _says("a number with a decimal point")
    ),
    Kind.COUNT: Parser(lambda x, *_: _whole(x, 0, 999_999_999), _says("a whole number, 0 or more")),
    Kind.YEAR: Parser(_year, _says("a year from {dates_from} to {until}")),
    Kind.CHOICE: Parser(_choice, _says_choices("one of: {choices}")),
    Kind.STATUS: Parser(
        _status, _says_choices("one of: {choices}, or the two hex digits of a status byte")
    ),
    Kind.CODES: Parser(lambda x, *_: x, _says("fault codes separated by spaces")),
    Kind.WORDS: Parser(lambda x, *_: f"lower({x})", _says("words separated by spaces")),
}


def expected(column: Column, takes: Takes) -> Worded:
    """Say what a cell of this column may hold."""
    return _PARSERS[column.kind].expected(column, takes)


def _required(column: Column, takes: Takes) -> Worded:
    return worded("{what}; it is required", what=expected(column, takes))


def expectations(takes: Takes) -> dict[str, Worded]:
    """Give each expectation of a cell by its text, as it stands beside a refused row."""
    columns = [column for table in TABLES.values() for column in table.columns]
    said = [say(column, takes) for column in columns for say in (expected, _required)]
    return {str(each): each for each in said}


def parsed(column: Column, delivered: frozenset[str], takes: Takes) -> str:
    """Write SQL for the column's value, from the raw columns a file has; NULL if it has none."""
    miles = MILE_COLUMNS.get(column.name)
    if miles in delivered:
        return f"({_PARSERS[column.kind].sql(raw(str(miles)), column, takes)}) * {KM_PER_MILE}"
    if column.name not in delivered:
        return f"'{column.default}'" if column.default else "NULL"
    value = _PARSERS[column.kind].sql(raw(column.name), column, takes)
    if column.default:
        return f"CASE WHEN {raw(column.name)} IS NULL THEN '{column.default}' ELSE {value} END"
    return value


def raw(name: str) -> str:
    """Write SQL for a delivered column's trimmed text, NULL when empty."""
    return f'"raw:{name}"'


def faults(table: Table, delivered: frozenset[str], takes: Takes) -> list[tuple[str, str, str]]:
    """(condition, delivered column, expectation) for everything that can be wrong in a row.

    The conditions see the raw cells and, under the plain names, the parsed values.  The first
    that holds names the row's fault.
    """
    return [*cell_faults(table, delivered, takes), *_ROW_RULES.get(table.name, ())]


def cell_faults(
    table: Table, delivered: frozenset[str], takes: Takes
) -> list[tuple[str, str, str]]:
    """Give those of the faults that one cell shows alone."""
    checks: list[tuple[str, str, str]] = []
    for column in table.columns:
        name = MILE_COLUMNS.get(column.name, column.name)
        name = name if name in delivered else column.name
        if name not in delivered:
            continue
        if column.required:
            checks.append((f"{raw(name)} IS NULL", name, _required(column, takes)))
        if column.kind not in _ALWAYS_PARSED:
            checks.append(
                (
                    f"{raw(name)} IS NOT NULL AND {column.name} IS NULL",
                    name,
                    expected(column, takes),
                )
            )
    return checks


_ALWAYS_PARSED = {Kind.TEXT, Kind.CODES, Kind.WORDS}

# A scan without a control unit is an odometer-only reading: it must read something.
_ROW_RULES: dict[str, tuple[tuple[str, str, str], ...]] = {
    "scans": (
        (
            "ecu IS NULL AND (code IS NOT NULL OR coalesce(odometer_km, engine_hours) IS NULL)",
            "ecu",
            worded("the control unit that was read (empty only for an odometer-only row)"),
        ),
    ),
}
