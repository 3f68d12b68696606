"""One plain column's cells out of a source's: taken, parted, translated, brought to our units.

Everything works on whole columns.  A cell that cannot be read is marked, never dropped: its row
is refused with what was expected.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import polars as pl

from afterclear.plain import MILE_COLUMNS, Kind
from afterclear.readers.import_map import NUMBERS, TIMES, ImportMap, MapColumn
from afterclear.readers.map_times import TimeRules, dates, instants
from afterclear.readers.units import UNITS, WRITTEN, counted_in, factor


@dataclass(slots=True)
class PlainCells:
    """One plain column: its cells as text, which of them could not be read, what was expected."""

    name: str  # the plain column, or its mile twin
    cells: pl.Series
    raw: pl.Series  # as delivered
    unread: pl.Series | None = None  # True where there was something that could not be read
    expected: str = ""
    notes: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Target:
    """The plain column that is made."""

    name: str
    kind: Kind


def plain_cells(
    raw: pl.Series, column: MapColumn, target: Target, how: ImportMap, zone: str
) -> PlainCells:
    """Make one plain column from the raw cells (text; null or blank: not known)."""
    made = PlainCells(target.name, raw, raw)
    needs_trim = column.pattern or column.values or target.kind in NUMBERS | TIMES
    if needs_trim:
        made.cells = _trimmed(raw)
    if column.pattern:
        _take_pattern(made, column)
    if column.values:
        _translate(made, column)
    if target.kind in NUMBERS:
        _read_numbers(made, column, how)
    elif target.kind in TIMES:
        _read_times(made, column, target, how, zone)
    return made


def _trimmed(raw: pl.Series) -> pl.Series:
    cells = raw.str.strip_chars()
    return pl.select(pl.when(cells != "").then(cells)).to_series()


def _refuse(made: PlainCells, unread: pl.Series, expected: str) -> None:
    """Add cells that could not be read; the first reason is the one told."""
    if not unread.any():
        return
    made.unread = unread if made.unread is None else made.unread | unread
    made.expected = made.expected or expected


def _take_pattern(made: PlainCells, column: MapColumn) -> None:
    pattern = re.compile(column.pattern or "")
    before = made.cells
    taken = before.str.extract(pattern.pattern, 1)
    failed = before.is_not_null() & taken.is_null() & ~before.str.contains(pattern.pattern)
    failed = failed.fill_null(value=False)
    if column.values:  # what the table of words does not know is said there
        made.cells = taken.zip_with(~failed, before)
        return
    made.cells = _by_rule(made, column, taken, failed, f"text with the pattern {pattern.pattern}")


def _translate(made: PlainCells, column: MapColumn) -> None:
    words = {_word(k): (v or None) for k, v in column.values.items()}
    before = made.cells.fill_null("") if "" in words else made.cells
    folded = before.str.to_lowercase()
    known = folded.is_in(list(words)).fill_null(value=False)
    new = folded.replace_strict(words, default=None, return_dtype=pl.String)
    failed = before.is_not_null() & ~known & (before != "")
    made.cells = _by_rule(
        made, column, new, failed.fill_null(value=False), f"one of: {', '.join(filter(None, column.values))}"
    )


def _word(text: str) -> str:
    return text.strip().lower()


def _by_rule(
    made: PlainCells, column: MapColumn, new: pl.Series, failed: pl.Series, expected: str
) -> pl.Series:
    """Settle the cells that did not fit by the column's ``otherwise``."""
    if not failed.any():
        return new
    if column.otherwise == "refuse":
        _refuse(made, failed, expected)
        return new
    if column.otherwise == "empty":
        return new
    other = made.cells if column.otherwise == "keep" else pl.lit(column.otherwise)
    return pl.select(pl.when(failed).then(other).otherwise(new)).to_series()


# --- numbers -----------------------------------------------------------------------------------


