"""Which plain column a source's column may be, from its heading and its first values.

A guess says how sure it is, 0 to 1, and why: half of it what the heading means, half the share of
values that fit.  A heading alone, or values alone, never make more than a half sure.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import polars as pl

from afterclear.normalise.codes import NormalCode, normal_code, split_codes
from afterclear.plain import TABLES, Kind
from afterclear.readers.heading_words import HeadingWords
from afterclear.readers.import_map import KEY_MARKS, NUMBERS, TIMES
from afterclear.readers.map_cells import number_shape
from afterclear.readers.source_table import LINE

# How times are written around the world; tried in this order.
_DAYS = (
    *("%Y-%m-%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y"),
    *("%d.%m.%y", "%d/%m/%y", "%m/%d/%y", "%Y/%m/%d", "%Y%m%d"),
)
_CLOCKS = (" %H:%M:%S", " %H:%M", " %I:%M:%S %p", " %I:%M %p", "")
_JOINED = ("%Y-%m-%dT%H:%M:%S", "%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S%#z")
TIME_FORMATS = (*(f"{day}{clock}" for day in _DAYS for clock in _CLOCKS), *_JOINED)
MARKS = ((".", ""), (".", ","), (",", "."), (",", ""), (".", " "), (",", " "), (".", "'"))
_VIN = re.compile(r"[A-HJ-NPR-Z0-9]{17}", re.IGNORECASE)
_UNIT = re.compile(r"(?:[\d.,' ]+)\s*(km|mi|miles|h)\.?", re.IGNORECASE)
HALF = 0.5
LEAST = 0.3  # a guess less sure than this is not made
_FITTING = 0.8  # share of values that must be read for a format to be taken


@dataclass(frozen=True, slots=True)
class Guess:
    """One plain column, where its cells may come from, and how sure that is."""

    column: str
    heading: str | tuple[str, ...]
    sure: float
    why: str
    spec: dict[str, object] = field(default_factory=dict)  # keys of the map beside ``from``


@dataclass(frozen=True, slots=True)
class Numbers:
    """How the numbers of a file seem to be written."""

    decimal: str = "."
    thousands: str = ""


def values_of(frame: pl.DataFrame, heading: str | tuple[str, ...]) -> list[str]:
    """Give a column's first values that are not blank; of several columns, joined."""
    if isinstance(heading, tuple):
        parts = zip(*(values_of(frame, each) for each in heading), strict=False)
        return [" ".join(part) for part in parts]
    return [v.strip() for v in frame[heading].head(500) if v and v.strip()]


def number_marks(frame: pl.DataFrame, headings: Sequence[str]) -> Numbers:
    """Find the marks with which most of the numbers can be read."""
    values = [v for h in headings for v in values_of(frame, h)]
    values = [re.sub(r"\s*[A-Za-z]+\.?$", "", v) for v in values]

    def n_read(marks: tuple[str, str]) -> int:
        return sum(bool(re.match(number_shape(*marks), v)) for v in values)

    best = max(MARKS, key=n_read)  # of equal ones the plainest, which stands first
    return Numbers(*best) if values else Numbers()


def time_formats(values: Sequence[str]) -> list[tuple[str, float]]:
    """List the formats that read most of the values, with the share they read."""
    if not values:
        return []
    cells = pl.Series(list(values))
    found = []
    for shape in TIME_FORMATS:
        zone = "UTC" if "%#z" in shape else None
        read = cells.str.to_datetime(shape, strict=False, time_zone=zone)
        years = read.dt.year().is_between(1960, 2100).fill_null(value=False)
        if (share := float(years.mean() or 0)) >= _FITTING:  # type: ignore[arg-type]
            found.append((shape, share))
    return found


def guess_columns(
    frame: pl.DataFrame, table: str, words: HeadingWords, numbers: Numbers
) -> list[Guess]:
    """Guess each plain column of a table: the surest heading for it, each heading once."""
    guesses: list[Guess] = []
    wanted = {c.name: c.kind for c in TABLES[table].columns}
    wanted |= {} if table == "vehicles" else dict.fromkeys(KEY_MARKS, Kind.TEXT)
    for heading in frame.columns:
        if heading == LINE:
            continue
        meant = words.of_heading(heading)
        values = values_of(frame, heading)
        for column, kind in wanted.items():
            guess = _guess(column, kind, heading, values, (meant, words, numbers))
            if guess is not None and guess.sure >= LEAST:
                guesses.append(guess)
    taken: dict[str, Guess] = {}
    used: set[object] = set()
    for guess in sorted(guesses, key=lambda g: -g.sure):
        if guess.column not in taken and guess.heading not in used:
            taken[guess.column] = guess
            used.add(guess.heading)
    _put_together(taken, frame, words)
    return [taken[name] for name in wanted if name in taken]


