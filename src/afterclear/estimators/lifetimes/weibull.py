"""Weibull fits of many groups at once, and the interval in which B10 or the shape lies.

Every fit is by maximum likelihood in (ln B, ln shape), where B is the age by which a given share
(10 % by default) has failed.  ``few_failures`` says which interval to show when.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from afterclear.estimators.arrays.ragged import group_sums
from afterclear.estimators.arrays.validation import BoolArray, FloatArray, check_fraction
from afterclear.estimators.lifetimes.lifetimes import Lifetimes
from afterclear.estimators.lifetimes.weibull_likelihood import (
    ShapePrior,
    Slopes,
    WeibullLikelihood,
    weibull_likelihood,
)

Quantity = Literal["life", "shape"]

_ROUNDS = 100  # a fit takes 5 to 10; what has not settled by then has no maximum
_SETTLED = 1e-20  # squared Newton step in units of its standard error, or of its own size
_START_SHAPE = 1.3
_SHAPE_LIMITS = (np.log(0.02), np.log(100))  # beyond: the likelihood rises without end
_FLAT = 100.0  # variance of ln life or ln shape from which on the top is a plain, not a peak
_STEP = 1.5  # longest step in ln B or ln shape
_STUCK = 1e12  # damping at which no step leads up
_WORTH_KEEPING = 0.7  # share of open groups below which the closed ones are set aside
_DAMPING = (1e-3, 1e-12)  # first, and so small that it is none


@dataclass(frozen=True, slots=True)
class WeibullFits:
    """Maximum likelihood fits, arrays of shape (n_groups,).

    nan in all but ``n_failed`` where no maximum exists: no failure, or too few to estimate a shape
    (such as one failure, older than every unit that did not fail).
    """

    failed_share: float
    prior: ShapePrior | None  # None: the data alone
    n_failed: FloatArray
    shape: FloatArray  # below 1 early failures, above 1 wear-out
    scale: FloatArray  # age by which 63.2 % have failed
    life: FloatArray  # age by which ``failed_share`` has failed: B10 for 0.1
    var_log_life: FloatArray
    var_log_shape: FloatArray
    cov_log: FloatArray  # between ln life and ln shape
    log_likelihood: FloatArray  # with the prior's term, if there is one

    @property
    def found(self) -> BoolArray:
        """Groups with a maximum."""
        return np.isfinite(self.shape)


@dataclass(frozen=True, slots=True)
class Limits:
    """Lower and upper limits, arrays of shape (n_groups,); nan where there is no fit."""

    low: FloatArray  # 0: the data set no lower limit
    high: FloatArray  # inf: the data set no upper limit


def fit_weibull(
    rows: Lifetimes, *, failed_share: float = 0.1, prior: ShapePrior | None = None
) -> WeibullFits:
    """Weibull fit of each group, with exact, interval- and right-censored and truncated rows.

    With a ``prior`` on the shape the fit is the posterior mode in (ln B, ln shape), which
    exists as soon as there is one failure.  Damped Newton steps for all groups together; the
    variances are those of the observed information.

    Reference: Meeker & Escobar 1998, Statistical Methods for Reliability Data, chapters 7, 8
    and 11 (from memory).

    """
    check_fraction("failed_share", failed_share)
    rows = rows.take(rows.informative)
    n_failed = rows.n_failed
    likelihood = weibull_likelihood(rows, failed_share, prior)
    u, v, slopes = _climb(likelihood, _start(rows, likelihood.log_hazard_scale), n_failed > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        variances = np.array((-slopes.vv, -slopes.uu, slopes.uv))
        variances /= slopes.uu * slopes.vv - slopes.uv**2
        peak = ((variances[:2] > 0) & (variances[:2] < _FLAT)).all(axis=0)
    u, v, value = (np.where(peak, array, np.nan) for array in (u, v, slopes.value))
    var_log_life, var_log_shape, cov_log = np.where(peak, variances, np.nan)
    return WeibullFits(
        failed_share=failed_share,
        prior=prior,
        n_failed=n_failed,
        shape=np.exp(v),
        scale=np.exp(u - likelihood.log_hazard_scale / np.exp(v)),
        life=np.exp(u),
        var_log_life=var_log_life,
        var_log_shape=var_log_shape,
        cov_log=cov_log,
        log_likelihood=value,
    )


def _start(rows: Lifetimes, log_hazard_scale: float) -> tuple[FloatArray, FloatArray]:
    """Where to begin: the shape 1.3 and the life it gives with failures at mid-interval."""
    middle = np.where(rows.failed, (rows.low + np.where(rows.failed, rows.high, 0)) / 2, rows.low)
    hazard = middle**_START_SHAPE
    entered = np.flatnonzero(rows.entry)
    hazard[entered] -= np.minimum(rows.entry, middle)[entered] ** _START_SHAPE
    total = group_sums(rows.weight * hazard, rows.group, rows.n_groups)
    with np.errstate(divide="ignore", invalid="ignore"):
        log_scale = np.log(total / rows.n_failed) / _START_SHAPE
    u = np.where(np.isfinite(log_scale), log_scale + log_hazard_scale / _START_SHAPE, 0.0)
    return u, np.full(rows.n_groups, np.log(_START_SHAPE))


def _climb(
    likelihood: WeibullLikelihood, start: tuple[FloatArray, FloatArray], wanted: BoolArray
) -> tuple[FloatArray, FloatArray, Slopes]:
    """Maximum of each wanted group, (u, v) and the slopes there; nan where there is none."""
    result = np.full((8, wanted.size), np.nan)
    number = np.flatnonzero(wanted)
    some = likelihood.take_groups(number)
    u, v = start[0][number], start[1][number]
    slopes = some.at(u, v)
    damping = np.full(number.size, _DAMPING[0])
    for _ in range(_ROUNDS):
        if number.size == 0:
            break
        du, dv, decrement = _damped_step(slopes, damping)
        trial = some.at(u + du, v + dv)
        better = trial.value >= slopes.value - some.rounding
        u, v = np.where(better, u + du, u), np.where(better, v + dv, v)
        slopes = _chosen(better, trial, slopes)
        damping = np.where(better, np.maximum(damping / 10, _DAMPING[1]), damping * 10)
        done = better & (decrement < _SETTLED)
        lost = (v < _SHAPE_LIMITS[0]) | (v > _SHAPE_LIMITS[1]) | (damping > _STUCK)
        result[:, number[done]] = np.array((u, v, *_fields(slopes)))[:, done]
        going = ~(done | lost)
        if going.mean() < _WORTH_KEEPING or not going.any():
            kept = np.flatnonzero(going)
            some = some.take_groups(kept)
            number, u, v, damping = number[kept], u[kept], v[kept], damping[kept]
            slopes = Slopes(*(field[kept] for field in _fields(slopes)))
    return result[0], result[1], Slopes(*result[2:])


def _damped_step(slopes: Slopes, damping: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Newton step bent uphill where the surface is not concave, and its squared length."""
    a, b, c = -slopes.uu, -slopes.uv, -slopes.vv
    lowest = (a + c) / 2 - np.sqrt(((a - c) / 2) ** 2 + b**2)
    size = np.abs(a) + np.abs(c) + 1e-300
    lift = damping * size + np.where(lowest < 1e-9 * size, 1e-6 * size - lowest, 0.0)
    a, c = a + lift, c + lift
    determinant = a * c - b**2
    du = (c * slopes.u - b * slopes.v) / determinant
    dv = (a * slopes.v - b * slopes.u) / determinant
    decrement = np.maximum(du * slopes.u + dv * slopes.v, 0.0)
    longest = np.maximum(np.maximum(np.abs(du), np.abs(dv)) / _STEP, 1.0)
    return du / longest, dv / longest, decrement


def _fields(slopes: Slopes) -> tuple[FloatArray, ...]:
    return slopes.value, slopes.u, slopes.v, slopes.uu, slopes.uv, slopes.vv


def _chosen(better: BoolArray, one: Slopes, other: Slopes) -> Slopes:
    pairs = zip(_fields(one), _fields(other), strict=True)
    return Slopes(*(np.where(better, first, second) for first, second in pairs))
