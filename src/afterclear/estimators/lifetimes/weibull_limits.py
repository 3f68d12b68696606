"""Likelihood ratio limits of a Weibull fit's B10 or shape, for many groups at once.

The limit is where twice the drop of the profile log-likelihood equals the chi-square quantile.
Unlike limits made from a standard error they are lopsided where the data are, and may be
infinite on one side, which is then the honest answer.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from afterclear.estimators.arrays.validation import BoolArray, FloatArray, IntArray, check_fraction
from afterclear.estimators.lifetimes.lifetimes import Lifetimes
from afterclear.estimators.lifetimes.weibull import Limits, Quantity, WeibullFits
from afterclear.estimators.lifetimes.weibull_likelihood import WeibullLikelihood, weibull_likelihood

_ROUNDS = 200
_SETTLED = 1e-10  # of the root of twice the drop, whose aim is about 2
_INNER_NEAR = 1e-2  # squared Newton step in the other parameter below which both move together
_INNER_SURE = 1e-8
_INNER_SETTLED = 1e-12
_CLOSE = 0.1
_WORTH_DROPPING = 0.3  # share of finished groups from which on they are set aside
# ln units from the estimate at which a limit counts as none: factors of 7e10 and 1000
_FARTHEST = {"life": 25.0, "shape": 7.0}
# longest step of the other parameter and how far from the estimate it may go, in its units
_OTHER_STEP = 2.0
_OTHER_WITHIN = {"life": 9.0, "shape": 60.0}


@dataclass(slots=True)
class _Search:
    """One side's search, arrays of shape (n_open,); x is the parameter sought, y the other."""

    number: IntArray  # which group
    x: FloatArray
    y: FloatArray
    inner: FloatArray  # farthest x known to be inside the limit
    outer: FloatArray  # nearest x known to be outside; infinite: none yet

    def keep(self, rows: IntArray) -> None:
        """Forget the groups that are done."""
        for name in ("number", "x", "y", "inner", "outer"):
            setattr(self, name, getattr(self, name)[rows])


@dataclass(frozen=True, slots=True)
class _Profile:
    """The log-likelihood seen from the parameter sought."""

    likelihood: WeibullLikelihood
    quantity: Quantity  # life: x is ln life and y ln shape; shape: the other way round

    def at(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, ...]:
        """Value, slope by x, slope by y, curvature by y, and the mixed one."""
        if self.quantity == "life":
            slopes = self.likelihood.at(x, y)
            return slopes.value, slopes.u, slopes.v, slopes.vv, slopes.uv
        slopes = self.likelihood.at(y, x)
        return slopes.value, slopes.v, slopes.u, slopes.uu, slopes.uv

    def other_unit(self, x: FloatArray) -> FloatArray:
        """Length of one step of y: ages spread by 1 / shape when the shape is x."""
        if self.quantity == "life":
            return np.ones_like(x)
        return np.exp(-x)


def likelihood_ratio_limits(
    rows: Lifetimes, fits: WeibullFits, quantity: Quantity = "life", *, conf_level: float = 0.95
) -> Limits:
    """Limits ``{x: 2 (l_max - max_y l(x, y)) <= chi2_1(conf_level)}``, each (n_groups,).

    ``rows`` must be those that gave ``fits``.  A limit of the life farther than a factor of
    7e10 from the estimate, or of the shape farther than 1000, is given as 0 or inf.  Both
    parameters are stepped together, the other one towards its best value for the x at hand
    (Venzon & Moolgavkar 1988, Appl. Stat. 37, 87), inside a bracket that only shrinks.
    """
    check_fraction("conf_level", conf_level)
    rows = rows.take(rows.informative)
    likelihood = weibull_likelihood(rows, fits.failed_share, fits.prior)
    number = np.flatnonzero(fits.found)
    profile = _Profile(likelihood.take_groups(number), quantity)
    aim = float(np.sqrt(special.chdtri(1, 1 - conf_level)))
    estimate = fits.life if quantity == "life" else fits.shape
    sides = []
    for side in (-1.0, 1.0):
        found = np.full(fits.n_failed.size, np.nan)
        found[number] = _limit(profile, fits, number, side * aim)
        sides.append(estimate * np.exp(found))
    return Limits(*sides)


