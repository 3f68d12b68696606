"""Rates per km from sporadic scans, their intervals and tests, shrinkage towards peers.

Distances may be on any clock (km, days, hours); a rate is per unit of it.  Counts are of
separate episodes, never of scans: several dirty scans in a row are one.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special

from afterclear.estimators.arrays.counts import poisson_chance
from afterclear.estimators.arrays.validation import (
    FloatArray,
    IntArray,
    as_floats,
    as_groups,
    check_finite,
    check_fraction,
    check_non_negative,
    check_positive,
    check_same_shape,
)

_NEWTON_STEPS = 200  # a handful is usual; one more for each factor of e that clean km is short
_RELATIVE_STEP = 1e-13
_HALVINGS = 60  # of an interval inside (0, 1): down to rounding error

# Above this a the spread between units is under 1 % of the rate: they are as good as alike.
_NO_SPREAD_A = 1e4


@dataclass(frozen=True, slots=True)
class OnsetRates:
    """Rate of onsets of each group, shape (n_groups,)."""

    rate_per_km: FloatArray  # 0: no onset seen; inf: no clean stretch seen; NaN: neither
    log_se: FloatArray  # of ln(rate), from observed information; NaN where there is no rate
    n_onsets: IntArray
    exposure_km: FloatArray  # km at risk equivalent to the rate, n_onsets / rate; clean km without


def onset_rates(group: ArrayLike, dirty_km: ArrayLike, clean_km: ArrayLike) -> OnsetRates:
    """Rate of onsets from pairs of a clean scan and the next scan of the same control unit.

    ``group``: code of each pair whose second scan was dirty, shape (n_dirty,).  ``dirty_km``:
    distance between its scans, shape (n_dirty,).  ``clean_km``: per group, the distances of the
    pairs whose second scan was clean, added up, shape (n_groups,).  Onsets at rate r leave a
    pair dirty with probability 1 - exp(-r km): a binomial model with complementary log-log link
    and offset ln(km).  Its likelihood equation per group,

        sum over dirty pairs of km / (e^(r km) - 1) = clean km

    is solved by Newton's method from n / (clean km + half of the dirty km), which is never
    above the solution; the left side is convex, so each step stays below and nears it.  Plain
    onsets per km are too low by (1 - e^(-r km)) / (r km).
    """
    codes = as_groups("group", group)
    dirty, clean = as_floats("dirty_km", dirty_km), as_floats("clean_km", clean_km)
    check_same_shape(group=codes, dirty_km=dirty)
    check_finite("dirty_km", dirty)
    check_positive("dirty_km", dirty)
    check_finite("clean_km", clean)
    check_non_negative("clean_km", clean)
    if codes.max(initial=-1) >= clean.size:
        raise ValueError(f"group goes up to {codes.max()}, but clean_km has {clean.size} groups")
    n_onsets = np.bincount(codes, minlength=clean.size)
    with np.errstate(divide="ignore", invalid="ignore"):  # 0 / 0: neither onset nor clean km
        rate = np.where(clean > 0, _solved(codes, dirty, clean, n_onsets), n_onsets / clean)
        exposure = np.where(n_onsets > 0, n_onsets / rate, clean)
        # without a clean km the onset lay anywhere in its stretch: half of it on average
        exposure = np.where(np.isinf(rate), _sum_by(codes, dirty, clean.size) / 2, exposure)
    known = (n_onsets > 0) & (clean > 0)
    information = _sum_by(
        codes, _information(np.where(known, rate, 1.0)[codes] * dirty), clean.size
    )
    log_se = np.where(known, 1 / np.sqrt(np.where(known, information, 1.0)), np.nan)
    return OnsetRates(rate, log_se, n_onsets, exposure)


def _solved(
    codes: IntArray, dirty: FloatArray, clean: FloatArray, n_onsets: IntArray
) -> FloatArray:
    at_half = clean + _sum_by(codes, dirty, clean.size) / 2
    rate = np.where(at_half > 0, n_onsets / np.where(at_half > 0, at_half, 1.0), 0.0)
    active = (n_onsets > 0) & (clean > 0)
    for _ in range(_NEWTON_STEPS):
        # one unit of rate away from 0, groups without onsets stay out of the way
        x = np.where(active, rate, 1.0)[codes] * dirty
        seen = np.exp(-x) / -np.expm1(-x)  # 1 / (e^x - 1), no overflow
        excess = _sum_by(codes, dirty * seen, clean.size) - clean
        slope = _sum_by(codes, dirty**2 * seen / -np.expm1(-x), clean.size)
        step = np.where(active, excess / np.where(active, slope, 1.0), 0.0)
        rate = rate + step
        if np.all(np.abs(step) <= _RELATIVE_STEP * rate):
            break
    return rate


def _sum_by(codes: IntArray, values: FloatArray, n_groups: int) -> FloatArray:
    return np.bincount(codes, weights=values, minlength=n_groups).astype(np.float64)


def _information(x: FloatArray) -> FloatArray:
    """Observed information of a dirty pair about ln(rate): x^2 e^x / (e^x - 1)^2, x = rate km."""
    found: FloatArray = x**2 * np.exp(-x) / np.expm1(-x) ** 2
    return found


def exact_poisson_interval(
    count: ArrayLike, conf_level: float = 0.95
) -> tuple[FloatArray, FloatArray]:
    """Exact central interval of a Poisson mean, shape (n,) each (Garwood 1936, Biometrika 28)."""
    counts = as_floats("count", count)
    check_non_negative("count", counts)
    check_fraction("conf_level", conf_level)
    tail = (1 - conf_level) / 2
    low = np.where(counts > 0, special.gammaincinv(np.maximum(counts, 1), tail), 0.0)
    high = special.gammainccinv(counts + 1, tail)
    return np.asarray(low, dtype=np.float64), np.asarray(high, dtype=np.float64)


def poisson_excess_p(count: ArrayLike, expected: ArrayLike, *, mid_p: bool = True) -> FloatArray:
    """P(as many as ``count`` or more) where ``expected`` are expected, shape (n,).

    ``mid_p``: the count itself goes in with half its probability.  The exact value is for published
    claims: it never errs more often than stated, and mostly less.  The mid-p one is for screening:
    right on average, at some expected counts somewhat too eager.
    """
    counts, means = as_floats("count", count), as_floats("expected", expected)
    check_same_shape(count=counts, expected=means)
    check_non_negative("count", counts)
    check_non_negative("expected", means)
    above = np.where(counts > 0, special.gammainc(np.maximum(counts, 1), means), 1.0)
    half = poisson_chance(counts, means) / 2 if mid_p else 0.0
    return np.asarray(above - half, dtype=np.float64)


def exact_share_interval(
    count: ArrayLike, total: ArrayLike, conf_level: float = 0.95
) -> tuple[FloatArray, FloatArray]:
    """Exact central interval of a share, shape (n,) each; nan where ``total`` is 0.

    Reference: Clopper & Pearson 1934, Biometrika 26, 404 (from memory).
    """
    counts, totals = as_floats("count", count), as_floats("total", total)
    check_same_shape(count=counts, total=totals)
    check_non_negative("count", counts)
    check_non_negative("total - count", totals - counts)
    check_fraction("conf_level", conf_level)
    low, high = _binomial_interval(counts, totals, (1 - conf_level) / 2, mid_p=False)
    some = totals > 0
    return np.where(some, low, np.nan), np.where(some, high, np.nan)


@dataclass(frozen=True, slots=True)
class RateRatios:
    """Ratios of two rates with a central interval, shape (n,)."""

    ratio: FloatArray  # inf: none in the second; NaN: none in either
    low: FloatArray
    high: FloatArray
    p_excess: FloatArray  # one-sided: of a first count as high or higher at equal rates


def rate_ratios(
    counts: tuple[ArrayLike, ArrayLike],
    exposures: tuple[ArrayLike, ArrayLike],
    *,
    conf_level: float = 0.95,
    mid_p: bool = False,
) -> RateRatios:
    """Compare pairs of rates by the conditional test: first count of all ~ binomial.

    ``counts``, ``exposures``: of the first and the second rate, shape (n,) each.  Given their
    sum n the first count is Bin(n, r t1 / (r t1 + t2)), r the ratio of rates; its interval is
    the exact (Clopper-Pearson) or mid-p one, brought back to r.
    """
    first, second = (as_floats("count", count) for count in counts)
    t_first, t_second = (as_floats("exposure", exposure) for exposure in exposures)
    check_same_shape(counts_1=first, counts_2=second, exposures_1=t_first, exposures_2=t_second)
    for name, values in (("count", first), ("count", second)):
        check_non_negative(name, values)
    for name, values in (("exposure", t_first), ("exposure", t_second)):
        check_positive(name, values)
    check_fraction("conf_level", conf_level)
    total = first + second
    low, high = _binomial_interval(first, total, (1 - conf_level) / 2, mid_p=mid_p)
    even = t_first / (t_first + t_second)
    above = np.where(first > 0, special.betainc(np.maximum(first, 1), second + 1, even), 1.0)
    half = _binomial_pmf(first, total, even) / 2 if mid_p else 0.0
    scale = t_second / t_first
    with np.errstate(divide="ignore", invalid="ignore"):
        return RateRatios(
            ratio=first / second * scale,
            low=low / (1 - low) * scale,
            high=high / (1 - high) * scale,
            p_excess=np.asarray(above - half, dtype=np.float64),
        )


def _binomial_interval(
    count: FloatArray, total: FloatArray, tail: float, *, mid_p: bool
) -> tuple[FloatArray, FloatArray]:
    misses = total - count
    low = np.where(count > 0, special.betaincinv(np.maximum(count, 1), misses + 1, tail), 0.0)
    high = np.where(misses > 0, special.betainccinv(count + 1, np.maximum(misses, 1), tail), 1.0)
    if not mid_p:
        return low, high
    # the mid-p limits lie inside the exact ones; at 0 and n the outer limit stays where it is
    mid_low = _halved(lambda p: tail - _mid_above(count, total, p), low, high)
    mid_high = _halved(lambda p: (1 - tail) - _mid_above(count, total, p), low, high)
    return np.where(count > 0, mid_low, 0.0), np.where(misses > 0, mid_high, 1.0)


def _mid_above(count: FloatArray, total: FloatArray, p: FloatArray) -> FloatArray:
    above = np.where(count > 0, special.betainc(np.maximum(count, 1), total - count + 1, p), 1.0)
    return np.asarray(above - _binomial_pmf(count, total, p) / 2, dtype=np.float64)


def _binomial_pmf(count: FloatArray, total: FloatArray, p: FloatArray) -> FloatArray:
    log_choices = (
        special.gammaln(total + 1) - special.gammaln(count + 1) - special.gammaln(total - count + 1)
    )
    log_p = special.xlogy(count, p) + special.xlog1py(total - count, -p)
    return np.asarray(np.exp(log_choices + log_p), dtype=np.float64)


def _halved(
    falling: Callable[[FloatArray], FloatArray], low: FloatArray, high: FloatArray
) -> FloatArray:
    """Where a falling function crosses 0 between low and high, by halving."""
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        is_before = falling(middle) > 0
        low, high = np.where(is_before, middle, low), np.where(is_before, high, middle)
    return (low + high) / 2


@dataclass(frozen=True, slots=True)
class ShrunkenRates:
    """Rates of units drawn towards those of their peers.

    Unit i has its own rate, drawn from Gamma(a, b); after ``count`` in ``exposure`` it is
    Gamma(a + count, b + exposure).  Without a spread between units, ``a`` and ``b`` are inf and
    each unit has the pooled rate.
    """

    a: float
    b: float
    pooled_rate: float  # all counts over all exposures
    log_likelihood: float  # of the counts, marginal over the rates
    count: FloatArray
    exposure: FloatArray

    @property
    def has_spread(self) -> bool:
        """Whether units differ by more than chance."""
        return bool(np.isfinite(self.a))

    def mean(self) -> FloatArray:
        """Posterior mean of each unit's rate, shape (n,)."""
        if not self.has_spread:
            return np.full(self.count.size, self.pooled_rate)
        return (self.a + self.count) / (self.b + self.exposure)

    def quantile(self, level: float) -> FloatArray:
        """Quantile of each unit's posterior, shape (n,)."""
        check_fraction("level", level)
        if not self.has_spread:
            return np.full(self.count.size, self.pooled_rate)
        rate = special.gammaincinv(self.a + self.count, level) / (self.b + self.exposure)
        return np.asarray(rate, dtype=np.float64)

    def p_above(self, rate: ArrayLike) -> FloatArray:
        """P(the unit's rate is above ``rate``), shape (n,); ``rate`` one for all or (n,)."""
        limit = as_floats("rate", rate)
        if not self.has_spread:
            return np.broadcast_to(self.pooled_rate > limit, self.count.shape).astype(np.float64)
        above = special.gammaincc(self.a + self.count, limit * (self.b + self.exposure))
        return np.asarray(above, dtype=np.float64)


