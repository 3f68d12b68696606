"""How long a part lasts, for any number of failures: one rule for 0, 1 to 9, 10 and more.

| failures  | method     | what is given                                              |
|-----------|------------|------------------------------------------------------------|
| 0         | bound      | the life that is exceeded with the given confidence        |
| 1 to 9    | prior      | posterior median and limits, shape log-normal beforehand   |
| 10 and up | likelihood | maximum likelihood with likelihood ratio limits            |

At two expected failures a third of parts have no maximum likelihood fit at all and the rest
are a selection; the prior answers from one failure on.
"""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy import special

from afterclear.estimators.arrays.ragged import group_sums
from afterclear.estimators.arrays.validation import (
    FloatArray,
    IntArray,
    check_fraction,
    check_positive,
)
from afterclear.estimators.lifetimes.lifetimes import Lifetimes
from afterclear.estimators.lifetimes.weibull import Limits, WeibullFits, fit_weibull
from afterclear.estimators.lifetimes.weibull_likelihood import DEFAULT_PRIOR, ShapePrior
from afterclear.estimators.lifetimes.weibull_limits import likelihood_ratio_limits

StrArray: TypeAlias = NDArray[np.str_]

ENOUGH_FAILURES = 10  # from here on the data alone
_ENOUGH_SHAPES = 20  # well-observed parts of one class before their shapes replace the prior
# the posterior's grid: ln shape in prior standard deviations, ln life around a first guess,
# fine there and ever coarser outwards: a step of _STEP in s, where ln life = 2 sinh(s / 2)
_SHAPES = np.linspace(-5.0, 5.0, 51)
_STEP = 0.05
_S = np.arange(-120, 151, dtype=np.float64) * _STEP
_LIVES = 2 * np.sinh(_S / 2)
_LOG_HAZARD_END = 600.0  # a hazard beyond has no density left, and exp has no room
_CHUNK = 128  # groups at a time: 14 MB of grid
_EDGE = 1e-3  # density at the grid's end, of the highest, from which on the data place nothing


@dataclass(frozen=True, slots=True)
class LifeEstimates:
    """Life and shape of each group, arrays of shape (n_groups,).

    ``method`` is "none" for a group without observations; nan means "not known".
    """

    failed_share: float
    conf_level: float
    method: StrArray  # none | bound | prior | likelihood
    n_failed: FloatArray
    life: FloatArray  # age by which failed_share has failed; nan for a bound
    life_low: FloatArray
    life_high: FloatArray  # inf: no upper limit
    shape: FloatArray
    shape_low: FloatArray
    shape_high: FloatArray

    @property
    def pattern(self) -> StrArray:
        """Return wear_out or early if the whole interval is on one side of 1, otherwise unclear."""
        wear_out, early = self.shape_low > 1, self.shape_high < 1
        return np.where(wear_out, "wear_out", np.where(early, "early", "unclear"))


@dataclass(frozen=True, slots=True)
class Posterior:
    """Posterior medians with limits, arrays of shape (n_groups,); nan: not placed."""

    life: FloatArray
    life_limits: Limits
    shape: FloatArray
    shape_limits: Limits


def part_life(
    rows: Lifetimes,
    *,
    failed_share: float = 0.1,
    prior: ShapePrior = DEFAULT_PRIOR,
    conf_level: float = 0.9,
) -> LifeEstimates:
    """Life by which ``failed_share`` has failed, by the rule at the head of this module.

    ``prior``: of the shape.  The bound of a group without failures rests on the prior's median
    shape; its interval [low, inf) has the whole confidence.  Below 10 failures no lower limit
    exceeds the age of the oldest part: beyond it, only the prior's shape would count (of 1000 young
    parts without a failure it promised 10 times their age; of 150 with 1 to 3 failures and a true
    shape of 3 its 90 % limits held the life in 60 of 100, so in 100).
    """
    check_fraction("conf_level", conf_level)
    rows = rows.take(rows.informative)
    n_failed = rows.n_failed
    n_rows = np.bincount(rows.group, minlength=rows.n_groups)
    result = np.full((6, rows.n_groups), np.nan)
    method = np.where(n_rows > 0, "bound", "none").astype("<U10")

    bound = np.flatnonzero((n_rows > 0) & (n_failed == 0))
    low = weibayes_bound(rows.take_groups(bound), prior.median, conf_level=conf_level)
    oldest = np.zeros(rows.n_groups)
    np.maximum.at(oldest, rows.group, rows.low)
    low = low * (-np.log1p(-failed_share)) ** (1 / prior.median)
    result[1, bound] = np.minimum(low, oldest[bound])
    result[2, bound] = np.inf

    many = np.flatnonzero(n_failed >= ENOUGH_FAILURES)
    own = rows.take_groups(many)
    fits = fit_weibull(own, failed_share=failed_share)
    life = likelihood_ratio_limits(own, fits, "life", conf_level=conf_level)
    shape = likelihood_ratio_limits(own, fits, "shape", conf_level=conf_level)
    columns = (fits.life, life.low, life.high, fits.shape, shape.low, shape.high)
    result[:, many] = np.array(columns)
    method[many[fits.found]] = "likelihood"

    few = np.flatnonzero((n_failed > 0) & (method != "likelihood"))
    posterior = life_posterior(
        rows.take_groups(few), failed_share=failed_share, prior=prior, conf_level=conf_level
    )
    result[:, few] = _columns(posterior)
    result[1, few] = np.minimum(result[1, few], oldest[few])
    method[few] = "prior"
    return LifeEstimates(failed_share, conf_level, method, n_failed, *result)