def _limit(profile: _Profile, fits: WeibullFits, number: IntArray, signed_aim: float) -> FloatArray:
    """Distance of the limit from the estimate, in ln units; infinite: no limit."""
    side, aim = np.sign(signed_aim), abs(signed_aim)
    log_life, log_shape = np.log(fits.life[number]), np.log(fits.shape[number])
    life = profile.quantity == "life"
    centre, other = (log_life, log_shape) if life else (log_shape, log_life)
    variance = (fits.var_log_life if life else fits.var_log_shape)[number]
    search = _Search(
        number=np.arange(number.size),
        x=centre + side * np.minimum(aim * np.sqrt(variance), 3.0),
        y=other + side * fits.cov_log[number] / variance * np.minimum(aim * variance**0.5, 3.0),
        inner=centre.copy(),
        outer=np.full(number.size, side * np.inf),
    )
    top = fits.log_likelihood[number]
    found = np.full(number.size, np.nan)
    for _ in range(_ROUNDS):
        if search.x.size == 0:
            break
        done = _advance(profile, search, top[search.number], side, aim)
        middle = other[search.number]
        within = _OTHER_WITHIN[profile.quantity] * profile.other_unit(search.x)
        search.y = np.clip(search.y, middle - within, middle + within)
        far = np.abs(search.inner - centre[search.number]) > _FARTHEST[profile.quantity]
        found[search.number[done]] = search.x[done] - centre[search.number[done]]
        found[search.number[far & ~done]] = side * np.inf
        finished = done | far
        if finished.mean() > _WORTH_DROPPING or finished.all():
            kept = np.flatnonzero(~finished)
            profile = replace(profile, likelihood=profile.likelihood.take_groups(kept))
            search.keep(kept)
    return found


def _advance(
    profile: _Profile, search: _Search, top: FloatArray, side: float, aim: float
) -> BoolArray:
    """One step of every open group towards its limit; True where it has arrived."""
    value, slope_x, slope_y, curve, mixed = profile.at(search.x, search.y)
    unit = profile.other_unit(search.x)
    concave = curve < 0
    with np.errstate(divide="ignore", invalid="ignore"):
        inner_step = np.where(concave, -slope_y / curve, 0.5 * unit * np.sign(slope_y))
        decrement = np.where(concave, -(slope_y**2) / curve, np.inf)
        near = decrement < _INNER_NEAR
        # what the profile will be once y is at its best, to second order
        drop = np.maximum(top - value - np.where(near, decrement, 0.0) / 2, 0.0)
        root = np.sqrt(2 * drop)
        settled = np.abs(root - aim) < _SETTLED + profile.likelihood.rounding / aim
        done = near & settled & (decrement < _INNER_SETTLED)
        slope = -slope_x - np.where(near, mixed * inner_step, 0.0)
        outer_step = (aim - root) * root / slope
    # close to the aim the side is known only once y has settled; otherwise the bracket could lose
    # the limit
    sure = near & ((decrement < _INNER_SURE) | (np.abs(root - aim) > _CLOSE))
    inside, outside = sure & (root < aim), sure & (root >= aim)
    search.inner = np.where(inside, search.x, search.inner)
    search.outer = np.where(outside, search.x, search.outer)
    target = _within_bracket(search, search.x + outer_step, side)
    moved = np.where(near & ~done, target - search.x, 0.0)
    tilt = np.where(concave, -mixed / np.where(concave, curve, -1.0), 0.0) * moved
    step = np.clip((inner_step + tilt) / unit, -_OTHER_STEP, _OTHER_STEP) * unit
    search.y = np.where(done, search.y, search.y + step)
    search.x = np.where(done, search.x, search.x + moved)
    return np.asarray(done)


def _within_bracket(search: _Search, wish: FloatArray, side: float) -> FloatArray:
    """Keep the wished-for x if it lies between inner and outer, otherwise take one that does."""
    open_ended = ~np.isfinite(search.outer)
    # with no outer bound yet, go at most as far again as the inner one already lies, plus 1
    reach = search.inner + side * 4.0
    outer = np.where(open_ended, reach, search.outer)
    good = np.isfinite(wish) & (side * (wish - search.inner) > 0) & (side * (outer - wish) > 0)
    middle = np.where(open_ended, reach, (search.inner + outer) / 2)
    return np.where(good, wish, middle)