def _put_together(taken: dict[str, Guess], frame: pl.DataFrame, words: HeadingWords) -> None:
    """Join what a source has in two columns: date and time of day, SPN and FMI."""
    parts = {
        meaning: heading
        for heading in frame.columns
        for meaning, share in words.of_heading(heading).items()
        if meaning in {"time_of_day", "spn", "fmi"} and share > HALF
    }
    for name in ("scanned_at", "cleared_at", "repaired_at"):
        clock = parts.get("time_of_day")
        if name not in taken or clock is None or isinstance(taken[name].heading, tuple):
            continue
        date = taken[name]
        both = (str(date.heading), clock)
        if time_formats(values_of(frame, both)):
            taken[name] = replace(date, heading=both, why=f"{date.why}; joined with {clock!r}")
    if "spn" in parts and "fmi" in parts and "code" not in taken:
        values = values_of(frame, parts["spn"]) + values_of(frame, parts["fmi"])
        sure = HALF + HALF * _share(values, str.isdecimal)
        taken["code"] = Guess(
            "code",
            (parts["spn"], parts["fmi"]),
            sure,
            "headings of J1939",
            {"template": "SPN {} FMI {}"},
        )


_Known = tuple[dict[str, float], HeadingWords, Numbers]


def _guess(
    column: str, kind: Kind, heading: str, values: Sequence[str], known: _Known
) -> Guess | None:
    meant, words, numbers = known
    by_heading = meant.get(column, 0.0)
    spec: dict[str, object] = {}
    if column == "odometer_km" and meant.get("odometer_mi", 0.0) > by_heading:
        by_heading, spec = meant["odometer_mi"], {"unit": "mi"}
    telling = column in _TELLING
    if not by_heading and not telling:
        return None
    share, said = _fit(column, kind, values, words, numbers)
    if share is None:  # any text fits
        return Guess(column, heading, by_heading * 0.8, "its heading; any text fits", spec)
    if not values:
        return Guess(column, heading, by_heading * HALF, "its heading; no values to look at", spec)
    sure = HALF * by_heading + HALF * share
    why = f"{share:.0%} of values are {said}"
    if by_heading:
        why = f"its heading; {why}"
    elif share < _FITTING:
        return None
    if kind in NUMBERS and _share(values, lambda v: bool(_UNIT.fullmatch(v))) > HALF:
        spec = {"unit": "cell"}
    return Guess(column, heading, sure * (1.0 if by_heading else 0.9), why, spec)


# Columns whose values tell what they are even under an unknown heading.
_TELLING = {"vin", "code", "codes"}


def _fit(
    column: str, kind: Kind, values: Sequence[str], words: HeadingWords, numbers: Numbers
) -> tuple[float | None, str]:
    """Give the share of values that fit a column, None where any would; and what they are."""
    if column == "vin":
        return _share(values, lambda v: bool(_VIN.fullmatch(v))), "17 letters and digits of a VIN"
    if column in {"code", "codes"}:
        return _share(values, _is_codes), "fault codes"
    if kind in TIMES:
        return max((s for _, s in time_formats(values)), default=0.0), "times"
    if kind in NUMBERS:
        shape = re.compile(number_shape(numbers.decimal, numbers.thousands))
        plain = lambda v: bool(shape.match(v) or _UNIT.fullmatch(v))  # noqa: E731
        return _share(values, plain), "numbers"
    if kind is Kind.CHOICE or column == "status":
        choices = next(c.choices for t in TABLES.values() for c in t.columns if c.name == column)
        known = lambda v: v.lower() in choices or words.of_word(column, v) is not None  # noqa: E731
        return _share(values, known), "words that are known"
    return None, ""


def _share(values: Sequence[str], fits: Callable[[str], bool]) -> float:
    return sum(map(fits, values)) / len(values) if values else 0.0


def _is_codes(value: str) -> bool:
    """Tell codes with letters; bare numbers are codes under a code's heading only by chance."""
    spelled = [normal_code(word) for word in split_codes(value)]
    return bool(spelled) and all(
        isinstance(code, NormalCode) and code.space != "maker" for code in spelled
    )
