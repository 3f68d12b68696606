"""How dates and times are written: formats per column, by the forms of their cells."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import polars as pl

from afterclear.catalogue.months import in_english
from afterclear.readers.mapped.map_times import EPOCH, ZONES, TimeRules, instants
from afterclear.readers.suggest.columns.profiles import Profile

_LIKELY = 0.5
SERIALS = (30_000, 80_000)  # day numbers of spreadsheets from 1982 to 2119
_CLOCK = re.compile(
    r"""(?P<hour>\d{1,2})(?P<mark>[:.h]|\sh\s)(?P<minute>\d{2})
        (?:(?P<mark2>[:.m])(?P<second>\d{2})(?P<part>[.,]\d{1,9})?)?
        (?P<end>\s?(?:Uhr|h|hrs?|Std\.?|godz\.?)?)(?P<half>\s?[AP]M)?
        (?P<offset>\s?(?:Z|[+-]\d{2}:?\d{2}|{zones}))?""".replace("{zones}", "|".join(ZONES)),
    re.VERBOSE | re.IGNORECASE,
)
_WEEKDAY = re.compile(
    r"^(?:mo|di|mi|do|fr|sa|so|mon|tue|wed|thu|fri|sat|sun|lun|mar|mer|jeu|ven|sam|dim|mie|jue|vie"
    r"|sab|dom|pon|wt|sr|czw|pt|sob|nd)[a-zäöüéáíóąęłńśźż]*\.?,?\s+(?=\d|[A-Z])",
    re.IGNORECASE,
)
_BY_PARTS = re.compile(r"(\d{1,4})([-/. ])\s?(\d{1,2})([-/. ])\s?(\d{4}|\d{1,2})(?=\D|$)")
_DAY_WORD = re.compile(
    r"(\d{1,2})(\.?(?:\s|-|/|\sde\s)+)([A-Z][a-z]{2})([.,]?(?:\s|-|/|\sde\s|,\s)+)(\d{4}|\d{2})"
)
_WORD_DAY = re.compile(r"([A-Z][a-z]{2})(\.?\s)(\d{1,2})(,?\s)(\d{4})")
_COMPACT = re.compile(r"(\d{8})(\d{6}|\d{4})?$")
# A day by its week (ISO 8601-1:2019; from memory): year, week, day of the week from Monday as 1
_OF_WEEK = re.compile(r"\d{4}(-?)W(?:0[1-9]|[1-4]\d|5[0-3])(-?)[1-7](?!\d)")
_JOINER = re.compile(r"(\s*(?:T|,|um|at|a las|o|-|;|à|godz\.?)?\s*)(?=\d)")
WEEKDAY_PATTERN = r"^[^\d\s]+\s+(.*)$"
# 12-14.02.2026, 12.02. bis 14.02.2026: what is taken is the last day
_TO = r"\s*(?:-|–|bis|to|until|au|al|do)\s*"  # noqa: RUF001 - a dash as it is written
SPAN_PATTERN = rf"^(?:\d[\d./]*{_TO})?(\d{{1,2}}[./]\d{{1,2}}[./]\d{{2,4}}.*)$"
_SPAN = re.compile(rf"(\d{{1,2}})((?:[./]\d{{1,2}}(?:[./]\d{{2,4}})?)?)[./]?{_TO}(\d{{1,2}})[./].*")
# RFC 9557: a zone's name in brackets, behind the offset that counts
_ZONE_PATTERN = r"^(.*(?:Z|[+-]\d\d:?\d\d))\[!?[A-Za-z_/+-]+\]$"


@dataclass(frozen=True, slots=True)
class Shape:
    """One way a cell can be read as a time: its format by the order of day and month."""

    by_order: tuple[tuple[str, str], ...]  # (order, format); one order: nothing to decide

    def format(self, order: str) -> str:
        """Give the format where dates are in this order."""
        return dict(self.by_order).get(order, self.by_order[0][1])


@dataclass(frozen=True, slots=True)
class TimeColumn:
    """A column of times: the formats that read all of it."""

    heading: str
    shapes: tuple[Shape, ...]
    has_clock: bool
    has_day: bool = True
    serial: str = ""  # 1900: day numbers of a spreadsheet
    pattern: str = ""  # what is read, where a weekday comes first or a zone's name last
    spans: tuple[str, ...] = ()  # cells that tell two days

    def formats(self, order: str) -> tuple[str, ...]:
        """Give the formats for a map, each once."""
        return tuple(dict.fromkeys(shape.format(order) for shape in self.shapes))

    @property
    def is_iso(self) -> bool:
        """Whether a map needs no format for it."""
        return all(s.by_order[0][1] in _ISO_SHAPES for s in self.shapes)


_ISO_SHAPES = {
    *("%Y-%m-%d", "%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%dT%H:%M"),
    *("%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%dT%H:%M:%S%#z", "%Y-%m-%dT%H:%M:%S%.f%#z"),
}


def time_column(profile: Profile) -> TimeColumn | None:
    """Recognise a column of times by its values; None: some of them are none."""
    if not profile.values:
        return None
    values = [in_english(v) for v in profile.values]
    pattern, spans = "", tuple(filter(_is_span, values))
    if all(_WEEKDAY.match(v) for v in values):
        values, pattern = [_WEEKDAY.sub("", v) for v in values], WEEKDAY_PATTERN
    elif all(re.match(_ZONE_PATTERN, v) for v in values):
        values, pattern = [_bare(v, _ZONE_PATTERN) for v in values], _ZONE_PATTERN
    elif spans and all(re.match(SPAN_PATTERN, v) for v in values):
        values, pattern = [_bare(v, SPAN_PATTERN) for v in values], SPAN_PATTERN
    shapes: dict[Shape, None] = {}
    n_read, serial = 0, ""
    is_headed = _is_headed(profile)
    for value in values:
        if found := _shape_of(value):
            shapes[found] = None
            n_read += 1
        elif is_headed and _is_serial(value):
            serial = "1900"
            n_read += 1
    if n_read < 0.9 * len(values) or not shapes or len(shapes) > 6:
        return _by_number(profile)
    merged = _agreed(list(shapes))
    has_clock = any("%M" in s.by_order[0][1] for s in merged)
    spans = spans if pattern == SPAN_PATTERN else ()
    made = TimeColumn(profile.heading, merged, has_clock, serial=serial, pattern=pattern)
    return replace(made, spans=spans)


def _is_span(value: str) -> bool:
    """Recognise a first and a last day: 12-14.02.2026, but not 14-12.02.2026."""
    found = _SPAN.fullmatch(value)
    return found is not None and (bool(found[2]) or int(found[1]) < int(found[3]))


def _bare(value: str, pattern: str) -> str:
    """Give the part of a cell that a pattern takes; without one, all of it."""
    found = re.match(pattern, value) if pattern else None
    return found[1] if found else value


def clock_column(profile: Profile) -> TimeColumn | None:
    """Recognise a column of times of day without a date."""
    if profile.means("time_of_day") >= 0.5:
        if all(re.fullmatch(r"(?:[01]\d|2[0-3])[0-5]\d", v) for v in profile.values):
            return TimeColumn(
                profile.heading, (Shape((("", "%H%M"),)),), has_clock=True, has_day=False
            )
        is_part = all(re.fullmatch(r"0?[.,\u2396]\d+|0", v) for v in profile.values)
        # under a heading of hours one or two decimals in every row are hours of work
        is_exact = any(re.search(r"\d{3}$", v) for v in profile.values)
        if is_part and (is_exact or profile.means("engine_hours") < _LIKELY):
            return TimeColumn(profile.heading, (), has_clock=True, has_day=False, serial="1900")
    found = {_clock(in_english(v)) for v in profile.values}
    if not found or None in found or len(found) > 3:
        return None
    shapes = tuple(Shape((("", shape),)) for shape in sorted(s for s in found if s))
    return TimeColumn(profile.heading, shapes, has_clock=True, has_day=False)


def _by_number(profile: Profile) -> TimeColumn | None:
    """Recognise day numbers of a spreadsheet, or seconds since 1970, under a heading of a time."""
    if not _is_headed(profile):
        return None
    if all(map(_is_serial, profile.values)):
        has_clock = any(len(v) > 5 for v in profile.values)
        return TimeColumn(profile.heading, (), has_clock, serial="1900")
    if all(re.fullmatch(r"1\d{9}(?:\d{3})?", v) for v in profile.values):
        return TimeColumn(profile.heading, (Shape((("", EPOCH),)),), has_clock=True)
    return None


def _is_headed(profile: Profile) -> bool:
    return profile.means("scanned_at", "repaired_at", "cleared_at", "opened_at") >= 0.5


def _is_serial(value: str) -> bool:
    """Recognise a day number of a spreadsheet, with or without a part of the day."""
    is_number = re.fullmatch(r"\d{5}(?:[.,\u2396]\d+)?", value)
    return bool(is_number) and SERIALS[0] < int(value[:5]) < SERIALS[1]


def _shape_of(value: str) -> Shape | None:
    """Give the formats one cell can be read by."""
    for begins in (_of_parts, _of_day_word, _of_word_day, _of_week, _of_compact):
        for day, rest in begins(value):
            after = _after_day(rest)
            if after is not None:
                return Shape(tuple((order, f"{shape}{after}") for order, shape in day))
    return None


_Day = tuple[tuple[str, str], ...]


def _of_parts(value: str) -> Iterator[tuple[_Day, str]]:
    found = _BY_PARTS.match(value)
    if not found:
        return
    first, mark, second, mark2, third = found.groups()
    gap = " " if value[found.start(2) + 1 : found.start(3)] else ""
    if mark != mark2 or (len(first) > 2 and len(first) != 4):
        return
    sep = f"{mark}{gap}"
    rest = value[found.end() :]
    if len(first) == 4:
        yield (("", f"%Y{sep}%m{sep}%d"),), rest
        return
    year = "%Y" if len(third) == 4 else "%y"
    a, b, c = int(first), int(second), int(third)
    readings = []
    if 1 <= b <= 12 and 1 <= a <= 31:
        readings.append(("day", f"%d{sep}%m{sep}{year}"))
    if mark != "." and 1 <= a <= 12 and 1 <= b <= 31:
        readings.append(("month", f"%m{sep}%d{sep}{year}"))
    if year == "%y" and mark == "-" and 1 <= b <= 12 and 1 <= c <= 31:
        readings.append(("year", f"%y{sep}%m{sep}%d"))
    if readings:
        yield tuple(readings), rest


def _of_day_word(value: str) -> Iterator[tuple[_Day, str]]:
    if found := _DAY_WORD.match(value):
        _, gap, _, gap2, year = found.groups()
        shape = f"%d{gap}%b{gap2}{'%Y' if len(year) == 4 else '%y'}"
        yield (("", shape),), value[found.end() :]


def _of_word_day(value: str) -> Iterator[tuple[_Day, str]]:
    if found := _WORD_DAY.match(value):
        _, gap, _, gap2, _ = found.groups()
        yield (("", f"%b{gap}%d{gap2}%Y"),), value[found.end() :]


def _of_week(value: str) -> Iterator[tuple[_Day, str]]:
    found = _OF_WEEK.match(value)
    if found and found[1] == found[2]:
        yield (("", f"%G{found[1]}W%V{found[1]}%u"),), value[found.end() :]


def _of_compact(value: str) -> Iterator[tuple[_Day, str]]:
    found = _COMPACT.match(value)
    if found and found[1][:2] in {"19", "20"}:
        clock = {0: "", 4: "%H%M", 6: "%H%M%S"}[len(found[2] or "")]
        yield (("", f"%Y%m%d{clock}"),), ""


def _after_day(rest: str) -> str | None:
    """Give the format of the text after the date; None: it is no time of day."""
    if not rest.strip(" .,"):
        return rest.replace("%", "%%")
    found = _JOINER.match(rest)
    if not found:
        return None
    clock = _clock(rest[found.end() :])
    return None if clock is None else f"{found[1]}{clock}"


def _clock(text: str) -> str | None:
    found = _CLOCK.fullmatch(text.strip())
    if not found or int(found["hour"]) > 24 or int(found["minute"]) > 59:
        return None
    shape = f"{'%I' if found['half'] else '%H'}{found['mark']}%M"
    if found["second"]:
        shape += f"{found['mark2']}%S" + ("%.f" if found["part"] else "")
    shape += found["end"] or ""
    if found["half"]:
        shape += f"{' ' if found['half'].startswith(' ') else ''}%p"
    if found["offset"]:
        shape += f"{' ' if found['offset'].startswith(' ') else ''}%#z"
    return shape


def _agreed(shapes: Sequence[Shape]) -> tuple[Shape, ...]:
    """Let cells that can be read in one order only decide those of the same column."""
    orders = [{o for o, _ in s.by_order if o} for s in shapes]
    common = set.intersection(*(o for o in orders if o)) if any(orders) else set()
    kept: dict[Shape, None] = {}
    for shape in shapes:
        own = tuple((o, f) for o, f in shape.by_order if not o or o in common)
        kept[Shape(own or shape.by_order)] = None
    return tuple(kept)


def read_times(values: Sequence[str], column: TimeColumn, order: str) -> list[datetime | None]:
    """Read cells by the formats of one order; None if that is not possible."""
    cells = pl.Series("t", [_bare(v, column.pattern) for v in values], pl.String)
    rules = TimeRules(column.formats(order), "UTC", serial="1900" if column.serial else "")
    found = instants(pl.select(pl.when(cells != "").then(cells)).to_series(), rules).text
    times = found.str.to_datetime("%Y-%m-%dT%H:%M:%S%.fZ", strict=False)
    return list(times)
