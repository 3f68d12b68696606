"""Fleets whose truth is known: which fix attempts failed, when the fault would be back.

Everything is drawn here, nothing is fitted; the estimators see only what scans would show.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

BACKGROUND = 1 / 60_000  # new faults of the same code, per km


@dataclass(frozen=True)
class Attempts:
    """What scans showed of fix attempts, shape (n,), and the truth beside it."""

    group: Ints
    low_km: Floats
    high_km: Floats  # inf: not seen again
    n_clean_scans: Ints
    failed: Bools  # the truth: the fix did not work

    @property
    def returned(self) -> Bools:
        return np.isfinite(self.high_km)


@dataclass(frozen=True)
class Truth:
    """Parameters of each attempt, shape (n,)."""

    p: Floats
    eta_km: Floats
    shape: Floats
    background_per_km: Floats


@dataclass(frozen=True)
class Scanning:
    """How vehicles are scanned: mean km between scans, longest follow-up (uniform from 0)."""

    gap_km: float
    follow_up_km: float = 30_000.0


def group_codes(rng: np.random.Generator, n_groups: int, mean_size: float) -> Ints:
    """Codes of attempts, 1 + negative binomial of each group."""
    return np.repeat(
        np.arange(n_groups), 1 + rng.negative_binomial(2, 2 / (1 + mean_size), n_groups)
    )


def ordinary_truth(rng: np.random.Generator, group: Ints, background: Floats | float) -> Truth:
    """Shares around a quarter, returns around 1500 km, three shapes; one of each per group."""
    n_groups = int(group.max()) + 1
    return Truth(
        p=rng.beta(1.5, 4.5, n_groups)[group],
        eta_km=np.exp(rng.normal(np.log(1500), 0.7, n_groups))[group],
        shape=rng.choice([0.8, 1.2, 1.6], n_groups)[group],
        background_per_km=np.broadcast_to(background, group.shape),
    )


def observe(rng: np.random.Generator, group: Ints, truth: Truth, scanning: Scanning) -> Attempts:
    """Draw failures and returns, then scan each vehicle at random until the fault is seen."""
    n = group.size
    failed = rng.random(n) < truth.p
    old = truth.eta_km * rng.exponential(1.0, n) ** (1 / truth.shape)
    with np.errstate(divide="ignore"):
        new = rng.exponential(1.0, n) / truth.background_per_km
    back_at = np.minimum(np.where(failed, old, np.inf), new)
    ends_at = rng.uniform(0, scanning.follow_up_km, n)
    low, high, looks = np.zeros(n), np.full(n, np.inf), np.zeros(n, dtype=np.int64)
    at, going = np.zeros(n), np.ones(n, dtype=bool)
    while going.any():
        at = at + rng.exponential(scanning.gap_km, n)
        going &= at <= ends_at
        dirty = going & (at >= back_at)
        high[dirty] = at[dirty]
        going &= ~dirty
        low[going] = at[going]
        looks[going] += 1
    return Attempts(group, low, high, looks, failed)


def ordinary_fleet(seed: int, n_groups: int = 40, background: float = BACKGROUND) -> Attempts:
    """Draw groups of 5 attempts on average, scanned every 6000 km."""
    rng = np.random.default_rng(seed)
    group = group_codes(rng, n_groups, 5.0)
    return observe(rng, group, ordinary_truth(rng, group, background), Scanning(6000.0))


@dataclass(frozen=True)
class Pairs:
    """Clean scans and what the next one showed, on vehicles without any attempt."""

    group: Ints  # of the dirty ones
    dirty_km: Floats
    clean_km: Floats  # summed per group


def onset_pairs(rng: np.random.Generator, rates: Floats, n_pairs: int, gap_km: float) -> Pairs:
    """``n_pairs`` pairs for each rate."""
    group = np.repeat(np.arange(rates.size), n_pairs)
    km = rng.exponential(gap_km, group.size)
    dirty = rng.random(group.size) < -np.expm1(-rates[group] * km)
    clean = np.bincount(group[~dirty], weights=km[~dirty], minlength=rates.size)
    return Pairs(group[dirty], km[dirty], clean)


def repeated_attempts(
    rng: np.random.Generator, n_families: int, n_vehicles: int, scanning: Scanning
) -> tuple[Attempts, Ints]:
    """Draw attempts of vehicles that differ, with their number on the vehicle (1, 2 or 3).

    A vehicle's effect has a standard deviation of 1.5 on the log odds of failing; the next
    attempt is made only when the one before was seen to fail.
    """
    family = np.repeat(np.arange(n_families), n_vehicles)
    log_odds = rng.normal(-2.2, 0.6, n_families)[family] + rng.normal(0, 1.5, family.size)
    shape = rng.choice([0.8, 1.2, 1.6], n_families)[family]
    eta = np.exp(rng.normal(np.log(1500), 0.7, n_families))[family]
    parts, numbers = [], []
    for number in (1, 2, 3):
        truth = Truth(1 / (1 + np.exp(-log_odds)), eta, shape, np.zeros(family.size))
        seen = observe(rng, family, truth, scanning)
        parts.append(seen)
        numbers.append(np.full(family.size, number))
        again = seen.returned
        family, log_odds, eta, shape = family[again], log_odds[again], eta[again], shape[again]
    return _joined(parts), np.concatenate(numbers)


def _joined(parts: list[Attempts]) -> Attempts:
    return Attempts(
        np.concatenate([part.group for part in parts]),
        np.concatenate([part.low_km for part in parts]),
        np.concatenate([part.high_km for part in parts]),
        np.concatenate([part.n_clean_scans for part in parts]),
        np.concatenate([part.failed for part in parts]),
    )


def new_faults(
    low_km: ArrayLike, high_km: ArrayLike, per_km: Floats | float = BACKGROUND
) -> tuple[Floats, Floats]:
    """Cumulative hazard of new faults up to low, and up to high where there is one."""
    low, high = np.asarray(low_km, dtype=np.float64), np.asarray(high_km, dtype=np.float64)
    return per_km * low, per_km * np.where(np.isfinite(high), high, low)