def shrunken_rates(
    count: ArrayLike, exposure: ArrayLike, weight: ArrayLike | None = None
) -> ShrunkenRates:
    """Fit the spread of rates over units by marginal likelihood (gamma-Poisson).

    ``count``: events, shape (n,).  ``exposure``: km at risk, shape (n,); units with none get the
    prior.  ``weight``: how many equal units a row represents, shape (n,); one without it. The
    counts are negative binomial; a, b maximise their likelihood (Gaver and O'Muircheartaigh 1987,
    Technometrics 29(1), 1-15).  With sporadic scans pass the ``exposure_km`` of ``onset_rates``.
    """
    counts, km = as_floats("count", count), as_floats("exposure", exposure)
    units = np.ones_like(counts) if weight is None else as_floats("weight", weight)
    check_same_shape(count=counts, exposure=km, weight=units)
    check_finite("weight", units)
    check_positive("weight", units)
    check_non_negative("count", counts)
    check_finite("count", counts)
    check_non_negative("exposure", km)
    check_finite("exposure", km)
    if not km.sum() > 0:
        raise ValueError("exposure must be more than 0 in some unit, but is 0 in all")
    pooled = float((units * counts).sum() / (units * km).sum())
    if counts[km == 0].any():
        raise ValueError("a unit without exposure cannot have had events")
    some = km > 0
    seen, expected, units = counts[some], km[some] * pooled, units[some]
    each = np.unique(seen, return_inverse=True)
    theta = _spread(each, expected, units) if pooled > 0 else None
    if theta is None:
        log_pmf = special.xlogy(seen, expected) - expected - special.gammaln(seen + 1)
        return ShrunkenRates(np.inf, np.inf, pooled, float(units @ log_pmf), counts, km)
    a, over_pooled = np.exp(theta)
    log_likelihood = -_negative_binomial(theta, each, expected, units)[0]
    b = float(a / (pooled * over_pooled))
    return ShrunkenRates(float(a), b, pooled, log_likelihood, counts, km)


