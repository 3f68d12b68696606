"""One plain column's cells from a source's: taken, split, translated, converted to our units.

Everything works on whole columns.  A cell that cannot be read is marked, never dropped: its row
is refused with what was expected.
"""

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Final

import polars as pl

from afterclear.errors import worded
from afterclear.plain import MILE_COLUMNS, Kind
from afterclear.readers.mapped.map_times import TimeRules, Times, dates, instants
from afterclear.readers.maps.checked_map import NUMBERS, TIMES, ImportMap, MapColumn
from afterclear.readers.maps.measures import UNITS, WRITTEN, counted_in, factor

# Reading a column run by run pays while runs are fewer than this share of its cells, word by
# word while a sample of it has few; neither pays in a small table.
MOST_RUNS = 0.7
# Columns of odometer readings: tenths of a km at most, never thousandths.
ODOMETERS = ("odometer_km", "first_seen_km")
WORTHWHILE = 5000
FEW_WORDS = 200
_DECIMALS = 6  # of a product: finer than any amount, coarser than what binary fractions lose


@dataclass(frozen=True, slots=True)
class Doubt:
    """Cells decided by rule, to be counted in the ledger."""

    where: pl.Series  # True for each of them
    says: Callable[[int], str]  # how many they are, and what was decided

    @property
    def note(self) -> str:
        """Say how many they are."""
        return self.says(int(self.where.sum()))


@dataclass(slots=True)
class PlainCells:
    """One plain column: its cells as text, and what was expected of those that were not read."""

    name: str  # the plain column, or its mile twin
    cells: pl.Series
    raw: pl.Series  # as delivered
    expected: pl.Series | None = None  # text for each cell that could not be read, else null
    doubts: list[Doubt] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Target:
    """The plain column that is made."""

    name: str
    kind: Kind


_UNIT_BEHIND = r"([A-Za-z]+)\.?$"
_OF_PARTS = frozenset({"part_number", "part_brand", "position"})
# a dash or a sign for "none" (common practice, no source): parts without a number are not alike
_NOTHING = r"(?i)^\s*(?:[-\x{2013}\x{2014}._/]+|n\s*/\s*[av]|k\.\s*a\.?|b\s*/\s*d|s\s*/\s*[no])\s*$"
_CODE = r"\b[PCBU][0-3][0-9A-F]{3}\b"
# What stands behind a code that was not there, or is there no longer, in the languages served
# (common practice, no source).  An order's code is what its work was for: it should be gone.
NOT_FOUND = (
    r"NOT (?:FOUND|PRESENT|STORED)|NICHT (?:GEFUNDEN|VORHANDEN|GESPEICHERT)"
    r"|NON (?:TROUV|PR[EÉ]SENT)\w*|ABSENTE?|NO (?:ENCONTRAD|PRESENT)\w*|AUSENTE"
    r"|NIE (?:ZNALEZIONO|STWIERDZONO)|BRAK"
)
_GONE = r"CLEARED|FIXED|GEL(?:Ö|OE)SCHT|BEHOBEN|EFFAC\w*|BORRAD\w*|(?:WY)?SKASOWAN\w*|OK|I\. ?O\."
_DENIED = {
    name: rf"^\s*{_CODE}(?:-[0-9A-F]{{2}})?[\s:=(\[\x{{2013}}-]*(?:{said})[)\]\s.]*$"
    for name, said in (("code", f"{NOT_FOUND}|{_GONE}"), ("codes", NOT_FOUND))
}


def plain_cells(
    raw: pl.Series, column: MapColumn, target: Target, how: ImportMap, zone: str
) -> PlainCells:
    """Make one plain column from the raw cells (text; null or blank: not known)."""
    if not (column.pattern or column.values or target.kind in NUMBERS | TIMES):
        cells = raw.str.replace(_NOTHING, "") if target.name in _OF_PARTS else raw
        return PlainCells(target.name, cells, raw)
    if quick := _word_for_word(raw, column, target):
        return quick
    distinct, place = _distinct(raw)
    made = _read_cells(distinct, column, target, how, zone)
    if place is not None:
        made.cells, made.raw = made.cells.gather(place), raw
        made.expected = None if made.expected is None else made.expected.gather(place)
        made.doubts = [replace(doubt, where=doubt.where.gather(place)) for doubt in made.doubts]
    return made


def _word_for_word(raw: pl.Series, column: MapColumn, target: Target) -> PlainCells | None:
    """Translate cells that are all written as the map has them; None: some are not."""
    words = column.values
    if column.pattern or target.kind in NUMBERS | TIMES or not all((*words, *words.values())):
        return None
    new = raw.replace_strict(words, default=None, return_dtype=pl.String)
    return PlainCells(target.name, new, raw) if new.null_count() == raw.null_count() else None


