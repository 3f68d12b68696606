"""Times as a source writes them -> instants in UTC, with the doubtful hours decided by rule.

When clocks are set back, an hour comes twice: which one is meant is the map's to say.  When
they are set forward, an hour is left out: a time in it is refused, or taken an hour later.
Both are counted for the ledger.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import MAXYEAR, date, datetime, time, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

import polars as pl

from afterclear.catalogue.months import in_english
from afterclear.errors import worded

# Tried in turn where a map names no format; '%.f' takes a fraction of a second or none.
ISO = ("%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M")
ISO_OFFSET = ("%Y-%m-%dT%H:%M:%S%.f%#z", "%Y-%m-%d %H:%M:%S%.f%#z", "%Y-%m-%dT%H:%M%#z")
ISO_DATE = ("%Y-%m-%d",)

# Day 0 of the two date systems of spreadsheets (ECMA-376 part 1, 18.17.4.1).  The first counts
# a 29 February 1900 that never was, so from March 1900 on day 0 is 30 December 1899.
_DAY_0 = {"1900": date(1899, 12, 30), "1904": date(1904, 1, 1)}
_SERIAL = r"^\d{1,6}(?:\.\d+| 0?\.\d+| 0)?$"
_LATEST_YEAR = 2100
EPOCH = "%s"  # seconds since 1970
_EPOCH, _MILLI_DIGITS = r"^\d{9,10}$|^\d{13}$", 13
# Names of zones that mean one offset wherever they are used (common practice, no source); BST, EST,
# CST and others mean several.
ZONES = {
    **dict.fromkeys(("UTC", "GMT", "WET"), "+00:00"),
    **dict.fromkeys(("CET", "MEZ", "WEST", "WESZ"), "+01:00"),
    **dict.fromkeys(("CEST", "MESZ", "EET", "OEZ"), "+02:00"),
    **dict.fromkeys(("EEST", "OESZ"), "+03:00"),
}
_ZONE = rf"\b(?:{'|'.join(ZONES)})$"
_IN_WORDS = ("%b", "%B", "%p")
_EARLIEST_YEAR = 1900
_FOUR_DIGITS = 1000  # the first year that is written with four


@dataclass(frozen=True, slots=True)
class TimeRules:
    """How one source's times are read."""

    formats: tuple[str, ...]
    zone: str
    ambiguous: Literal["earlier", "later", "refuse"] = "earlier"
    missing: Literal["refuse", "later"] = "refuse"
    serial: Literal["", "1900", "1904"] = ""
    decimal: str = "."

    @property
    def expected(self) -> str:
        """Say what a cell may hold."""
        shapes = ", ".join(self.formats) or "2025-03-30T14:05:00+02:00 (ISO 8601)"
        if self.serial:
            return worded(
                "a time written {shapes} or a day number of a spreadsheet, in {zone}",
                shapes=shapes,
                zone=self.zone,
            )
        return worded("a time written {shapes}, in {zone}", shapes=shapes, zone=self.zone)


@dataclass(frozen=True, slots=True)
class Times:
    """Cells as instants: text in UTC, null where they could not be read; and what was doubtful."""

    text: pl.Series
    twice: pl.Series | None = None  # True in an hour that came twice; None: no cell is
    left_out: pl.Series | None = None  # True in an hour that was left out; None: no cell is


def instants(cells: pl.Series, rules: TimeRules) -> Times:
    """Read times: one written with an offset as it is, others in the rules' zone."""
    local, instant = _parsed(cells, rules)
    twice = left_out = None
    if local is not None and local.null_count() < len(local):
        settled, twice, left_out = _settled(local, rules)
        instant = settled if instant is None else instant.zip_with(instant.is_not_null(), settled)
    if instant is None:
        return Times(pl.Series(cells.name, [None] * len(cells), dtype=pl.String))
    plain = instant.dt.replace_time_zone(None)
    has_parts = plain.dt.microsecond().fill_null(0).max()
    shape = "%Y-%m-%dT%H:%M:%S%.3fZ" if has_parts else "%Y-%m-%dT%H:%M:%SZ"
    return Times(plain.dt.strftime(shape), twice, left_out)


def dates(cells: pl.Series, rules: TimeRules) -> pl.Series:
    """Read dates, of times the date as written; text as ISO 8601, null where not read."""
    local, instant = _parsed(cells, rules)
    found = [x.dt.date() for x in (local, instant) if x is not None]
    if not found:
        return pl.Series(cells.name, [None] * len(cells), dtype=pl.String)
    day = found[0] if len(found) == 1 else found[0].zip_with(found[0].is_not_null(), found[1])
    return day.dt.strftime("%Y-%m-%d")


def _parsed(cells: pl.Series, rules: TimeRules) -> tuple[pl.Series | None, pl.Series | None]:
    """Parse in turn by each format, what is left by the next: (wall clock, instant in UTC)."""
    local: pl.Series | None = None
    instant: pl.Series | None = None
    formats = rules.formats or (*ISO, *ISO_OFFSET, *ISO_DATE)
    rest = _with_offsets(_worded(cells, formats), formats)
    for shape in formats:
        if rest.null_count() == len(rest):
            break
        has_offset = "%z" in shape or "%#z" in shape or shape == EPOCH
        found = _by_format(rest, shape, has_offset=has_offset)
        if has_offset:
            instant = found if instant is None else instant.zip_with(instant.is_not_null(), found)
        else:
            local = found if local is None else local.zip_with(local.is_not_null(), found)
        if found.null_count() == rest.null_count():
            return local, instant
        rest = pl.select(pl.when(found.is_null()).then(rest)).to_series()
    if rules.serial and rest.null_count() < len(rest):
        found = _of_serial(rest, rules)
        local = found if local is None else local.zip_with(local.is_not_null(), found)
    return local, instant


