"""A fault whose rate has risen, and what is coming for one vehicle, in sentences.  Pure.

Chances of a vehicle are told in tens of a hundred: nobody acts on less, and a page is not made anew
for it.
"""

from collections.abc import Iterable
from datetime import datetime
from typing import Final

from afterclear.finding_tables.emerging import ANY_FAULT, Emerging
from afterclear.wording.cells import Cells, capital
from afterclear.wording.code_words import code_text
from afterclear.wording.language import mark

_ALL_TOGETHER: Final = mark("all faults together")
_WHOLE_FLEET: Final = mark("whole fleet")
_PARTS: Final = {
    "brand": mark("parts of {name}, fitted since {month}"),
    "part_number": mark("part {name}, fitted since {month}"),
    "fitted_month": mark("part {name}, fitted in {month}"),
}
_LEAST: Final = 0.05  # below it nothing is said


def rise_name(row: Emerging, cells: Cells) -> str:
    """Name a rise by its fault and group, e.g. "Misfire: Quaymar Finnoway 1.4"."""
    together = row.fault == ANY_FAULT
    fault = cells.t(_ALL_TOGETHER) if together else code_text(row.label, cells.words)
    return f"{capital(fault)}: {group_words(row, cells)}"


def group_words(row: Emerging, cells: Cells) -> str:
    """Name the group of a rise."""
    if row.level == "fleet":
        return cells.t(_WHOLE_FLEET)
    if row.part is not None and row.fitted_since is not None:
        return _parts_words(row, row.fitted_since, cells)
    return row.site or row.group_name or ""


def _parts_words(row: Emerging, since: datetime, cells: Cells) -> str:
    """Name parts by what they are, their brand or number, and when they were fitted."""
    text = _PARTS[row.level]
    words = cells.t(text, name=row.group_name, month=cells.month(since))
    if row.part == row.fault:
        return words
    return f"{code_text(row.part_label or '', cells.words)}, {words}"


def rise_words(row: Emerging, cells: Cells) -> str:
    """Say since when, on how many vehicles, and how much above the rate before."""
    since = cells.t(
        "Since about {day}, between {low} and {high}.",
        day=cells.day(row.since_at.date()),
        low=cells.day(row.since_low_at.date()),
        high=cells.day(row.since_high_at.date()),
    )
    said = mark("The rate is about {ratio} times what it was, likely between {low} and {high}.")
    if row.part is not None:
        said = mark(
            "Since the fitting the rate is about {ratio} times what is usual after such work, "
            "likely between {low} and {high}."
        )
    times = cells.t(
        said,
        ratio=cells.number(row.ratio, 1),
        low=cells.number(row.ratio_low, 1),
        high=cells.number(row.ratio_high, 1),
    )
    words = f"{since} {_count_words(row, cells)} {times}"
    if row.n_vehicles > row.ratio_high * row.expected:  # a reader divides the two
        words += " " + cells.t("The counts alone would say more; part of so few is chance.")
    return words


def _count_words(row: Emerging, cells: Cells) -> str:
    expected = cells.number(row.expected, 1)
    if row.fault == ANY_FAULT:
        return cells.tn(
            "Faults began {n} time, counting each vehicle at most once in 90 days; {expected} "
            "would be usual.",
            "Faults began {n} times, counting each vehicle at most once in 90 days; {expected} "
            "would be usual.",
            row.n_vehicles,
            expected=expected,
        )
    return cells.tn(
        "It began on {n} vehicle; {expected} would be usual.",
        "It began on {n} vehicles; {expected} would be usual.",
        row.n_vehicles,
        expected=expected,
    )


def goes_on_words(row: Emerging, cells: Cells) -> str:
    """Say of a rise told before that it goes on, or when it was over."""
    if row.over_at is not None:
        return cells.t(
            "Over: since {day} the rate is again as before.", day=cells.day(row.over_at.date())
        )
    text = mark("Goes on since about {day}: {n} vehicles by now, {expected} would be usual.")
    if row.fault == ANY_FAULT:
        text = mark("Goes on since about {day}: {n} times by now, {expected} would be usual.")
    return cells.t(
        text,
        day=cells.day(row.since_at.date()),
        n=cells.number(row.n_vehicles),
        expected=cells.number(row.expected, 1),
    )


def coming_words(
    p_any: float | None, rises: Iterable[tuple[Emerging, float | None]], cells: Cells
) -> tuple[str, ...]:
    """Say how likely a fault is within 90 days, and which rise may reach the vehicle next.

    ``p_any``: from the forecast of a record that holds; None: there is none. ``rises``: those of
    its groups that go on and have not reached it, each with its chance within 90 days.
    """
    said = []
    if p_any is not None and p_any >= _LEAST:
        said.append(
            cells.t(
                "Of 100 vehicles that go on like this one, about {n} show a new fault or a "
                "come-back within 90 days.",
                n=_tens(p_any, cells),
            )
        )
    for row, chance in rises:
        if row.fault == ANY_FAULT or chance is None or chance < _LEAST:
            continue
        said.append(
            cells.t(
                "It may be next: {rise} begins more often since about {day}; of 100 such vehicles "
                "about {n} show it within 90 days.",
                rise=rise_name(row, cells),
                day=cells.day(row.since_at.date()),
                n=_tens(chance, cells),
            )
        )
    return tuple(said)


def _tens(chance: float, cells: Cells) -> str:
    return cells.number(min(max(round(chance * 10), 1), 9) * 10)