def _spread(
    each: tuple[FloatArray, IntArray], expected: FloatArray, weight: FloatArray
) -> FloatArray | None:
    """Ln a and ln of the mean rate over the pooled one; None: no spread to speak of.

    ``each``: as ``_negative_binomial`` takes it.
    """
    bounds = [(-7.0, np.log(_NO_SPREAD_A)), (-7.0, 7.0)]
    tries = [
        optimize.minimize(
            _negative_binomial,
            np.array([start, 0.0]),
            (each, expected, weight),
            method="L-BFGS-B",
            jac=True,
            bounds=bounds,
            options={"ftol": 1e-15, "gtol": 1e-9},
        )
        for start in (-1.0, 2.0)
    ]
    best = min(tries, key=lambda found: float(found.fun))
    if best.x[0] >= bounds[0][1] - 1e-3:
        return None
    return best.x


def _negative_binomial(
    theta: FloatArray, each: tuple[FloatArray, IntArray], expected: FloatArray, weight: FloatArray
) -> tuple[float, FloatArray]:
    """Negative log likelihood and gradient by (ln a, ln mean), mean the prior's a / b.

    ``each``: the different counts, which are few, and which of them each unit has.
    """
    a, mean = np.exp(theta)
    m = mean * expected
    few, which = each
    counts = few[which]
    log1p, beside = np.log1p(m / a), m + a
    ways = special.gammaln(few + a) - special.gammaln(a) - special.gammaln(few + 1)
    by_unit = ways[which] - a * log1p + special.xlogy(counts, m / beside)
    value = float(weight @ by_unit)
    by_a = (special.digamma(few + a) - special.digamma(a))[which] - log1p
    by_a += (m - counts) / beside
    by_mean = a * (counts - m) / beside
    return -value, -np.array([a * float(weight @ by_a), float(weight @ by_mean)])