def weibayes(rows: Lifetimes, shape: float) -> FloatArray:
    """Scale of each group for a known shape: ``(sum t ** shape / r) ** (1 / shape)``.

    inf where nothing failed.  A row failed between two ages counts as failed at the first.
    Reference: Abernethy 2006, The New Weibull Handbook, chapter 6 (from memory).
    """
    return _scale(rows, shape, rows.n_failed)


def weibayes_bound(rows: Lifetimes, shape: float, *, conf_level: float = 0.9) -> FloatArray:
    """Lower confidence bound of the scale for a known shape; failures may be none.

    ``(2 sum t ** shape / chi2(conf_level; 2 r + 2)) ** (1 / shape)``.
    """
    check_fraction("conf_level", conf_level)
    return _scale(rows, shape, special.chdtri(2 * rows.n_failed + 2, 1 - conf_level) / 2)


def life_posterior(
    rows: Lifetimes, *, failed_share: float, prior: ShapePrior, conf_level: float
) -> Posterior:
    """Posterior of each group's life and shape: shape log-normal, ln life flat beforehand.

    On a grid of ln shape (0.2 prior standard deviations a step) by ln life (0.05 a step near
    a first guess, which is a tenth or less of what the posterior spreads); sums over it are
    trapezoids of smooth curves that end in 0.  nan where a density does not end in 0: every
    failure left open down to age 0, say.
    """
    check_fraction("failed_share", failed_share)
    levels = np.array([0.5, (1 - conf_level) / 2, (1 + conf_level) / 2])
    life = np.full((3, rows.n_groups), np.nan)
    shape = np.full((3, rows.n_groups), np.nan)
    log_shape = float(np.log(prior.median)) + prior.sd_log * _SHAPES
    hazard_scale = -np.log1p(-failed_share)
    guess = _first_guess(rows, prior.median, hazard_scale)
    usable = np.flatnonzero(np.isfinite(guess))
    for start in range(0, usable.size, _CHUNK):
        number = usable[start : start + _CHUNK]
        own = _scaled(rows.take_groups(number), guess[number])
        density = _density(own, np.exp(log_shape), hazard_scale)
        life[:, number] = _quantiles(density.sum(axis=1), _S, levels)
        shape[:, number] = _quantiles(
            density.sum(axis=2), np.asarray(log_shape, dtype=np.float64), levels
        )
    life, shape = np.exp(2 * np.sinh(life / 2) + guess), np.exp(shape)
    return Posterior(life[0], Limits(life[1], life[2]), shape[0], Limits(shape[1], shape[2]))


def prior_from_fits(*fits: WeibullFits) -> ShapePrior:
    """Shapes of well-observed parts of one class as the prior for its other parts.

    The default prior where fewer than 20 groups have 10 failures.  The spread is that of the
    true shapes, the estimates' own sampling variance taken off, but never less than the default's,
    and the median lies halfway to the default's: a part that fails otherwise than its class has
    few failures too.  Of parts of shape 1.2 with 1 to 3 failures in a class of shape 2, 90 % limits
    of B10 covered 43 % with the class's own spread of .1, 82 % with .5, and 90 % so (900
    simulated parts a cell); of parts of the class's shape 96 %.
    """
    good = [some.found & (some.n_failed >= ENOUGH_FAILURES) for some in fits]
    if sum(own.sum() for own in good) < _ENOUGH_SHAPES:
        return DEFAULT_PRIOR
    pairs = list(zip(fits, good, strict=True))
    log_shape = np.log(np.concatenate([some.shape[own] for some, own in pairs]))
    variance = np.concatenate([some.var_log_shape[own] for some, own in pairs])
    spread = log_shape.var(ddof=1) - variance.mean()
    sd_log = float(np.sqrt(max(spread, DEFAULT_PRIOR.sd_log**2)))
    median = float(np.sqrt(np.exp(log_shape.mean()) * DEFAULT_PRIOR.median))
    return ShapePrior(median=median, sd_log=sd_log)


def _scale(rows: Lifetimes, shape: float, divisor: FloatArray) -> FloatArray:
    check_positive("shape", np.array([shape]))
    exposure = rows.low**shape - rows.entry**shape
    total = group_sums(rows.weight * exposure, rows.group, rows.n_groups)
    with np.errstate(divide="ignore"):
        return np.asarray((total / divisor) ** (1 / shape))


