"""Fleets of 1,000 vehicles through the whole search for rises: fleet, models, years, sites, all.

A vehicle is of one of 20 models, one of its five years and one of ten sites; faults of twelve
components begin at random, those of a model at its own rate.  What the tool counts of readings is
given to it here, so that years of daily looks cost seconds; shares, weights and limits are its own.
"""

from datetime import datetime
from typing import Any, cast

import numpy as np
import polars as pl

from afterclear.estimators.arrays.validation import IntArray
from afterclear.estimators.rates.rising import RateRecord
from afterclear.finding_tables.emerging import ANY_FAULT
from afterclear.findings.rising.faults import Fault, Groups
from afterclear.findings.rising.find_emerging import _Fleet, _found, _groups
from afterclear.findings.rising.found_rise import Found
from afterclear.findings.rising.rate_records import Records

N_MODELS, IN_MODEL, N_YEARS, N_SITES, COMPONENTS = 20, 50, 5, 10, 12
N_VEHICLES = N_MODELS * IN_MODEL
N_DAYS = 600
KM_A_DAY = 60.0
_SPREAD = 0.3  # standard deviation of ln of a model's own rate
_ZERO = datetime(2025, 1, 6)  # noqa: DTZ001 - as in the store; a Monday


class _Counted(Records):
    """Rate records of vehicles that drive each day and are read each day."""

    def __init__(self, groups: Groups) -> None:
        of_vehicle = groups.of_vehicle
        self._groups = groups
        sizes = np.bincount(of_vehicle.ravel(), minlength=len(groups.names))
        days = np.arange(1, N_DAYS + 1) * KM_A_DAY
        self._own_km = (sizes[:, None] * days)[:, :, None]

    def of(self, fault: Fault) -> RateRecord:
        onsets = np.zeros(self._own_km.shape[:2])
        for own in self._groups.of_vehicle:
            np.add.at(onsets, (own[fault.onset_vehicle], fault.onset_day), 1.0)
        onsets = onsets.cumsum(axis=1)
        return RateRecord(onsets, self._own_km, onsets[0][:, None], self._own_km[0])


def search_whole(per_year: float, seed: int) -> list[Found]:
    """Draw a fleet in which nothing rises and search it as the tool does.

    ``per_year``: onsets of a component in a model.
    """
    rng = np.random.default_rng([seed, round(per_year), 7])
    vehicles = _vehicles(rng)
    groups = _groups(vehicles)
    faults = [_fault(k, per_year, rng) for k in range(COMPONENTS)]
    order = np.argsort(np.concatenate([each.onset_day for each in faults]), kind="stable")
    vehicle, day = (
        np.concatenate([getattr(each, name) for each in faults])[order]
        for name in ("onset_vehicle", "onset_day")
    )
    every = (*faults, _named(ANY_FAULT, vehicle, day))
    fleet = _Fleet(vehicles, groups, _Counted(groups), every, cast("Any", None), _ZERO, N_DAYS)
    return list(_found(fleet))


def _vehicles(rng: np.random.Generator) -> pl.DataFrame:
    number = np.arange(N_VEHICLES)
    model, year = number // IN_MODEL, number % N_YEARS
    site = rng.integers(0, N_SITES, N_VEHICLES)
    return pl.DataFrame(
        {
            "model": [f"Mak {m:02}" for m in model],
            "model_year": [f"Mak {m:02} {2015 + y}" for m, y in zip(model, year, strict=True)],
            "site": [f"site {s}" for s in site],
        }
    )


def _fault(kind: int, per_year: float, rng: np.random.Generator) -> Fault:
    """Draw a component's onsets: their vehicles and days, in the order of days."""
    own = np.exp(rng.normal(0, _SPREAD, N_MODELS) - _SPREAD**2 / 2) * per_year
    model = np.repeat(np.arange(N_MODELS), rng.poisson(own * N_DAYS / 365))
    vehicle = model * IN_MODEL + rng.integers(0, IN_MODEL, model.size)
    day = rng.integers(0, N_DAYS, model.size)
    order = np.argsort(day, kind="stable")
    return _named(f"component {kind:02}", vehicle[order], day[order])


def _named(name: str, vehicle: IntArray, day: IntArray) -> Fault:
    none, zeros = np.array([], dtype=np.int64), np.zeros(day.size, dtype=np.int64)
    return Fault(name, none, none, vehicle, day, zeros, zeros.astype(float), none, none, none)
