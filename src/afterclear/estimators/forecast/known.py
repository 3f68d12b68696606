"""What is known of a fleet at a moment: rates, how its vehicles differ, how they are driven."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from afterclear.estimators.arrays.validation import BoolArray, FloatArray
from afterclear.estimators.forecast.hazards import Hazards, fit_hazards, is_spread_seen
from afterclear.estimators.forecast.past import (
    AS_DELIVERED,
    BEGINS,
    HOLDS,
    Past,
    Stretches,
    cell_of,
    overlaps,
    sums_up_to,
)
from afterclear.estimators.rates.rates import shrunken_rates

USUAL_DAYS: Final = 180.0
"""Km a day are those of the last half year before a vehicle's last reading."""
_LEAST_DAYS: Final = 28.0  # between two readings, for a vehicle's km a day (own judgement)
_ROUNDS: Final = 2  # rates and vehicles' factors in turn
_HARDLY: Final = 1e-9  # failures expected of a vehicle that was hardly watched
_USUAL_LOOK_KM: Final = 2000.0  # until the first reading after work (own judgement)
_USUAL_REPAIR_DAYS: Final = 14.0  # until the first repair is seen (own judgement)


@dataclass(frozen=True, slots=True)
class Driving:
    """How vehicles go on, as known at a moment."""

    km: FloatArray  # (v,) at the last reading; 0 where not known
    km_per_day: FloatArray  # (v,) 0: not driven, not read for long, or too few readings
    share: float = 1.0  # of the km so expected that readings do look back over

    @property
    def goes(self) -> BoolArray:
        """Vehicles a forecast is for, (v,)."""
        return self.km_per_day > 0


@dataclass(frozen=True, slots=True)
class Learnt:
    """What the forecasts of quarters before came to."""

    factor: float = 1.0  # failures that came over those expected
    sd: float = 0.0  # relative error of a single quarter, beyond chance and the rates


@dataclass(frozen=True, slots=True)
class State:
    """What is known of a fleet at a moment."""

    day: float
    hazards: Hazards
    places: FloatArray  # (n_kinds, n_components)
    driving: Driving
    learnt: Learnt
    factor: FloatArray  # of each vehicle as delivered, and after work, (2, v)
    factor_sd: FloatArray  # relative
    repair_days: float  # mean time a fault stays
    look_km: float  # mean distance from work to the first reading after it
    new_kinds_per_km: float


def km_a_day(past: Past, day: float, before: float) -> tuple[FloatArray, FloatArray]:
    """Give each vehicle's km and km a day at a moment, (v,) each.

    ``before``: the moment half a year earlier. 0 a day: its readings tell nothing of the present.
    """
    cars, now, then = past.vehicles, past.vehicles.at(day), past.vehicles.at(before)
    is_new = np.isnan(cars.km[:, then])
    begin_km = np.where(is_new, cars.first_km, cars.km[:, then])
    begin_day = np.where(is_new, cars.first_day, cars.day[:, then])
    end_km, end_day = cars.km[:, now], cars.day[:, now]
    days = end_day - begin_day
    told = (days >= _LEAST_DAYS) & (day - end_day <= USUAL_DAYS)
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.where(told, (end_km - begin_km) / days, 0.0)
    return np.nan_to_num(end_km), np.nan_to_num(np.maximum(rate, 0.0))