def _read_numbers(made: PlainCells, column: MapColumn, how: ImportMap) -> None:
    unit = column.unit or ""
    factors: pl.Series | None = None
    if unit == "cell":
        factors = _split_unit(made)
    cells = made.cells
    shape = number_shape(how.decimal, how.thousands)
    _refuse(made, (~cells.str.contains(shape)).fill_null(value=False), _number_expected(how))
    cells = cells.str.strip_prefix("+")
    if how.thousands:
        cells = cells.str.replace_all(how.thousands, "", literal=True)
    if how.decimal != ".":
        cells = cells.str.replace(how.decimal, ".", literal=True)
    made.cells = cells
    if factors is not None:
        made.cells = _times(cells, factors)
    elif unit == "mi" and made.name in MILE_COLUMNS:
        made.name = MILE_COLUMNS[made.name]  # the store turns miles into km
    elif unit and UNITS[unit][1] != 1:
        made.cells = _times(cells, UNITS[unit][1])


def number_shape(decimal: str, thousands: str) -> str:
    """Write the pattern of a number with these marks."""
    whole = r"\d+"
    if thousands:
        whole = rf"(?:\d{{1,3}}(?:{re.escape(thousands)}\d{{3}})+|\d+)"
    return rf"^[+-]?{whole}(?:{re.escape(decimal)}\d+)?(?:[eE][+-]?\d{{1,3}})?$"


def _number_expected(how: ImportMap) -> str:
    marks = f"the decimal mark {how.decimal!r}"
    parted = f" and {how.thousands!r} between thousands" if how.thousands else ""
    return f"a number with {marks}{parted}"


def _times(cells: pl.Series, by: pl.Series | float) -> pl.Series:
    return (cells.cast(pl.Float64, strict=False) * by).cast(pl.String)


def _split_unit(made: PlainCells) -> pl.Series:
    """Part '83,120 km' into the number, left in place, and what one of the unit is."""
    before = made.cells
    unit = before.str.extract(r"([A-Za-z]+)\.?$", 1).str.to_lowercase()
    factors = {u: f for u in WRITTEN if (f := factor(u, made.name)) is not None}
    by = unit.replace_strict(factors, default=None, return_dtype=pl.Float64)
    wanted = counted_in(made.name)
    _refuse(
        made,
        (before.is_not_null() & by.is_null()),
        f"a number with its unit beside it, of those that count {wanted}: {', '.join(factors)}",
    )
    made.cells = before.str.replace(r"\s*[A-Za-z]+\.?$", "")
    return by


# --- times -------------------------------------------------------------------------------------


def _read_times(
    made: PlainCells, column: MapColumn, target: Target, how: ImportMap, zone: str
) -> None:
    rules = time_rules(column.date_format or how.date_format, how, zone)
    before = made.cells
    if target.kind is Kind.DATE:
        made.cells = dates(before, rules)
    else:
        times = instants(before, rules)
        made.cells = times.text
        made.notes += _doubts(times.n_twice, times.n_missing, rules)
    _refuse(made, before.is_not_null() & made.cells.is_null(), rules.expected)


def time_rules(formats: Sequence[str], how: ImportMap, zone: str) -> TimeRules:
    """Gather how a map's times are read; a workbook's own times are ISO 8601 always."""
    shapes = tuple(formats)
    if shapes and how.kind == "workbook":
        shapes = (*shapes, "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d")
    return TimeRules(
        shapes, zone, how.ambiguous_time, how.missing_time, how.excel_serial, how.decimal
    )


def _doubts(n_twice: int, n_missing: int, rules: TimeRules) -> list[str]:
    notes = []
    if n_twice:
        what = {"refuse": "refused"}.get(
            rules.ambiguous, f"the {rules.ambiguous} taken"
        )
        notes.append(f"times that come twice as clocks go back in {rules.zone}: {n_twice:,}, {what}")
    if n_missing:
        what = "refused" if rules.missing == "refuse" else "taken an hour later"
        notes.append(f"times left out as clocks go forward in {rules.zone}: {n_missing:,}, {what}")
    return notes