def benjamini_hochberg(p_values: ArrayLike) -> FloatArray:
    """Adjust p values to q values, shape (n,) (Benjamini and Hochberg 1995, JRSS B 57(1)).

    Calling all with q below .05 something makes 5 % of those calls wrong on average.  NaN, a
    unit not tested, stays NaN and counts for nothing.
    """
    p = as_floats("p_values", p_values)
    tested = ~np.isnan(p)
    q = np.full(p.size, np.nan)
    if tested.any():
        own = p[tested]
        q[tested] = q_values_by_group(own, np.zeros(own.size, dtype=np.int64), [own.size])
    return q


def q_values_by_group(p_values: ArrayLike, group: ArrayLike, n_tested: ArrayLike) -> FloatArray:
    """Benjamini-Hochberg q values inside each group, shape (n,).

    ``group``: code of each p value, shape (n,).  ``n_tested``: how many tests each group had,
    shape (n_groups,); tests whose p value is not given count as p = 1, so the many units with
    nothing to see need no row.
    """
    p, codes = as_floats("p_values", p_values), as_groups("group", group)
    sizes = as_floats("n_tested", n_tested)
    check_same_shape(p_values=p, group=codes)
    given = np.bincount(codes, minlength=sizes.size)
    if (given > sizes).any():
        worst = int(np.argmax(given > sizes))
        raise ValueError(
            f"n_tested must be at least the p values given, but group {worst} has "
            f"{given[worst]} of {sizes[worst]:.0f}"
        )
    order = np.lexsort((p, codes))
    own = codes[order]
    first = np.cumsum(given) - given
    rank = np.arange(p.size) - first[own] + 1
    value = np.minimum(p[order] * sizes[own] / rank, 1.0)
    # groups are kept apart in one running minimum from the end by places on a ladder of values
    ladder, place = np.unique(value, return_inverse=True)
    place = np.minimum.accumulate((place + own * ladder.size)[::-1])[::-1] - own * ladder.size
    q = np.empty(p.size)
    q[order] = ladder[place]
    return q
