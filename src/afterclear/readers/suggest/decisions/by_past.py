"""Questions that the past of a file's own vehicles answers: a file is read in every way it may be.

Each answer is a way to read the file, or several where more is open.  ``columns/known_past.py``
says which of them what is known leaves possible.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from afterclear.readers.maps.measures import UNITS, factor
from afterclear.readers.suggest.columns.code_columns import PREFIXES
from afterclear.readers.suggest.columns.date_formats import TimeColumn, read_times
from afterclear.readers.suggest.columns.known_past import Past, Point, Way, by_codes, by_readings
from afterclear.readers.suggest.columns.numbers import MARKS, Numbers, as_number, parted
from afterclear.readers.suggest.columns.profiles import Profile
from afterclear.readers.suggest.columns.questions import Instead
from afterclear.readers.suggest.columns.readings import (
    Reading,
    unit_of,
    whose,
)
from afterclear.readers.suggest.columns.role_tests import Sight

_UNIT_OF_ANSWER = {"km": "km", "mi": "mi", "thousands": "1000 km"}


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows of a file as far as its vehicles' past may decide something about them."""

    whose: Sequence[str]
    past: Past
    time: tuple[Profile, TimeColumn] | None = None
    km: Profile | None = None
    code: Profile | None = None
    units: Sequence[str] = ()  # what distances may count, by their heading or a column beside

    @property
    def names(self) -> tuple[str, ...]:
        """The vehicles, as they are named."""
        return tuple(dict.fromkeys(filter(None, self.whose)))

    @property
    def orders(self) -> list[str]:
        """The orders of day and month the times can be read in."""
        shapes = self.time[1].shapes if self.time else ()
        return list(dict.fromkeys(o for s in shapes for o, _ in s.by_order)) or [""]

    def way(self, numbers: Numbers, order: str, unit: str) -> Way:
        """Read the rows in one way."""
        found: dict[str, list[Point]] = defaultdict(list)
        if self.time is None or self.km is None:
            return found
        profile, column = self.time
        times = read_times(profile.cells, column, order)
        distances = _distances(self.km, numbers, unit)
        for name, at, distance in zip(self.whose, times, distances, strict=True):
            if name and at is not None and distance is not None:
                found[name].append((at, distance))
        return found


def _distances(km: Profile, numbers: Numbers, unit: str) -> Iterable[float | None]:
    """Read a column of distances, as km."""
    for cell in km.cells:
        number = as_number(cell, numbers)
        each = UNITS[unit][1]
        if unit == "cell":
            found = parted(cell)
            own = factor(found.unit, "odometer_km") if found and found.unit else None
            number, each = (number, own) if own else (None, 1.0)
        yield None if not number else number * each


def rows_of(sight: Sight, roles: Mapping[str, Reading], past: Past) -> Rows | None:
    """Gather what the past may decide about; None: no column names the vehicle."""
    role = whose(roles)
    if role is None:
        return None
    columns = {r: sight.by_name[roles[r].heading] for r in ("when", "km", "code") if r in roles}
    when, km = columns.get("when"), columns.get("km")
    units = [unit_of(km)] if km is not None and unit_of(km) else list(_UNIT_OF_ANSWER.values())
    return Rows(
        sight.by_name[roles[role].heading].cells,
        past,
        (when, sight.times[when.heading]) if when and when.heading in sight.times else None,
        None if "distance_unit" in roles else km,
        columns.get("code"),
        units,
    )


def mark_by_past(rows: Rows) -> Instead:
    """Decide the decimal mark, while the order of day and month and the unit are open."""
    return lambda question: by_readings(
        {
            word: [
                rows.way(MARKS[word], order, unit) for order in rows.orders for unit in rows.units
            ]
            for word in question.words
        },
        rows.past,
    )


def order_by_past(rows: Rows, numbers: Numbers) -> Instead:
    """Decide the order of day and month, while the unit is open."""
    return lambda question: by_readings(
        {word: [rows.way(numbers, word, unit) for unit in rows.units] for word in question.words},
        rows.past,
    )


def unit_by_past(rows: Rows, numbers: Numbers, order: str) -> Instead:
    """Decide what distances count."""
    return lambda question: by_readings(
        {
            word: [rows.way(numbers, order, _UNIT_OF_ANSWER[word])]
            for word in question.words
            if word in _UNIT_OF_ANSWER
        },
        rows.past,
    )


def form_by_past(rows: Rows) -> Instead:
    """Decide how codes without their letters are spelled."""
    codes = rows.code.cells if rows.code is not None else ()
    return lambda question: by_codes(
        {word: PREFIXES[word] for word in question.words if PREFIXES[word]},
        list(zip(rows.whose, codes, strict=False)),
        rows.past,
    )
