"""What is coming for one vehicle, in sentences, for its page, its sheet and the terminal.  Pure.

Chances are told in tens of a hundred: nobody acts on less, and a page is not made anew for it.
"""

from collections.abc import Iterable
from typing import Final

from afterclear.digest.common.rise_words import rise_name
from afterclear.finding_tables.emerging import ANY_FAULT, Emerging
from afterclear.wording.cells import Cells

_LEAST: Final = 0.05  # below it nothing is said


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
