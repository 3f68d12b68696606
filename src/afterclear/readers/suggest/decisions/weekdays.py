"""Days of the week beside dates: they show whether the day or the month stands first."""

from collections.abc import Sequence

from afterclear.catalogue.folded_words import without_accents
from afterclear.readers.suggest.columns.date_formats import TimeColumn, read_times
from afterclear.readers.suggest.columns.profiles import Profile

_SHORTEST = 2  # letters: mo, pn
_NAMES = (
    "monday montag lundi lunes poniedzialek pn",
    "tuesday dienstag mardi martes wtorek",
    "wednesday mittwoch mercredi miercoles sroda",
    "thursday donnerstag jeudi jueves czwartek",
    "friday freitag vendredi viernes piatek pt",
    "saturday samstag sonnabend samedi sabado sobota",
    "sunday sonntag dimanche domingo niedziela nd",
)


def days_of_week(profile: Profile) -> list[frozenset[int]] | None:
    """Read a column as days of the week, Monday 0; None: it is something else.

    A word cut short may be several days (``mar.`` is Tuesday, ``di`` too); an empty cell is any.
    """
    read = {value: _days(value) for value in profile.values}
    if not read or not all(read.values()):
        return None
    return [read.get(cell, frozenset(range(7))) for cell in profile.cells]


def _days(word: str) -> frozenset[int]:
    plain = without_accents(word).strip(" .")
    if len(plain) < _SHORTEST:
        return frozenset()
    return frozenset(
        day
        for day, names in enumerate(_NAMES)
        if any(name.startswith(plain) for name in names.split())
    )


def order_by_weekdays(
    columns: Sequence[tuple[Profile, TimeColumn]], profiles: Sequence[Profile]
) -> str:
    """Give the one order of day and month by which the dates fall on the days named beside them.

    Empty: no column names days, or they fit the dates in no order or in more than one.
    """
    named = [days for p in profiles if (days := days_of_week(p)) is not None]
    if len(named) != 1 or not columns:
        return ""
    profile, column = columns[0]
    orders = dict.fromkeys(o for s in column.shapes for o, _ in s.by_order if o)
    fitting = [
        order
        for order in orders
        if all(
            at is None or at.weekday() in days
            for at, days in zip(read_times(profile.cells, column, order), named[0], strict=True)
        )
    ]
    return fitting[0] if len(fitting) == 1 else ""