def _distinct(raw: pl.Series) -> tuple[pl.Series, pl.Series | None]:
    """Give the distinct cells, and for every row its place among them; None: read all as they are.

    Rows of one scan repeat its time and distance, so a run of the same cell is read once; a
    column of few words is read word by word.
    """
    if len(raw) < WORTHWHILE:
        return raw, None
    begins = raw.ne_missing(raw.shift())
    begins[0] = True
    if begins.sum() < MOST_RUNS * len(raw):
        return raw.filter(begins), (begins.cum_sum() - 1).cast(pl.UInt32)
    if raw.head(WORTHWHILE).n_unique() > FEW_WORDS:
        return raw, None
    words = raw.unique()
    if len(words) > WORTHWHILE:
        return raw, None
    numbers = pl.Series(range(len(words)), dtype=pl.UInt32)
    return words, raw.replace_strict(words, numbers, return_dtype=pl.UInt32)


def _read_cells(
    raw: pl.Series, column: MapColumn, target: Target, how: ImportMap, zone: str
) -> PlainCells:
    made = PlainCells(target.name, _trimmed(raw), raw)
    if column.pattern:
        _take_pattern(made, column)
        if denied := _DENIED.get(target.name):
            _refuse_other_codes(made, denied)
    if column.values:
        _translate(made, column)
    if target.kind in NUMBERS:
        _read_numbers(made, column, how)
    elif target.kind in TIMES:
        _read_times(made, column, target, how, zone)
    return made


def _refuse_other_codes(made: PlainCells, denied: str) -> None:
    """Refuse cells of which the pattern would lose a code, or that deny the code they name."""
    n_told = _n_codes(made.raw)
    is_lost = (n_told > 1) & (n_told > _n_codes(made.cells))
    refuse(
        made,
        is_lost,
        worded("all codes of the cell; the map's pattern loses some. `each` in the map parts them"),
    )
    is_denied = made.raw.fill_null("").str.to_uppercase().str.contains(denied)
    is_denied &= made.cells.is_not_null()  # a map may say that it is no code
    said = worded("a code that was stored; the cell says that it was not, or no longer")
    refuse(made, is_denied, said)


def _n_codes(cells: pl.Series) -> pl.Series:
    """Count the different codes in each cell."""
    return cells.fill_null("").str.to_uppercase().str.extract_all(_CODE).list.n_unique()


def _trimmed(raw: pl.Series) -> pl.Series:
    cells = raw.str.strip_chars()
    return pl.select(pl.when(cells != "").then(cells)).to_series()


def refuse(made: PlainCells, unread: pl.Series, expected: str) -> None:
    """Add cells that could not be read; the first reason of each is the one reported."""
    if not unread.any():
        return
    before = pl.lit(None, dtype=pl.String) if made.expected is None else made.expected
    reason = pl.when(unread).then(pl.lit(expected))
    made.expected = pl.select(pl.coalesce(before, reason)).to_series()


def _take_pattern(made: PlainCells, column: MapColumn) -> None:
    pattern = re.compile(column.pattern or "")
    before = made.cells
    taken = before.str.extract(pattern.pattern, 1)
    failed = before.is_not_null() & taken.is_null() & ~before.str.contains(pattern.pattern)
    failed = failed.fill_null(value=False)
    if column.values:  # words that the table lacks are reported there
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
        made,
        column,
        new,
        failed.fill_null(value=False),
        f"one of: {', '.join(filter(None, column.values))}",
    )


def _word(text: str) -> str:
    return text.strip().lower()


def _by_rule(
    made: PlainCells, column: MapColumn, new: pl.Series, failed: pl.Series, expected: str
) -> pl.Series:
    """Decide cells that did not fit by the column's ``otherwise``."""
    if not failed.any():
        return new
    if column.otherwise == "refuse":
        refuse(made, failed, expected)
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
        factors = _split_unit(made, leaves_others=column.otherwise == "empty")
    if column.thousands:
        how = _without_groups(made, column.thousands, how)
    cells = made.cells
    shape = number_shape(how.decimal, how.thousands)
    if made.name in ODOMETERS:
        _refuse_cut_thousands(made, how)
    refuse(made, (~cells.str.contains(shape)).fill_null(value=False), _number_expected(how))
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


def _without_groups(made: PlainCells, marks: str, how: ImportMap) -> ImportMap:
    """Take the marks out of numbers in which one of a column's marks parts thousands."""
    groups = "|".join(rf"\d{{1,3}}(?:{re.escape(mark)}\d{{3}})+" for mark in marks)
    more = "" if how.decimal in marks else rf"(?:{re.escape(how.decimal)}\d+)?"
    is_parted = made.cells.str.contains(rf"^[+-]?(?:{groups}){more}$").fill_null(value=False)
    made.cells = made.cells.str.replace_all(f"[{re.escape(marks)}]", "").zip_with(
        is_parted, made.cells
    )
    if how.decimal in marks:
        is_whole = made.cells.str.contains(r"^[+-]?\d+$").fill_null(value=True)
        said = worded("a whole number, one of {marks!r} before each three digits", marks=marks)
        refuse(made, ~is_whole, said)
    return replace(how, thousands="")