def known_at(past: Past, day: float, driving: Driving, learnt: Learnt) -> State:
    """Estimate what a forecast from a moment on needs, from what was seen up to then."""
    places = past.risks.places(day)
    factor = np.ones((2, driving.km.size))
    for _ in range(_ROUNDS):
        hazards = fit_hazards(sums_up_to(past, day, factor))
        factor, factor_sd = _factors(past, hazards, places, day)
    failed = past.failures
    seen = failed.day <= day
    open_days = np.minimum(failed.over_day, day)[seen] - failed.day[seen]
    n_over = float((failed.over_day[seen] <= day).sum())
    once = (np.bincount(failed.component[seen], minlength=past.risks.n_components) == 1).sum()
    rows = past.stretches
    is_new = (rows.state > 0) & (rows.state < HOLDS) & (rows.known_day <= day)
    looked = rows.take(is_new & (rows.to_km <= past.vehicles.km_at(day)[rows.vehicle]))
    look_km = (looked.to_km - looked.from_km).sum() + _USUAL_LOOK_KM
    watched = past.vehicles.km_at(day) - past.vehicles.first_km
    return State(
        day=day,
        hazards=hazards,
        places=places,
        driving=driving,
        learnt=learnt,
        factor=factor,
        factor_sd=factor_sd,
        repair_days=(open_days.sum() + _USUAL_REPAIR_DAYS) / (n_over + 1.0),
        look_km=float(look_km / (looked.to_km.size + 1)),
        # what was seen once tells of what was never seen (Good 1953, Biometrika 40, 237)
        new_kinds_per_km=float(once / max(watched.sum(), 1.0)),
    )


def _factors(
    past: Past, hazards: Hazards, places: FloatArray, day: float
) -> tuple[FloatArray, FloatArray]:
    """How much more often than others each vehicle fails, and the relative error; (2, v) each."""
    cars, failed, rows = past.vehicles, past.failures, past.stretches
    now = cars.km_at(day)
    own = rows.take((rows.known_day <= day) & (rows.from_km < now[rows.vehicle]))
    end = np.minimum(own.to_km, now[own.vehicle])
    chance = own.sign * cumulated(own, hazards, own.from_km, end)
    delivered, worked = (
        np.bincount(own.vehicle[rows_of], chance[rows_of], now.size).astype(np.float64)
        for rows_of in (own.state == 0, own.state > 0)
    )
    delivered += bulk_of_vehicles(past, hazards, places, cars.first_km, now)
    seen = (failed.day <= day) & (failed.known_day <= day)
    counts = [
        np.bincount(failed.vehicle[seen & is_own], minlength=now.size).astype(np.float64)
        for is_own in (failed.state == 0, failed.state > 0)
    ]
    found = [
        _factor(n, np.maximum(e, 0.0)) for n, e in zip(counts, (delivered, worked), strict=True)
    ]
    return np.stack([each[0] for each in found]), np.stack([each[1] for each in found])


def _factor(count: FloatArray, expected: FloatArray) -> tuple[FloatArray, FloatArray]:
    some = expected > _HARDLY
    factor, sd = np.ones(count.size), np.zeros(count.size)
    if some.sum() > 1 and is_spread_seen(count[some], expected[some]):
        found = shrunken_rates(count[some], expected[some])
        if found.has_spread:
            mean = found.mean()
            factor[some] = mean * expected[some].sum() / (mean @ expected[some])
            sd[some] = 1 / np.sqrt(found.a + count[some])
            # of a vehicle that showed nothing yet, no more is known than how they differ
            sd[~some] = 1 / np.sqrt(found.a)
    return factor, sd


def bulk_of_vehicles(
    past: Past, hazards: Hazards, places: FloatArray, low: FloatArray, high: FloatArray
) -> FloatArray:
    """Failures of all places as delivered between two odometers of each vehicle, (v,)."""
    by_kind = places @ hazards.per_km[:, : AS_DELIVERED.size]
    bands = overlaps(AS_DELIVERED, low, high)
    return np.asarray((bands * by_kind[past.vehicles.kind]).sum(axis=1), dtype=np.float64)


def cumulated(rows: Stretches, hazards: Hazards, low: FloatArray, high: FloatArray) -> FloatArray:
    """Failures expected of each stretch between two odometers, shape (s,)."""
    at_begin = hazards.cumulated()

    def up_to(km: FloatArray) -> FloatArray:
        age = np.maximum(km - rows.zero_km, 0.0)
        cell = cell_of(rows.state, age)
        begun = BEGINS[cell]
        known = at_begin[rows.component, cell]
        found: FloatArray = known + hazards.per_km[rows.component, cell] * (age - begun)
        return found

    return np.maximum(up_to(high) - up_to(low), 0.0)
