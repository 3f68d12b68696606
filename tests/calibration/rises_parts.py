"""Parts fitted in fleets of 1,000 vehicles through the whole search: brands, numbers, months.

Each vehicle has a part of each of twelve kinds fitted about once in five years, of the first kind
each year, of one of six numbers of three brands.  One repair in ten is back within 5,000 km,
whoever made the part; later faults are seldom.  What the tool counts of readings is given to it
here; groups, weights and limits are its own.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np
import polars as pl

from afterclear.estimators.arrays.validation import FloatArray
from afterclear.estimators.rates.rising import start_days
from afterclear.findings.rising.distance_sums import added_up
from afterclear.findings.rising.fitted_parts import (
    N_PART_BANDS,
    PART_BANDS_KM,
    Kind,
    fault_of_parts,
    part_groups,
    part_rises,
    part_weights,
)
from afterclear.findings.rising.found_rise import Found
from afterclear.findings.rising.km_at_risk import KmAtRisk
from afterclear.findings.rising.rate_records import Records

N_VEHICLES, KINDS, N_NUMBERS, N_BRANDS = 1000, 12, 6, 3
N_DAYS = 600
KM_A_DAY = 60.0
FITTED_A_YEAR = (1.0, *[0.2] * (KINDS - 1))  # of each kind on a vehicle
BAD_KIND = "component 00"  # the first
_EARLY, _LATE = 0.10, 0.05  # share back within 5,000 km; faults a year after
_ZERO = datetime(2025, 1, 6)  # noqa: DTZ001 - as in the store; a Monday
_LIMITS = np.array([0.0, *PART_BANDS_KM, np.inf]) / KM_A_DAY  # days since the fitting


@dataclass(frozen=True, slots=True)
class Bad:
    """What is planted on the first kind: a number, from a day of fitting on, until another."""

    number: int
    from_day: int
    until_day: int
    factor: float


def search_parts(seed: int, bad: Bad | None = None) -> list[Found]:
    """Draw a fleet's parts and search them as the tool does."""
    rng = np.random.default_rng([seed, 11])
    kinds = [_kind(k, rng, bad if k == 0 else None) for k in range(KINDS)]
    starts = start_days(60, N_DAYS, 0)
    weights = part_weights([_first(kinds, name) for name in ("brand", "number", "lot")], starts)
    return [rise for kind in kinds for rise in part_rises(kind, starts, weights)]


def _first(kinds: list[Kind], name: str) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    days = [kind.units.group_by(name).agg(pl.col("fit_day").min())["fit_day"] for kind in kinds]
    return pl.concat(days).cast(pl.Int64).to_numpy()


def _kind(number: int, rng: np.random.Generator, bad: Bad | None) -> Kind:
    units, until = _units(number, rng, bad)
    groups, since = part_groups(units)
    fit = units["fit_day"].to_numpy()
    name = f"component {number:02}"
    fault = fault_of_parts(name, units, _ZERO)
    sums = added_up([_at_risk(fit, until)], [fault], groups, N_DAYS, N_PART_BANDS)
    return Kind(name, units, groups, since, fault, Records(sums, groups))


def _units(
    number: int, rng: np.random.Generator, bad: Bad | None
) -> tuple[pl.DataFrame, np.ndarray[tuple[int], np.dtype[np.int64]]]:
    """Parts with their fate, and the day until which each is at risk."""
    n = int(rng.poisson(N_VEHICLES * FITTED_A_YEAR[number] * N_DAYS / 365))
    fit = np.sort(rng.integers(0, N_DAYS, n))
    of = rng.integers(0, N_NUMBERS, n)
    factor = np.ones(n)
    if bad is not None:
        factor[(of == bad.number) & (fit >= bad.from_day) & (fit < bad.until_day)] = bad.factor
    # each hazard is the factor's times the usual one
    early_days = _LIMITS[1]
    first = rng.exponential(1.0, n) / factor
    sooner = -np.log1p(-_EARLY)
    days = np.where(
        first < sooner,
        first / sooner * early_days,
        early_days + (first - sooner) * 365 / _LATE,
    )
    out = fit + np.ceil(np.minimum(days, 10 * N_DAYS)).astype(np.int64)
    is_onset = out < N_DAYS
    at = [_ZERO + timedelta(days=int(day)) for day in fit]
    units = pl.DataFrame(
        {
            "vehicle": np.arange(n),
            "brand": [f"brand {each // (N_NUMBERS // N_BRANDS)}" for each in of],
            "number": [f"{number}-{each}" for each in of],
            "lot": [f"{number}-{each} {day:%Y-%m}" for each, day in zip(of, at, strict=True)],
            "fit_day": fit,
            "fitted_at": at,
            "is_onset": is_onset,
            "out_at": [_ZERO + timedelta(days=int(day)) for day in out],
            "out_km": (out - fit) * KM_A_DAY,
            "band": np.searchsorted(_LIMITS, out - 1 - fit, side="right") - 1,
        }
    )
    return units, np.minimum(out, N_DAYS)


def _at_risk(
    fit: np.ndarray[tuple[int], np.dtype[np.int64]],
    until: np.ndarray[tuple[int], np.dtype[np.int64]],
) -> KmAtRisk:
    """60 km a day from the fitting on, band by band."""
    place = np.arange(fit.size)
    parts: list[tuple[FloatArray, ...]] = []
    for band, (low, high) in enumerate(pairwise(_LIMITS)):
        begin = fit + np.ceil(low).astype(np.int64)
        end = np.minimum(until, fit + np.ceil(np.minimum(high, 10 * N_DAYS)).astype(np.int64))
        some = (begin < end) & (begin < N_DAYS)
        for day, slope in ((begin, KM_A_DAY), (end, -KM_A_DAY)):
            own = some & (day < N_DAYS)
            n = int(own.sum())
            parts.append((place[own], day[own], np.full(n, band), np.full(n, slope)))
    vehicle, day, band_no, slopes = (np.concatenate(column) for column in zip(*parts, strict=True))
    order = np.argsort(vehicle, kind="stable")
    ints = (each[order].astype(np.int32) for each in (vehicle, np.zeros_like(vehicle), day))
    return KmAtRisk(
        *ints,
        day[order].astype(np.int32),
        band_no[order].astype(np.int32),
        np.zeros(vehicle.size),
        slopes[order],
    )
