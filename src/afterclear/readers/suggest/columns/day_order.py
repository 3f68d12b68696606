"""Whether the day or the month comes first: one order per file.

``03/04/2026`` is the 3rd of April or the 4th of March.  What decides it, in this order: another
date of the file with a number above 12; a reading in the future; a language or country that writes
one way only; rows that are in order by one reading and not by the other.  If none of these does,
the user is asked.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import reduce

from afterclear.errors import worded
from afterclear.readers.suggest.columns.date_formats import TimeColumn, read_times
from afterclear.readers.suggest.columns.profiles import Profile
from afterclear.readers.suggest.columns.questions import Asker, Choice, Question

ENOUGH_ROWS = 5  # so many rows in order by one reading only do not come by chance
_SHOWN = 3  # rows of a question
EARLIEST = 1985
_MONTHS = (
    *(worded("January"), worded("February"), worded("March"), worded("April"), worded("May")),
    *(worded("June"), worded("July"), worded("August"), worded("September")),
    *(worded("October"), worded("November"), worded("December")),
)
FIRST: Mapping[str, str] = {
    "day": worded("the day"),
    "month": worded("the month"),
    "year": worded("the year"),
}
ORDER: Mapping[str, str] = {
    "day": worded("day first"),
    "month": worded("month first"),
    "year": worded("year first"),
}


def decide_order(
    columns: Sequence[tuple[Profile, TimeColumn]],
    hints: "Hints",
    asker: Asker,
) -> str:
    """Decide whether the day or the month comes first; '' if no column leaves a choice."""
    open_ = [(p, c) for p, c in columns if any(len(s.by_order) > 1 for s in c.shapes)]
    settled = {
        o for _, c in columns for s in c.shapes if len(s.by_order) == 1 for o, _ in s.by_order
    }
    settled &= {"day", "month", "year"}
    if not open_:
        return ""
    orders = list(dict.fromkeys(o for _, c in open_ for s in c.shapes for o, _ in s.by_order))
    if len(settled) == 1 and settled <= set(orders):
        return settled.pop()
    orders = [o for o in orders if _is_possible(open_, o, hints.latest)] or orders
    if len(orders) == 1:
        return orders[0]
    decided = _by_place(hints, orders) or _by_sequence(open_, orders, hints)
    return decided or _ask_order(open_, orders, asker)


@dataclass(frozen=True, slots=True)
class Hints:
    """What else may decide the order of day and month."""

    latest: datetime  # no time of the file is later than this
    language: str
    is_american: bool  # words, miles and halves of the day as in the United States
    is_british: bool
    vehicle: tuple[str, ...] = ()  # of each row, for odometers in order
    odometer: tuple[float | None, ...] = ()


def _by_place(hints: Hints, orders: Sequence[str]) -> str:
    """Decide by where the file is from."""
    if hints.language in {"de", "fr", "es", "pl"} or (hints.is_british and not hints.is_american):
        return "day" if "day" in orders else ""
    if hints.is_american and not hints.is_british:
        return "month" if "month" in orders else ""
    return ""


def _is_possible(
    columns: Iterable[tuple[Profile, TimeColumn]], order: str, latest: datetime
) -> bool:
    plain = latest.astimezone(UTC).replace(tzinfo=None)
    for profile, column in columns:
        times = read_times(profile.values, column, order)
        if any(t is None or t > plain or t.year < EARLIEST for t in times):
            return False
    return True


def _by_sequence(
    columns: Sequence[tuple[Profile, TimeColumn]], orders: Sequence[str], hints: Hints
) -> str:
    """Decide by rows in order, or odometers that rise with time, in one reading only."""
    fits = {order: _in_order(columns[0], order, hints) for order in orders}
    good = [order for order, fit in fits.items() if fit is True]
    bad = [order for order, fit in fits.items() if fit is False]
    return good[0] if len(good) == 1 and len(bad) == len(orders) - 1 else ""


def _in_order(seen: tuple[Profile, TimeColumn], order: str, hints: Hints) -> bool | None:
    """Whether rows or each vehicle's odometer are in order; None: too few to decide."""
    profile, column = seen
    times = read_times(profile.cells, column, order)
    known = [t for t in times if t is not None]
    if len(set(known)) >= ENOUGH_ROWS:
        rising = known == sorted(known) or known == sorted(known, reverse=True)
        if rising:
            return True
    if len(hints.odometer) == len(times) and len(hints.vehicle) == len(times):
        checked = _odometers_rise(times, hints)
        if checked is not None:
            return checked
    return False if len(set(known)) >= ENOUGH_ROWS else None


def _odometers_rise(times: Sequence[datetime | None], hints: Hints) -> bool | None:
    rows: dict[str, list[tuple[datetime, float]]] = {}
    for at, vehicle, km in zip(times, hints.vehicle, hints.odometer, strict=True):
        if at is not None and km is not None and vehicle:
            rows.setdefault(vehicle, []).append((at, km))
    pairs = [
        (a, b)
        for own in rows.values()
        for a, b in zip(sorted(own), sorted(own)[1:], strict=False)
        if a[0] != b[0]
    ]
    if len(pairs) < 3:
        return None
    return all(a[1] <= b[1] for a, b in pairs)


def _ask_order(
    columns: Sequence[tuple[Profile, TimeColumn]], orders: Sequence[str], asker: Asker
) -> str:
    rows: list[str] = []
    example = ""
    for profile, column in columns:
        times = [read_times(profile.values, column, order) for order in orders]
        for value, read in zip(profile.values, zip(*times, strict=True), strict=True):
            if len(rows) == _SHOWN or len(set(read)) == 1:
                continue
            told: list[str] = [
                worded("{day} ({first})", day=_day_in_words(t), first=ORDER[o])
                for o, t in zip(orders, read, strict=True)
                if t
            ]
            either = reduce(lambda a, b: worded("{one} or {other}", one=a, other=b), told)
            rows.append(
                worded("{name} {value}: {told}", name=profile.heading, value=value, told=either)
            )
            example = example or value
    example = example or columns[0][0].values[0]
    question = Question(
        "date-order",
        worded("In dates such as {example}, what stands first?", example=example),
        tuple(Choice(order, FIRST[order]) for order in orders),
        tuple(rows),
    )
    return asker.choose(question)


def _day_in_words(at: datetime) -> str:
    return worded(
        "{day} {month} {year}", day=f"{at.day}", month=_MONTHS[at.month - 1], year=f"{at:%Y}"
    )
