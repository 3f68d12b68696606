"""How much longer or shorter the parts of one brand last than their peers: a ratio of lifetimes.

Inside a stratum (platform, position) both arms have one Weibull shape and lifetimes in a ratio that
is the same in all strata, so the ratio of B10 is the ratio of any other share's age too.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from afterclear.estimators.arrays.ragged import cells_of, group_sums
from afterclear.estimators.arrays.validation import (
    BoolArray,
    FloatArray,
    IntArray,
    as_groups,
    check_fraction,
    check_same_shape,
)
from afterclear.estimators.lifetimes.lifetimes import Lifetimes
from afterclear.estimators.lifetimes.weibull import fit_weibull
from afterclear.estimators.lifetimes.weibull_likelihood import (
    DEFAULT_PRIOR,
    ShapePrior,
    weibull_likelihood,
)

_SHARE = 0.1  # the likelihood does not depend on which share's age it is written in
_ROUNDS = 60
_SETTLED = 1e-10  # of ln ratio at the maximum, and of the root of twice the drop at a limit
_FARTHEST = 25.0  # ln units: a factor of 7e10 counts as no limit
_STEP = 2.0


@dataclass(frozen=True, slots=True)
class LifeRatios:
    """Life of arm 1 over that of arm 0 in each group, arrays of shape (n_groups,).

    nan where no stratum has units of both arms and a failure, or no fit.
    """

    ratio: FloatArray  # inf: no failure in arm 1; 0: none in arm 0
    low: FloatArray
    high: FloatArray
    p_value: FloatArray  # likelihood ratio test of "as long-lived", 1 degree of freedom
    n_failed_0: FloatArray
    n_failed_1: FloatArray
    conf_level: float


def life_ratio(
    rows: Lifetimes,
    arm: IntArray,
    *,
    stratum: IntArray | None = None,
    prior: ShapePrior | None = DEFAULT_PRIOR,
    conf_level: float = 0.95,
) -> LifeRatios:
    """Ratio of lifetimes of arm 1 to arm 0 in each group, with likelihood ratio limits.

    ``arm``: 0 or 1, ``stratum``: any numbers, shape (n_rows,).  Any censoring and left
    truncation.  ``prior``: of each stratum's shape, which lets a stratum with one failure take
    part; None for the data alone, where strata without a fit are left out.

    For each ratio tried, arm 1's ages are divided by it and one Weibull is fitted to each
    stratum: the profile log-likelihood, whose slope is arm 1's part of the slope by ln life.

    Reference: Meeker & Escobar 1998, Statistical Methods for Reliability Data, chapter 17
    (accelerated failure time model; from memory).

    """
    check_fraction("conf_level", conf_level)
    arm = as_groups("arm", arm)
    check_same_shape(arm=arm, low=rows.low)
    profile = _profile(rows, arm, stratum, prior)
    n_groups = rows.n_groups
    failed = rows.weight * rows.failed
    n_failed = [group_sums(failed * (arm == side), rows.group, n_groups) for side in (0, 1)]
    usable = profile.used
    bounded = [group_sums(profile.failed[side], profile.group, n_groups) > 0 for side in (0, 1)]
    top, centre = _highest(profile, usable & bounded[0] & bounded[1])
    for side, value in ((0, -np.inf), (1, np.inf)):  # an arm without failures lasts "for ever"
        none = usable & ~bounded[side]
        top = np.where(none, profile.without(side), top)
        centre = np.where(none & np.isfinite(top), value, centre)
    usable = usable & np.isfinite(top)
    aim = float(np.sqrt(special.chdtri(1, 1 - conf_level)))
    low = _limit(profile, top, centre, -aim)
    high = _limit(profile, top, centre, aim)
    at_one, _ = profile.at(np.zeros(n_groups))
    drop = 2 * np.maximum(top - at_one, 0.0)
    return LifeRatios(
        ratio=np.exp(centre),
        low=np.exp(low),
        high=np.exp(high),
        p_value=np.where(usable, special.chdtrc(1, np.where(usable, drop, 0.0)), np.nan),
        n_failed_0=n_failed[0],
        n_failed_1=n_failed[1],
        conf_level=conf_level,
    )


@dataclass(frozen=True, slots=True)
class _Profile:
    """Rows of the strata that can show a ratio, as cells; a cell is a group's stratum."""

    rows: Lifetimes  # grouped by cell
    arm: IntArray
    prior: ShapePrior | None
    group: IntArray  # (n_cells,) group of the cell
    failed: tuple[FloatArray, FloatArray]  # (n_cells,) failures in arm 0 and in arm 1
    used: BoolArray  # (n_groups,)
    rounding: FloatArray  # (n_groups,) as that of ``WeibullLikelihood``

    def at(self, log_ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Profile log-likelihood of each group with its slope by ln ratio, (n_groups,) each."""
        in_arm_1 = self.arm == 1
        own = log_ratio[self.group][self.rows.group]
        factor = np.where(in_arm_1, np.exp(-own), 1.0)
        scaled = _rescaled(self.rows, factor)
        fits = fit_weibull(scaled, failed_share=_SHARE, prior=self.prior)
        part = weibull_likelihood(scaled.take(in_arm_1), _SHARE, None)
        slope = part.at(np.log(fits.life), np.log(fits.shape)).u
        exact = self.rows.exact & in_arm_1
        # densities of the ages as they were: each exact one carries the factor it was scaled by
        moved = group_sums(self.rows.weight * exact, self.rows.group, self.group.size)
        value = fits.log_likelihood - moved * log_ratio[self.group]
        n_groups = self.used.size
        return (
            group_sums(value, self.group, n_groups),
            group_sums(slope, self.group, n_groups),
        )

    def without(self, side: int) -> FloatArray:
        """Log-likelihood of each group when arm ``side``, without failures, adds nothing."""
        rest = self.rows.take(self.arm != side)
        fits = fit_weibull(rest, failed_share=_SHARE, prior=self.prior)
        # without a failure left a cell's likelihood rises to 1
        highest = np.where(rest.n_failed > 0, fits.log_likelihood, 0.0)
        return group_sums(highest, self.group, self.used.size)


def _profile(
    rows: Lifetimes, arm: IntArray, stratum: IntArray | None, prior: ShapePrior | None
) -> _Profile:
    informative = rows.informative
    rows, arm = rows.take(informative), arm[informative]
    keys = (rows.group,) if stratum is None else (rows.group, np.asarray(stratum)[informative])
    cell, first = cells_of(*keys)
    n_cells = first.size
    by_cell = Lifetimes(rows.low, rows.high, rows.entry, rows.weight, cell, n_cells)
    units = [np.bincount(cell[arm == side], minlength=n_cells) for side in (0, 1)]
    good = (units[0] > 0) & (units[1] > 0) & (by_cell.n_failed > 0)
    if prior is None:
        good &= fit_weibull(by_cell, failed_share=_SHARE).found
    chosen = np.flatnonzero(good)
    kept = good[cell]
    by_cell, arm = by_cell.take_groups(chosen), arm[kept]
    weight = by_cell.weight * by_cell.failed
    failed = tuple(
        group_sums(weight * (arm == side), by_cell.group, chosen.size) for side in (0, 1)
    )
    group = rows.group[first[chosen]]
    used = np.zeros(rows.n_groups, dtype=bool)
    used[group] = True
    rounding = weibull_likelihood(by_cell, _SHARE, prior).rounding
    return _Profile(
        by_cell,
        arm,
        prior,
        group,
        (failed[0], failed[1]),
        used,
        group_sums(rounding, group, rows.n_groups),
    )


def _rescaled(rows: Lifetimes, factor: FloatArray) -> Lifetimes:
    return Lifetimes(
        low=rows.low * factor,
        high=rows.high * factor,
        entry=rows.entry * factor,
        weight=rows.weight,
        group=rows.group,
        n_groups=rows.n_groups,
    )


def _highest(profile: _Profile, wanted: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Highest profile log-likelihood and ln ratio there; nan where not wanted."""
    n_groups = wanted.size
    low, high = np.full(n_groups, -_FARTHEST), np.full(n_groups, _FARTHEST)
    x = np.zeros(n_groups)
    value, slope = profile.at(x)
    step = np.where(slope > 0, 0.5, -0.5)
    for _ in range(_ROUNDS):
        low, high = np.where(slope > 0, x, low), np.where(slope > 0, high, x)
        wish = x + np.clip(step, -_STEP, _STEP)
        moved = np.where((wish > low) & (wish < high), wish, (low + high) / 2)
        settled = np.abs(moved - x) < _SETTLED
        if (settled | ~wanted).all():
            break
        moved = np.where(wanted, moved, x)
        value, moved_slope = profile.at(moved)
        with np.errstate(divide="ignore", invalid="ignore"):
            curve = (moved_slope - slope) / (moved - x)
            step = np.where(curve < 0, -moved_slope / curve, np.sign(moved_slope) * _STEP)
        step = np.where(moved == x, 0.0, step)
        x, slope = moved, moved_slope
    return np.where(wanted, value, np.nan), np.where(wanted, x, np.nan)


def _limit(profile: _Profile, top: FloatArray, centre: FloatArray, signed_aim: float) -> FloatArray:
    """Find the ln ratio at which the root of twice the drop is ``aim``; infinite: no limit."""
    side, aim = np.sign(signed_aim), abs(signed_aim)
    # an arm without failures bounds the ratio from one side only, and its search starts afar
    endless = centre == side * np.inf
    start = np.where(np.isfinite(centre), centre, -side * _FARTHEST)
    inner, outer = start.copy(), np.full(start.size, side * _FARTHEST * 2)
    wanted = np.isfinite(top) & ~endless
    x = np.where(np.isfinite(centre), start + side * 0.5, 0.0)
    for _ in range(_ROUNDS):
        value, slope = profile.at(x)
        with np.errstate(divide="ignore", invalid="ignore"):
            root = np.sqrt(2 * np.maximum(top - value, 0.0))
            step = (aim - root) * root / -slope
        inner = np.where(root < aim, x, inner)
        outer = np.where(root < aim, outer, x)
        beyond = np.abs(inner - start) > 2 * _FARTHEST - 1
        settled = np.abs(root - aim) < _SETTLED + profile.rounding / aim
        if (settled | ~wanted | beyond).all():
            break
        wish = x + np.clip(step, -_STEP * 2, _STEP * 2)
        good = np.isfinite(wish) & (side * (wish - inner) > 0) & (side * (outer - wish) > 0)
        x = np.where(wanted, np.where(good, wish, (inner + outer) / 2), 0.0)
    found = np.where(beyond, side * np.inf, x)
    return np.where(endless, side * np.inf, np.where(wanted, found, np.nan))
