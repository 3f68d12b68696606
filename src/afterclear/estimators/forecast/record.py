"""Forecasts of past quarters, made from what was known then, beside what came.

The sums of the past grow quarter by quarter, so each of these forecasts costs little more than the
one of today and is made by the same functions.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from afterclear.estimators.arrays.validation import FloatArray
from afterclear.estimators.forecast.ahead import Ahead, ahead
from afterclear.estimators.forecast.known import (
    USUAL_DAYS,
    Driving,
    Learnt,
    State,
    km_a_day,
    known_at,
)
from afterclear.estimators.forecast.past import Past

LEAST_DAYS: Final = 180.0
"""A quarter is forecast only where the fleet was watched so long before it (own judgement)."""
# before any quarter shows it (own judgement): how far forecasts of a young fleet are off, how much
# quarters differ beyond chance, and how many failures and quarters that is worth
_NEW_SD: Final = 0.15
_USUAL_SD: Final = 0.05
_LEANS: Final = 30.0
_USUAL_QUARTERS: Final = 2.0
_MOST: Final = 3.0  # that much off, a forecast is not mended but wrong: its record says so


@dataclass(frozen=True, slots=True)
class Told:
    """One past quarter: what would have been told at its begin, and what came."""

    begin: float  # days
    end: float
    ahead: Ahead
    came: FloatArray  # failures of each component, (n_components,)
    total_came: int
    n_vehicles: int  # the forecast was for
    learnt: Learnt


@dataclass(frozen=True, slots=True)
class Forecasts:
    """Those of today and of past quarters."""

    state: State
    today: tuple[Ahead, ...]
    record: tuple[Told, ...]


def moments(quarters: Sequence[float], today: float) -> FloatArray:
    """List the moments at which odometers are needed: ``Vehicles.moment``."""
    days = [*quarters, today]
    return np.unique([*days, *(day - USUAL_DAYS for day in days)])


def forecasts(
    past: Past, quarters: Sequence[float], today: float, horizons: Sequence[float]
) -> Forecasts:
    """Forecast the days after ``today``, and every past quarter that had enough before it.

    ``quarters``: their begins, in days, rising, the last one's end among them.
    """
    begun = float(past.vehicles.first_day.min(initial=today))
    record: list[Told] = []
    shares: list[float] = []
    for begin, end in pairwise(day for day in quarters if day <= today):
        driving = _driving(past, begin, shares)
        if begin - begun < LEAST_DAYS or not driving.goes.any():
            continue
        state = known_at(past, begin, driving, learnt_from(record))
        record.append(_told(past, state, end))
        shares.append(_share_driven(past, driving, begin, end))
    state = known_at(past, today, _driving(past, today, shares), learnt_from(record))
    return Forecasts(state, tuple(ahead(past, state, days) for days in horizons), tuple(record))


def _driving(past: Past, day: float, shares: Sequence[float]) -> Driving:
    """Tell how vehicles go on; the past shares count with one of a quarter as expected."""
    km, per_day = km_a_day(past, day, day - USUAL_DAYS)
    is_last = day == past.vehicles.moment[-1]
    per_day = np.where(past.vehicles.stays | (not is_last), per_day, 0.0)
    return Driving(km, per_day, float(np.mean([1.0, *shares])))


def _share_driven(past: Past, driving: Driving, begin: float, end: float) -> float:
    """Km that readings looked back over in a quarter, over those expected."""
    driven = np.where(driving.goes, past.vehicles.km_at(end) - driving.km, 0.0)
    return float(driven.sum() / (driving.km_per_day.sum() * (end - begin)))


def learnt_from(record: Sequence[Told]) -> Learnt:
    """Work out how forecasts came out so far, and how much a single quarter differs.

    The record counts with some failures that came as expected, and with some quarters that differed
    as they usually do.
    """
    if not record:
        return Learnt(1.0, _NEW_SD)
    came = np.array([told.total_came for told in record], dtype=np.float64)
    # as it would have been told without what was learnt before
    plain = np.array([told.ahead.total / told.learnt.factor for told in record])
    factor = float(np.clip((came.sum() + _LEANS) / (plain.sum() + _LEANS), 1 / _MOST, _MOST))
    by_chance = np.array(
        [
            max(told.ahead.total_variance - (told.ahead.total * told.learnt.sd) ** 2, 1.0)
            for told in record
        ]
    )
    beyond = ((came - factor * plain) ** 2 - by_chance) / np.maximum(factor * plain, 1.0) ** 2
    weight = _USUAL_QUARTERS + came.size
    shock = max(float((_USUAL_QUARTERS * _USUAL_SD**2 + beyond.sum()) / weight), 0.0)
    # the factor errs as far as the numbers it comes from spread by chance
    own = by_chance.sum() / (came.sum() + _LEANS) ** 2
    return Learnt(factor, float(np.sqrt(shock + own)))


def _told(past: Past, state: State, end: float) -> Told:
    failed = past.failures
    inside = (failed.day > state.day) & (failed.day <= end)
    inside &= state.driving.goes[failed.vehicle]
    came = np.bincount(failed.component[inside], minlength=past.risks.n_components)
    return Told(
        begin=state.day,
        end=end,
        ahead=ahead(past, state, end - state.day),
        came=came.astype(np.float64),
        total_came=int(inside.sum()),
        n_vehicles=int(state.driving.goes.sum()),
        learnt=state.learnt,
    )