def _refuse_cut_thousands(made: PlainCells, how: ImportMap) -> None:
    """Refuse 76,543 if the comma is the decimal mark: no odometer shows 76 km and 543 m so."""
    looks_so = made.cells.str.contains(cut_thousands(how.decimal)).fill_null(value=False)
    mark = how.decimal
    refuse(
        made,
        looks_so,
        worded(
            "a distance; three digits after the decimal mark {mark!r} look like thousands. Say "
            "thousands = {mark!r} in the map, with the other decimal mark",
            mark=mark,
        ),
    )


def cut_thousands(decimal: str) -> str:
    """Write the pattern of a number that has a group of thousands behind its decimal mark."""
    return rf"^[+]?[1-9]\d{{0,2}}{re.escape(decimal)}\d{{3}}$"


def number_shape(decimal: str, thousands: str) -> str:
    """Write the pattern of a number with these marks."""
    whole = r"\d+"
    if thousands:
        whole = rf"(?:\d{{1,3}}(?:{re.escape(thousands)}\d{{3}})+|\d+)"
    return rf"^[+-]?{whole}(?:{re.escape(decimal)}\d+)?(?:[eE][+-]?\d{{1,3}})?$"


def _number_expected(how: ImportMap) -> str:
    if how.thousands:
        return worded(
            "a number with the decimal mark {decimal!r} and {thousands!r} between thousands",
            decimal=how.decimal,
            thousands=how.thousands,
        )
    return worded("a number with the decimal mark {decimal!r}", decimal=how.decimal)


def _times(cells: pl.Series, by: pl.Series | float) -> pl.Series:
    return (cells.cast(pl.Float64, strict=False) * by).cast(pl.String)


def multiply(made: PlainCells, by: PlainCells) -> None:
    """Multiply numbers by those of another column; where it has none the product is not known."""
    product = made.cells.cast(pl.Float64, strict=False) * by.cells.cast(pl.Float64, strict=False)
    made.cells = product.round(_DECIMALS).cast(pl.String)
    if by.expected is not None:
        said = worded("a number of pieces; {column} counts them", column=made.name)
        refuse(made, by.expected.is_not_null(), said)


def _split_unit(made: PlainCells, *, leaves_others: bool) -> pl.Series:
    """Split '83,120 km' into the number, left in place, and the unit's factor.

    ``leaves_others``: a known unit that counts something else leaves the cell empty, not refused.
    """
    if leaves_others:
        counts_other = [u for u in WRITTEN if factor(u, made.name) is None]
        written = made.cells.str.extract(_UNIT_BEHIND, 1).str.to_lowercase()
        is_other = written.is_in(counts_other).fill_null(value=False)
        made.cells = pl.select(pl.when(~is_other).then(made.cells)).to_series()
    before = made.cells
    unit = before.str.extract(_UNIT_BEHIND, 1).str.to_lowercase()
    factors = {u: f for u in WRITTEN if (f := factor(u, made.name)) is not None}
    by = unit.replace_strict(factors, default=None, return_dtype=pl.Float64)
    wanted = counted_in(made.name)
    refuse(
        made,
        (before.is_not_null() & by.is_null()),
        worded(
            "a number with its unit beside it, of those that count {wanted}: {units}",
            wanted=wanted,
            units=", ".join(factors),
        ),
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
        made.doubts = list(_doubts(times, rules))
    refuse(made, before.is_not_null() & made.cells.is_null(), rules.expected)


def time_rules(formats: Sequence[str], how: ImportMap, zone: str) -> TimeRules:
    """Gather how a map's times are read; a workbook's own times are ISO 8601 always."""
    shapes = tuple(formats)
    if shapes and how.kind == "workbook":
        shapes = (*shapes, "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d")
    return TimeRules(
        shapes, zone, how.ambiguous_time, how.missing_time, how.excel_serial, how.decimal
    )


def _doubts(times: Times, rules: TimeRules) -> Iterator[Doubt]:
    if times.twice is not None:
        yield Doubt(times.twice, partial(_said_twice, rules))
    if times.left_out is not None:
        yield Doubt(times.left_out, partial(_said_left_out, rules))


_SETTLED: Final = {
    "refuse": worded("refused"),
    "earlier": worded("the earlier taken"),
    "later": worded("the later taken"),
}


def _said_twice(rules: TimeRules, n: int) -> str:
    return worded(
        "times that come twice as clocks go back in {zone}: {n:,}, {settled}",
        zone=rules.zone,
        n=n,
        settled=_SETTLED[rules.ambiguous],
    )


def _said_left_out(rules: TimeRules, n: int) -> str:
    taken = worded("taken an hour later")
    return worded(
        "times left out as clocks go forward in {zone}: {n:,}, {settled}",
        zone=rules.zone,
        n=n,
        settled=_SETTLED["refuse"] if rules.missing == "refuse" else taken,
    )
