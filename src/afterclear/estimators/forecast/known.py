"""What is known of a fleet at a moment: rates, how its vehicles differ, how they are driven."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from afterclear.estimators.arrays.validation import BoolArray, FloatArray
from afterclear.estimators.forecast.hazards import Hazards, fit_hazards, is_spread_seen
from afterclear.estimators.forecast.past import (
    AS_DELIVERED,
    HOLDS,
    Ages,
    Past,
    SeenUpTo,
    overlaps,
    seen_up_to,
    sums_of,
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
    hazards, factor, factor_sd = _rates_and_factors(past, seen_up_to(past, day))
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
        places=past.risks.places(day),
        driving=driving,
        learnt=learnt,
        factor=factor,
        factor_sd=factor_sd,
        repair_days=(open_days.sum() + _USUAL_REPAIR_DAYS) / (n_over + 1.0),
        look_km=float(look_km / (looked.to_km.size + 1)),
        # what was seen once tells of what was never seen (Good 1953, Biometrika 40, 237)
        new_kinds_per_km=float(once / max(watched.sum(), 1.0)),
    )


def _rates_and_factors(past: Past, seen: SeenUpTo) -> tuple[Hazards, FloatArray, FloatArray]:
    """Rates of components, factors of vehicles and their errors: each from the others, in turn."""
    factor = np.ones((2, seen.km.size))
    for _ in range(_ROUNDS):
        hazards = fit_hazards(sums_of(past, seen, factor))
        factor, factor_sd = _factors(past, hazards, seen)
    return hazards, factor, factor_sd


def _factors(past: Past, hazards: Hazards, seen: SeenUpTo) -> tuple[FloatArray, FloatArray]:
    """How much more often than others each vehicle fails, and the relative error; (2, v) each."""
    rows = seen.rows
    chance = rows.sign * failures_between(hazards, seen.begin, seen.end)
    delivered, worked = (
        np.bincount(rows.vehicle[rows_of], chance[rows_of], seen.km.size).astype(np.float64)
        for rows_of in (rows.state == 0, rows.state > 0)
    )
    delivered += bulk_of_vehicles(past, hazards, seen.places, past.vehicles.first_km, seen.km)
    found = [
        _factor(n, np.maximum(e, 0.0))
        for n, e in zip(seen.n_of_vehicle, (delivered, worked), strict=True)
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


def failures_between(hazards: Hazards, begin: Ages, end: Ages) -> FloatArray:
    """Failures expected of each stretch between two ages, shape (s,)."""
    at_begin, per_km = hazards.cumulated().ravel(), hazards.per_km.ravel()
    by_begin, by_end = (
        at_begin[ages.place] + per_km[ages.place] * ages.over_km for ages in (begin, end)
    )
    return np.maximum(by_end - by_begin, 0.0)
