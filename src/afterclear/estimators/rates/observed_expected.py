"""Whose fixes hold: come-backs seen over come-backs expected, for sites, technicians or brands.

What is expected of an attempt is the chance that its come-back would have been *seen* inside its
own evidence, from the pooled model of its family, kind, platform and age: a site that scans more
sees more returns, and more are expected of it.  A come-back found elsewhere counts where it was
repaired.
"""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from afterclear.estimators.arrays.ragged import cells_of, group_sums
from afterclear.estimators.arrays.validation import (
    BoolArray,
    FloatArray,
    IntArray,
    as_floats,
    as_groups,
    check_finite,
    check_fraction,
    check_non_negative,
    check_same_shape,
)
from afterclear.estimators.rates.funnels import funnel
from afterclear.estimators.rates.rates import (
    benjamini_hochberg,
    exact_poisson_interval,
    poisson_excess_p,
    shrunken_rates,
)

StrArray: TypeAlias = NDArray[np.str_]

ENOUGH_JUDGED = 5  # attempts with evidence; below, a site gets no label


@dataclass(frozen=True, slots=True)
class SiteRatios:
    """Come-backs of each site against those expected of its work, arrays of shape (n_sites,).

    nan: nothing expected of it.
    """

    n_attempts: FloatArray
    n_judged: FloatArray  # attempts with evidence
    observed: FloatArray
    expected: FloatArray
    ratio: FloatArray
    ratio_low: FloatArray  # exact Poisson
    ratio_high: FloatArray
    p_value: FloatArray  # two-sided mid-p
    q_value: FloatArray  # over sites with a label
    limit_low: FloatArray  # 99.8 % funnel, widened for over-dispersion
    limit_high: FloatArray
    phi: float
    label: StrArray  # worse | better | ordinary | too_few
    shrunken: FloatArray  # ratio drawn towards 1 by what its size is worth
    shrunken_low: FloatArray
    shrunken_high: FloatArray
    rank: IntArray  # 1: highest shrunken ratio; 0: too few to be ranked
    lost_share: FloatArray  # of attempts: never seen again anywhere
    conf_level: float


@dataclass(frozen=True, slots=True)
class SeparatedRatios:
    """Ratio of each group to the others within the same strata, arrays of shape (n_groups,)."""

    ratio: FloatArray  # inf: no come-back among the others; nan: none at all, or never side by side
    low: FloatArray
    high: FloatArray
    p_value: FloatArray
    n_strata: IntArray  # strata in which the group is beside others


def site_ratios(  # noqa: PLR0913 - four rows of data, three settings with defaults
    site: IntArray,
    returned: ArrayLike,
    expected: ArrayLike,
    *,
    lost: ArrayLike | None = None,
    n_sites: int | None = None,
    own_left_out: bool = False,
    conf_level: float = 0.95,
) -> SiteRatios:
    """Ratios, limits, labels and ranks of sites from their attempts.

    Shape (n_attempts,): ``site`` its number; ``returned`` 1 where the come-back was seen;
    ``expected`` the chance of seeing one inside the attempt's evidence, 0 without evidence;
    ``lost`` 1 where the vehicle was not seen again.  The other sites set a site's expectation: it
    is multiplied by their observed over expected, so that a large bad site is not compared with
    itself, unless its own work is left out of what is expected already (``own_left_out``, as
    ``site_residuals.shares_without_own`` has it).  A site is "worse" or "better" where its ratio
    lies outside the funnel.
    """
    number, came, chance, away = _checked(site, returned, expected, lost)
    n_sites = int(number.max(initial=-1)) + 1 if n_sites is None else n_sites
    n_attempts, n_judged, observed, model, lost_n = (
        group_sums(row.astype(np.float64), number, n_sites)
        for row in (np.ones_like(chance), chance > 0, came, chance, away)
    )
    mean = model if own_left_out else model * _ratio_of_others(observed, model)
    shape = funnel(observed, mean)
    low, high = exact_poisson_interval(observed, conf_level)
    some = mean > 0
    with np.errstate(divide="ignore", invalid="ignore"):
        low, high = (np.where(some, limit / mean, np.nan) for limit in (low, high))
        lost_share = lost_n / n_attempts
    enough = some & (n_judged >= ENOUGH_JUDGED)
    above = poisson_excess_p(observed, mean)
    p_value = np.where(enough, np.minimum(2 * np.minimum(above, 1 - above), 1.0), np.nan)
    labels = [~enough, shape.above, shape.below]
    shrunken, shrunken_low, shrunken_high = _shrunken(observed, mean, conf_level)
    return SiteRatios(
        n_attempts=n_attempts,
        n_judged=n_judged,
        observed=observed,
        expected=mean,
        ratio=shape.ratio,
        ratio_low=low,
        ratio_high=high,
        p_value=p_value,
        q_value=benjamini_hochberg(p_value),
        limit_low=shape.low,
        limit_high=shape.high,
        phi=shape.phi,
        label=np.select(labels, ["too_few", "worse", "better"], "ordinary"),
        shrunken=shrunken,
        shrunken_low=shrunken_low,
        shrunken_high=shrunken_high,
        rank=_ranks(shrunken, enough),
        lost_share=lost_share,
        conf_level=conf_level,
    )