def _columns(posterior: Posterior) -> FloatArray:
    life, shape = posterior.life_limits, posterior.shape_limits
    return np.array((posterior.life, life.low, life.high, posterior.shape, shape.low, shape.high))


def _first_guess(rows: Lifetimes, shape: float, hazard_scale: float) -> FloatArray:
    """Logarithm of the life for a known shape, failures at the middle of their interval."""
    middle = np.where(rows.failed, (rows.low + np.where(rows.failed, rows.high, 0)) / 2, rows.low)
    at_middle = Lifetimes(middle, rows.high, rows.entry, rows.weight, rows.group, rows.n_groups)
    return np.asarray(np.log(weibayes(at_middle, shape)) + np.log(hazard_scale) / shape)


def _scaled(rows: Lifetimes, log_unit: FloatArray) -> Lifetimes:
    """Rows with their ages in units of each group's first guess."""
    unit = np.exp(log_unit)[rows.group]
    return Lifetimes(
        rows.low / unit, rows.high / unit, rows.entry / unit, rows.weight, rows.group, rows.n_groups
    )


def _density(rows: Lifetimes, shape: FloatArray, hazard_scale: float) -> FloatArray:
    """Posterior on the grid, (n_groups, n_shapes, n_lives), highest value 1 in each group."""
    between = rows.failed & ~rows.exact
    exact = rows.exact
    power = rows.low[:, None] ** shape - rows.entry[:, None] ** shape
    exposure = _sums_by_shape(rows.weight[:, None] * power, rows.group, rows.n_groups)
    n_exact = group_sums(rows.weight[exact], rows.group[exact], rows.n_groups)
    log_ages = group_sums(
        rows.weight[exact] * np.log(rows.low[exact]), rows.group[exact], rows.n_groups
    )
    # hazard of one unit of age ** shape, at each life
    log_hazard = np.log(hazard_scale) - shape[:, None] * _LIVES
    hazard = np.exp(np.minimum(log_hazard, _LOG_HAZARD_END))
    density = n_exact[:, None, None] * (np.log(shape)[:, None] + log_hazard)
    density += (log_ages[:, None] * shape - _SHAPES**2 / 2)[:, :, None]
    density -= exposure[:, :, None] * hazard
    for row in np.flatnonzero(between):
        gone = rows.high[row] ** shape - rows.low[row] ** shape
        log_failed = np.log(-np.expm1(-np.maximum(gone[:, None] * hazard, 1e-300)))
        density[rows.group[row]] += rows.weight[row] * log_failed
    density += np.log(np.cosh(_S / 2))  # a step in s is so much longer in ln life
    density -= density.max(axis=(1, 2), keepdims=True)
    return np.asarray(np.exp(density, out=density))


def _sums_by_shape(values: FloatArray, group: IntArray, n_groups: int) -> FloatArray:
    columns = [group_sums(column, group, n_groups) for column in values.T]
    return np.array(columns).T


def _quantiles(density: FloatArray, grid: FloatArray, levels: FloatArray) -> FloatArray:
    """Where each density, (n_groups, n_grid), has the levels below it: (n_levels, n_groups).

    Between two points of the even grid the share below is the cubic that has the density as
    its slope at both.
    """
    step = grid[1] - grid[0]
    total = density.sum(axis=1, keepdims=True) * step
    slope = density / total
    bend = np.gradient(slope, step, axis=1)
    # trapezoids with the end correction of Euler and Maclaurin
    below = (np.cumsum(slope, axis=1) - slope / 2) * step - bend * step**2 / 12
    placed = np.maximum(density[:, 0], density[:, -1]) < _EDGE * density.max(axis=1)
    rows = np.arange(density.shape[0])
    found = np.full((levels.size, rows.size), np.nan)
    for number, level in enumerate(levels):
        left = np.clip((below <= level).sum(axis=1) - 1, 0, grid.size - 2)
        start, end = below[rows, left], below[rows, left + 1]
        part = _hermite_inverse(
            (level - start) / (end - start),
            step * slope[rows, left] / (end - start),
            step * slope[rows, left + 1] / (end - start),
        )
        found[number, placed] = (grid[left] + step * part)[placed]
    return found


def _hermite_inverse(level: FloatArray, first: FloatArray, last: FloatArray) -> FloatArray:
    """Where the cubic from (0, 0) to (1, 1) with slopes ``first`` and ``last`` has a level."""
    bend, twist = 3 - 2 * first - last, first + last - 2
    low, high = np.zeros_like(level), np.ones_like(level)
    for _ in range(50):  # halving: 50 of them reach the last bit
        middle = (low + high) / 2
        above = middle * (first + middle * (bend + middle * twist)) > level
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return (low + high) / 2
