"""What somebody who knows every law would say of each attempt, from the same windows."""

from dataclasses import dataclass

import numpy as np
from scipy import special

from tests.calibration.fleet import Fleet, Floats

_FARTHEST_KM = 400_000.0


@dataclass(frozen=True)
class Known:
    """The oracle's answers, shape (n,)."""

    p_failed: Floats  # given all that was seen
    p_worn: Floats  # of returns
    km_to_go: Floats  # of those not returned, until P(failed) < threshold


def oracle(fleet: Fleet, threshold: float = 0.05) -> Known:
    """Bayes with the true figures of each fault, vehicle and part."""
    p, eta = fleet.column("p"), fleet.column("eta")
    shape = np.array([fleet.faults[t.fault].shape for t in fleet.tries])
    low, high = fleet.column("clean_km"), fleet.column("back_km")
    back = np.isfinite(high)
    is_log = fleet.laws.lognormal
    s_low, s_high = (survival(km, eta, shape, is_log=is_log) for km in (low, high))
    p_failed = p * s_low / (p * s_low + 1 - p)
    new, worn = (hazard[back] for hazard in other_hazard(fleet))
    other = -np.expm1(-(new + worn))
    failed = p[back] * (s_low[back] - s_high[back] * (1 - other))
    rest = (1 - p[back]) * other
    p_failed[back] = failed / (failed + rest)
    p_worn = np.full(p.size, np.nan)
    p_worn[back] = (1 - p_failed[back]) * worn / np.maximum(new + worn, 1e-300)
    return Known(
        p_failed, p_worn, _km_to_go((p, eta, shape), low, p_failed, threshold, is_log=is_log)
    )


def other_hazard(fleet: Fleet) -> tuple[Floats, Floats]:
    """Hazard of a new fault and of wear in the window of each attempt; 0: it did not return."""
    low, high = fleet.column("clean_km"), fleet.column("back_km")
    back = np.isfinite(high)
    new, worn = np.zeros(low.size), np.zeros(low.size)
    new[back] = fleet.column("new_per_km")[back] * (high - low)[back]
    worn[back] = _wear(fleet, high, back) - _wear(fleet, low, back)
    return new, worn


def survival(km: Floats, eta: Floats, shape: Floats, *, is_log: bool) -> Floats:
    with np.errstate(divide="ignore"):
        if is_log:
            return special.ndtr(-(np.log(km / eta) + 0.4))
        return np.exp(-((km / eta) ** shape))


def _wear(fleet: Fleet, km: Floats, rows: np.ndarray) -> Floats:
    """Cumulative hazard of wear of the part since the attempt."""
    age, life = fleet.column("part_km")[rows], fleet.column("part_life")[rows]
    shape = np.array([fleet.faults[t.fault].life_shape for t in fleet.tries])[rows]
    has_part = np.isfinite(age)
    begin = np.where(has_part, age, 0.0)
    grown = ((begin + km[rows]) / life) ** shape - (begin / life) ** shape
    return np.where(has_part, grown, 0.0)


def _km_to_go(
    law: tuple[Floats, Floats, Floats], low: Floats, p_failed: Floats, at: float, *, is_log: bool
) -> Floats:
    """Km until P falls to the threshold, by halving."""
    p, eta, shape = law
    near, far = np.zeros(p.size), np.full(p.size, _FARTHEST_KM)
    for _ in range(50):
        middle = (near + far) / 2
        hidden = p * survival(low + middle, eta, shape, is_log=is_log)
        is_above = hidden / np.maximum(hidden + 1 - p, 1e-300) > at
        near, far = np.where(is_above, middle, near), np.where(is_above, far, middle)
    return np.where(p_failed <= at, 0.0, far)
