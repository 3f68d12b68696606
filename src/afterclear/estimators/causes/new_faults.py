"""How often new faults begin: by family, and on each vehicle, from first onsets.

The first episode of a vehicle x unit x family that began under observation is an onset; exposure
ends with it. What was there in the first reading began before and is no evidence. Vehicles differ:
each one's factor is the gamma-Poisson mean of its own onsets against those expected of it.

The low end of an onset is the last clear, and exposure ends there; families count only on engine
kinds that ever had them. Against simulated rates the result is within 3 %
(``tests/calibration/test_background.py``).
"""

from dataclasses import dataclass

import numpy as np

from afterclear.estimators.arrays.validation import FloatArray, IntArray
from afterclear.estimators.rates.rates import onset_rates, shrunken_rates

_ROUNDS = 3
# with hardly an onset in a fleet: half an onset in this distance (own judgement)
_PSEUDO_ONSETS, _PSEUDO_KM = 0.5, 100_000.0
_LEAN_ONSETS = 3.0  # worth of other components for the rate of one (own judgement)


@dataclass(frozen=True, slots=True)
class UnitExposure:
    """Control units, shape (u,) each, and the families that each kind of unit ever showed."""

    vehicle: IntArray
    sort: IntArray
    km: FloatArray  # exposure in all
    risk_family: IntArray  # (k,) this family can begin ...
    risk_sort: IntArray  # (k,) ... on units of this kind


@dataclass(frozen=True, slots=True)
class FirstEpisodes:
    """First episode of a family on a unit, shape (f,) each."""

    unit: IntArray  # row of the unit
    family: IntArray
    before_km: FloatArray  # exposure without it
    gap_km: FloatArray  # then it began; NaN: it was there in the first reading, or not known


@dataclass(frozen=True, slots=True)
class NewFaults:
    """Rates of new faults."""

    per_km: FloatArray  # of each family on an average vehicle, shape (n_families,)
    vehicle: FloatArray  # factor of each vehicle, shape (n_vehicles,)
    n_onsets: IntArray  # of each family
    exposure_km: FloatArray  # of each family, to vehicles' factors
    log_sd: FloatArray  # of the ln of its rate, by the onsets of its component


def new_faults(
    units: UnitExposure, firsts: FirstEpisodes, component: IntArray, n_vehicles: int
) -> NewFaults:
    """Fit families and vehicles in turn.

    ``component``: of each family, shape (n_families,); families are shrunken towards their
    component, and components towards the fleet.
    """
    n_families = component.size
    factor = np.ones(n_vehicles)
    began = np.isfinite(firsts.gap_km) & (firsts.gap_km > 0)
    vehicle_of_first = units.vehicle[firsts.unit]
    after_km = np.maximum(units.km[firsts.unit] - firsts.before_km, 0.0)
    n_sorts = int(max(units.sort.max(initial=-1), units.risk_sort.max(initial=-1))) + 1
    onsets_of = np.bincount(vehicle_of_first[began], minlength=n_vehicles)
    for _ in range(_ROUNDS):
        by_sort = np.bincount(units.sort, factor[units.vehicle] * units.km, n_sorts)
        at_risk = np.bincount(units.risk_family, by_sort[units.risk_sort], n_families)
        gone = np.bincount(firsts.family, factor[vehicle_of_first] * after_km, n_families)
        family, gap = firsts.family[began], (factor[vehicle_of_first] * firsts.gap_km)[began]
        rates = onset_rates(family, gap, np.maximum(at_risk - gone, 0.0))
        per_km, exposure = _shrunken(rates.n_onsets, rates.exposure_km, component)
        # what is expected of each vehicle
        of_sort = np.bincount(units.risk_sort, per_km[units.risk_family], n_sorts)
        expected = np.bincount(units.vehicle, of_sort[units.sort] * units.km, n_vehicles)
        lost = after_km - np.where(began, firsts.gap_km / 2, 0.0)
        expected -= np.bincount(vehicle_of_first, per_km[firsts.family] * lost, n_vehicles)
        factor = _factors(onsets_of, np.maximum(expected, 0.0))
    n = np.bincount(component, rates.n_onsets)[component]
    return NewFaults(per_km, factor, rates.n_onsets, exposure, 1 / np.sqrt(n + _LEAN_ONSETS))


def _shrunken(
    n_onsets: IntArray, exposure_km: FloatArray, component: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Posterior mean rate of each family, and its exposure."""
    usable = np.isfinite(exposure_km) & (exposure_km > 0)
    count, km = np.where(usable, n_onsets, 0), np.where(usable, exposure_km, 0.0)
    fleet = (count.sum() + _PSEUDO_ONSETS) / (km.sum() + _PSEUDO_KM)
    n_components = int(component.max(initial=-1)) + 1
    by_component = _ratios(
        np.bincount(component, count, n_components),
        fleet * np.bincount(component, km, n_components),
    )
    peers = fleet * by_component[component]
    return np.maximum(peers * _ratios(count, peers * km), 1e-12), km


def _ratios(count: FloatArray | IntArray, expected: FloatArray) -> FloatArray:
    """Divide counts by expected, shrunken towards 1, the overall ratio; 1: nothing expected."""
    if not expected.sum() > 0 or not count.sum() > 0:
        return np.ones(count.size)
    found = shrunken_rates(count, expected)
    return found.mean() / found.pooled_rate


def _factors(count: IntArray, expected: FloatArray) -> FloatArray:
    some = expected > 0
    factor = np.ones(count.size)
    if some.sum() > 1 and count[some].sum() > 0:
        found = shrunken_rates(count[some], expected[some]).mean()
        factor[some] = found / (found @ expected[some] / expected[some].sum())
    return factor