def separated_ratios(
    group: IntArray,
    stratum: IntArray,
    returned: ArrayLike,
    expected: ArrayLike,
    *,
    conf_level: float = 0.95,
) -> SeparatedRatios:
    """Ratio of each group's come-backs to those of the others that share its strata.

    A brand's effect apart from the sites that use it: ``group`` the brand, ``stratum`` the
    site; or the other way round.  Shape (n_attempts,) as in ``site_ratios``.  Mantel-Haenszel
    ratio of rates with expected come-backs for person-time,
    ``sum O_1 E_0 / E over sum O_0 E_1 / E``, and its variance on the logarithm (Greenland &
    Robins 1985, Biometrics 41, 55); p value of the score test.
    """
    check_fraction("conf_level", conf_level)
    number, came, chance, _ = _checked(group, returned, expected, None)
    stratum = as_groups("stratum", stratum)
    check_same_shape(stratum=stratum, group=number)
    n_groups, n_strata = int(number.max(initial=-1)) + 1, int(stratum.max(initial=-1)) + 1
    cell, first = cells_of(number, stratum)
    own, at = number[first], stratum[first]
    o_1, e_1 = (group_sums(row, cell, first.size) for row in (came, chance))
    o_all, e_all = (group_sums(row, stratum, n_strata)[at] for row in (came, chance))
    o_0, e_0 = o_all - o_1, np.maximum(e_all - e_1, 0.0)
    # a group alone in a stratum leaves rounding behind, not an expectation
    beside = (e_1 > 0) & (e_0 > 1e-9 * e_all)
    total = np.where(beside, e_all, 1.0)
    top, bottom, spread, excess = (
        group_sums(np.where(beside, row, 0.0), own, n_groups)
        for row in (
            o_1 * e_0 / total,
            o_0 * e_1 / total,
            o_all * e_1 * e_0 / total**2,
            o_1 - o_all * e_1 / total,
        )
    )
    z = float(special.ndtri(0.5 + conf_level / 2))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = top / bottom
        factor = np.exp(z * np.sqrt(spread / (top * bottom)))
        p_value = special.chdtrc(1, excess**2 / spread)
        low = np.where(top > 0, ratio / factor, 0.0)
        high = np.where(bottom > 0, ratio * factor, np.inf)
    known = spread > 0
    return SeparatedRatios(
        ratio=ratio,
        low=np.where(known, np.where(np.isfinite(ratio), low, 0.0), np.nan),
        high=np.where(known, np.where(ratio > 0, high, np.inf), np.nan),
        p_value=p_value,
        n_strata=np.bincount(own[beside], minlength=n_groups),
    )


def _checked(
    site: IntArray, returned: ArrayLike, expected: ArrayLike, lost: ArrayLike | None
) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
    number = as_groups("site", site)
    came, chance = as_floats("returned", returned), as_floats("expected", expected)
    away = np.zeros_like(came) if lost is None else as_floats("lost", lost)
    check_same_shape(site=number, returned=came, expected=chance, lost=away)
    for name, values in (("returned", came), ("expected", chance), ("lost", away)):
        check_finite(name, values)
        check_non_negative(name, values)
    unseen = (came > 0) & (chance == 0)
    if unseen.any():
        raise ValueError(
            f"a come-back was seen where none could be: row {int(np.argmax(unseen))} has "
            "returned but expected 0"
        )
    return number, came, chance, away


def _ratio_of_others(observed: FloatArray, expected: FloatArray) -> FloatArray:
    """Observed over expected of all other sites; 1 without information."""
    rest_o, rest_e = observed.sum() - observed, expected.sum() - expected
    known = (rest_o > 0) & (rest_e > 1e-9 * expected.sum())
    return np.where(known, rest_o / np.where(known, rest_e, 1.0), 1.0)


def _shrunken(
    observed: FloatArray, expected: FloatArray, conf_level: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Posterior mean of each ratio with its limits (gamma-Poisson, see ``rates``)."""
    some = expected > 0
    if not some.any():
        nothing = np.full(expected.size, np.nan)
        return nothing, nothing, nothing
    posterior = shrunken_rates(observed[some], expected[some])
    tail = (1 - conf_level) / 2
    if posterior.has_spread:
        limits = posterior.quantile(tail), posterior.quantile(1 - tail)
    else:  # sites are alike: the estimate of all together
        low, high = exact_poisson_interval([observed[some].sum()], conf_level)
        limits = low / expected[some].sum(), high / expected[some].sum()
    columns = np.full((3, expected.size), np.nan)
    columns[0, some] = posterior.mean()
    columns[1, some], columns[2, some] = limits
    return columns[0], columns[1], columns[2]


def _ranks(shrunken: FloatArray, enough: BoolArray) -> IntArray:
    rank = np.zeros(shrunken.size, dtype=np.int64)
    chosen = np.flatnonzero(enough)
    rank[chosen[np.argsort(-shrunken[chosen], kind="stable")]] = np.arange(1, chosen.size + 1)
    return rank