def _worded(cells: pl.Series, formats: Sequence[str]) -> pl.Series:
    """Write the names of months and halves of the day as the parser knows them."""
    if not any(mark in shape for shape in formats for mark in _IN_WORDS):
        return cells
    words = cells.drop_nulls().unique()
    return cells.replace_strict(
        words, [in_english(word) for word in words], default=None, return_dtype=pl.String
    )


def _with_offsets(cells: pl.Series, formats: Sequence[str]) -> pl.Series:
    """Write an offset for the name of a zone behind a time, where a format reads offsets."""
    if not any(shape.endswith(("%z", "%#z")) for shape in formats):
        return cells
    if not cells.str.contains(_ZONE).any():
        return cells
    for name, offset in ZONES.items():
        cells = cells.str.replace(rf"\b{name}$", offset)
    return cells


def _by_format(cells: pl.Series, shape: str, *, has_offset: bool) -> pl.Series:
    if shape != EPOCH:
        zone = "UTC" if has_offset else None
        found = cells.str.to_datetime(shape, strict=False, time_unit="us", time_zone=zone)
        # the parser knows years before the first and after the 9,999th, and takes 8.3.25 for the
        # year 25 where four digits are asked for: such a cell is left to the next format
        is_year = found.dt.year().is_between(_FOUR_DIGITS, MAXYEAR)
        return found if is_year.all() else pl.select(pl.when(is_year).then(found)).to_series()
    # seconds since 1970 are UTC whatever the zone; with 13 digits they are milliseconds
    number = pl.select(pl.when(cells.str.contains(_EPOCH)).then(cells)).to_series()
    is_milli = number.str.len_chars() == _MILLI_DIGITS
    micro = (
        number.cast(pl.Int64)
        * pl.select(pl.when(is_milli).then(1000).otherwise(1_000_000)).to_series()
    )
    return micro.cast(pl.Datetime("us")).dt.replace_time_zone("UTC")


def _of_serial(cells: pl.Series, rules: TimeRules) -> pl.Series:
    """Read day numbers; rounded to the second, which is as exact as they are kept.

    A day and, behind a blank, the part of it that has gone by are one time.
    """
    text = cells.str.replace_all(rules.decimal, ".", literal=True)
    parted = pl.select(pl.when(text.str.contains(_SERIAL)).then(text)).to_series()
    day, part = (parted.str.split(" ").list.get(n, null_on_oob=True) for n in (0, 1))
    number = day.cast(pl.Float64) + part.cast(pl.Float64).fill_null(0.0)
    seconds = (number * 86_400).round(0).cast(pl.Int64)
    begin = datetime.combine(_DAY_0[rules.serial], time())
    return pl.select(
        pl.lit(begin) + pl.duration(seconds=pl.lit(seconds), time_unit="us")
    ).to_series()


def _settled(
    local: pl.Series, rules: TimeRules
) -> tuple[pl.Series, pl.Series | None, pl.Series | None]:
    """Put wall-clock times into UTC by the rules; also which come twice and which never."""
    choice = _CHOICES[rules.ambiguous]
    utc = _in_utc(local, rules.zone, choice)
    low, high = local.min(), local.max()
    if not isinstance(low, datetime) or not isinstance(high, datetime):
        return utc, None, None
    days = _clock_changes(rules.zone, low, high)
    near = local.dt.date().is_in(days).fill_null(value=False) if days else None
    if near is None or not near.any():
        return utc, None, None
    doubtful = pl.select(pl.when(near).then(local)).to_series()
    one, other = (_in_utc(doubtful, rules.zone, how) for how in _BOTH)
    twice = (one != other).fill_null(value=False)
    left_out = one.is_null() & doubtful.is_not_null()
    if left_out.any() and rules.missing == "later":
        utc = utc.zip_with(~left_out, _in_utc(local + timedelta(hours=1), rules.zone, choice))
    return utc, twice if twice.any() else None, left_out if left_out.any() else None


_Choice = Literal["earliest", "latest", "null"]
_BOTH: tuple[_Choice, _Choice] = ("earliest", "latest")
_CHOICES: dict[str, _Choice] = {"earlier": "earliest", "later": "latest", "refuse": "null"}


def _in_utc(local: pl.Series, zone: str, ambiguous: _Choice) -> pl.Series:
    aware = local.dt.replace_time_zone(zone, ambiguous=ambiguous, non_existent="null")
    return aware.dt.convert_time_zone("UTC")


def _clock_changes(zone: str, low: datetime, high: datetime) -> list[date]:
    """Days between two times on which a zone's clocks are changed."""
    place = ZoneInfo(zone)
    day = datetime(max(low.year, _EARLIEST_YEAR), low.month, low.day, 12)  # noqa: DTZ001 - wall clock
    end = min(high, datetime(_LATEST_YEAR, 12, 31, 23)) + timedelta(days=1)  # noqa: DTZ001
    found = []
    before = (day - timedelta(days=1)).replace(tzinfo=place).utcoffset()
    while day <= end:
        now = day.replace(tzinfo=place).utcoffset()
        if now != before:  # between yesterday's noon and today's
            found += [day.date() - timedelta(days=1), day.date()]
        before, day = now, day + timedelta(days=1)
    return found
