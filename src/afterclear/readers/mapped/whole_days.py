"""Days that a source writes in part, made whole: without their year, or as a month alone.

A year is taken only where one year puts the day into the period that stands above the table; a
month becomes its first or last day, as the map says.  What cannot be made whole stays as it is,
and its row is refused as a time that is not read.
"""

import re
from calendar import monthrange
from collections.abc import Iterator, Mapping
from datetime import date

import polars as pl

from afterclear.catalogue.months import in_english
from afterclear.errors import RefusedFileError, worded
from afterclear.readers.maps.source_table import find_column

Period = tuple[date, date]

_NO_YEAR = re.compile(r"(\d{1,2})([./-])(\d{1,2})(\.?)")
_MONTH = re.compile(r"(0?[1-9]|1[0-2])[./-]((?:19|20)\d\d)")
_YEAR_FIRST = re.compile(r"((?:19|20)\d\d)[./-](0[1-9]|1[0-2])")
_NAMED_MONTH = re.compile(r"([^\W\d_]{3,}\.?)[ -]((?:19|20)\d\d)")
_DAY = re.compile(r"(\d{1,4})([./-])(\d{1,2})\2(\d{1,4})")
_NAMES = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]


def with_year(cell: str, period: Period) -> str:
    """Add the one year by which a day lies in a period; a cell that has none stays as it is.

    >>> with_year("18.12.", (date(2025, 12, 15), date(2026, 1, 31)))
    '18.12.2025'
    >>> with_year("18.06.", (date(2025, 12, 15), date(2026, 1, 31)))
    '18.06.'
    """
    found = _NO_YEAR.fullmatch(cell.strip())
    if not found or (found[4] and found[2] != "."):
        return cell
    first, mark, second = int(found[1]), found[2], int(found[3])
    orders = [(second, first)] + ([(first, second)] if mark != "." else [])
    begin, end = period
    years = {
        year
        for month, day in orders
        for year in range(begin.year, end.year + 1)
        if (at := _date(year, month, day)) and begin <= at <= end
    }
    return f"{found[1]}{mark}{found[3]}{mark}{years.pop()}" if len(years) == 1 else cell


def is_day_without_year(cell: str) -> bool:
    """Recognise a day and a month that no year follows, as 18.12. or 18/12."""
    found = _NO_YEAR.fullmatch(cell.strip())
    if not found or (found[2] == ".") != bool(found[4]):
        return False
    days = sorted((int(found[1]), int(found[3])))
    return 1 <= days[0] <= 12 and 1 <= days[1] <= 31  # noqa: PLR2004


def day_of_month(cell: str, which: str) -> str:
    """Write the first or last day of a month (ISO 8601); what is no month stays as it is.

    >>> day_of_month("02/2026", "last"), day_of_month("2026-02", "first")
    ('2026-02-28', '2026-02-01')
    """
    text = cell.strip()
    year = month = 0
    if found := _MONTH.fullmatch(text):
        month, year = int(found[1]), int(found[2])
    elif found := _YEAR_FIRST.fullmatch(text):
        year, month = int(found[1]), int(found[2])
    elif (found := _NAMED_MONTH.fullmatch(in_english(text))) and found[1][:3].casefold() in _NAMES:
        month, year = _NAMES.index(found[1][:3].casefold()) + 1, int(found[2])
    if not year:
        return cell
    day = monthrange(year, month)[1] if which == "last" else 1
    return f"{year}-{month:02}-{day:02}"


def is_month(cell: str) -> bool:
    """Recognise a month with its year and no day."""
    return day_of_month(cell, "first") != cell


def period_in(text: str, pattern: str) -> Period | None:
    """Give the period that two days of a text bound; None: none, or it has two readings."""
    found = re.search(pattern, text)
    if not found or len(found.groups()) < 2:  # noqa: PLR2004
        return None
    begins, ends = (list(_readings(said)) for said in found.groups()[:2])
    read = {
        (begin, end) for at, begin in begins for order, end in ends if at == order and begin <= end
    }
    return read.pop() if len(read) == 1 else None


def made_whole(
    frame: pl.DataFrame,
    keys: tuple[Mapping[str, str], Mapping[str, str]],
    above: str,
    where: str,
) -> pl.DataFrame:
    """Make the days of some columns whole.

    ``keys``: heading -> pattern of the period above the table; heading -> first or last day.

    Raises:
        RefusedFileError: a column is not there, or no period stands above the table.

    """
    within, months = keys
    for heading, pattern in within.items():
        period = period_in(above, pattern)
        if period is None:
            raise RefusedFileError(
                worded(
                    "{where}: nothing above the table says of which time the days under "
                    "{heading!r} are, which have no year (days_within).",
                    where=where,
                    heading=heading,
                )
            )
        name = find_column(heading, frame.columns, where)
        frame = frame.with_columns(_each(frame[name], period))
    for heading, which in months.items():
        name = find_column(heading, frame.columns, where)
        cells = [None if c is None else day_of_month(c, which) for c in frame[name]]
        frame = frame.with_columns(pl.Series(name, cells, dtype=pl.String))
    return frame


def _each(cells: pl.Series, period: Period) -> pl.Series:
    whole = [None if c is None else with_year(c, period) for c in cells]
    return pl.Series(cells.name, whole, dtype=pl.String)


def _readings(said: str) -> Iterator[tuple[str, date]]:
    """Read a day in every order it may be written in: (order, day)."""
    found = _DAY.search(said)
    if not found:
        return
    a, b, c = int(found[1]), int(found[3]), int(found[4])
    orders = [("day", (c, b, a))] + ([("month", (c, a, b))] if found[2] != "." else [])
    if len(found[1]) == 4:  # noqa: PLR2004
        orders = [("year", (a, b, c))]
    elif len(found[4]) != 4:  # noqa: PLR2004
        return
    for order, (year, month, day) in orders:
        if at := _date(year, month, day):
            yield order, at


def _date(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day)
    except ValueError:
        return None
