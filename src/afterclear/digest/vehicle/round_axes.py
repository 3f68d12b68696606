"""Round places for an axis: distances in the reader's unit, months, years.  Pure."""

import math
from datetime import UTC, datetime, timedelta

from afterclear.digest.input.mileage import Line
from afterclear.digest.vehicle.vehicle_model import Tick
from afterclear.wording.cells import Cells

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
_MONTH_STEPS = (1, 2, 3, 6, 12, 24, 60, 120)
_DAYS_A_MONTH = 30.44  # mean of the Gregorian calendar, 365.2425 / 12


def round_step(extent: float, wanted: int) -> float:
    """Choose a step of 1, 2, 2.5 or 5 times a power of ten giving about ``wanted`` steps.

    >>> round_step(34_000, 6)
    10000.0
    """
    rough = extent / wanted
    power = 10.0 ** math.floor(math.log10(rough))
    return next(step * power for step in _STEPS if step * power >= rough)


def distance_ticks(low: float, high: float, line: Line, cells: Cells) -> tuple[Tick, ...]:
    """Mark round distances, each with the month in which the vehicle was there."""
    scale = cells.km_per_unit
    step = round_step((high - low) / scale, 6)
    first, last = math.ceil(low / scale / step), math.floor(high / scale / step)
    ticks = []
    for i in range(first, last + 1):
        km = i * step * scale
        at = line.at_km(km)
        digits = 0 if step >= 1 else 1
        ticks.append(Tick(km, cells.number(i * step, digits), cells.month(at) if at else ""))
    return tuple(ticks)


def date_ticks(low: float, high: float, cells: Cells) -> tuple[Tick, ...]:
    """Mark the first of months, as many as fit; days where all lies within two months."""
    months = (high - low) / _DAYS_A_MONTH
    if months < 2:  # noqa: PLR2004  (two months, as said)
        step = max(1, math.ceil((high - low) / 5))
        first = math.ceil(low)
        return tuple(
            Tick(float(day), cells.day(_EPOCH + timedelta(days=day)), "")
            for day in range(first, math.floor(high) + 1, step)
        )
    every = next((s for s in _MONTH_STEPS if months / s <= 7), _MONTH_STEPS[-1])  # noqa: PLR2004
    start = _EPOCH + timedelta(days=low)
    index = start.year * 12 + start.month - 1
    ticks = []
    for i in range(index - index % every, index + math.ceil(months) + every + 1, every):
        at = datetime(i // 12, i % 12 + 1, 1, tzinfo=UTC)
        day = (at - _EPOCH) / timedelta(days=1)
        if low <= day <= high:
            label = str(at.year) if every % 12 == 0 else cells.month(at)
            ticks.append(Tick(day, label, ""))
    return tuple(ticks)
