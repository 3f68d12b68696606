"""Rates for many like units in one row, q values inside groups, shares with exact limits."""

import numpy as np
import pytest
from scipy import stats

from afterclear.estimators.rates.rates import (
    benjamini_hochberg,
    exact_share_interval,
    q_values_by_group,
    shrunken_rates,
)


def test_a_weight_counts_like_so_many_rows() -> None:
    rng = np.random.default_rng(4)
    count, km = rng.poisson(2.0, 30), rng.uniform(1, 9, 30)
    weight = rng.integers(1, 6, 30)
    few = shrunken_rates(count, km, weight)
    all_rows = shrunken_rates(np.repeat(count, weight), np.repeat(km, weight))
    assert (few.a, few.b) == pytest.approx((all_rows.a, all_rows.b), rel=1e-6)
    assert few.log_likelihood == pytest.approx(all_rows.log_likelihood, rel=1e-10)
    with pytest.raises(ValueError, match="weight must be more than 0, but is 0"):
        shrunken_rates([1, 2], [1, 1], [1, 0])


def test_q_values_of_one_group_are_benjamini_and_hochbergs() -> None:
    """Their fifteen p values of 1995, in any order."""
    p = np.array([.0001, .0004, .0019, .0095, .0201, .0278, .0298, .0344, .0459, .3240, .4262,
                  .5719, .6528, .7590, 1.0])  # fmt: skip
    order = np.random.default_rng(0).permutation(15)
    found = q_values_by_group(p[order], np.zeros(15, int), [15])
    np.testing.assert_allclose(found, stats.false_discovery_control(p)[order], rtol=1e-12)


def test_tests_that_are_not_given_count_as_p_1() -> None:
    p = np.array([0.001, 0.02, 0.5])
    padded = benjamini_hochberg(np.append(p, np.ones(97)))[:3]
    np.testing.assert_allclose(q_values_by_group(p, np.zeros(3, int), [100]), padded, rtol=1e-12)


def test_groups_do_not_touch_each_other() -> None:
    rng = np.random.default_rng(1)
    group = rng.integers(0, 40, 3000)
    p = rng.random(3000) ** 4
    n = np.bincount(group, minlength=40) + rng.integers(0, 50, 40)
    found = q_values_by_group(p, group, n)
    for number in range(40):
        own = p[group == number]
        alone = benjamini_hochberg(np.append(own, np.ones(n[number] - own.size)))[: own.size]
        np.testing.assert_allclose(found[group == number], alone, rtol=1e-12)


def test_more_p_values_than_tests_are_refused() -> None:
    with pytest.raises(ValueError, match="group 1 has 2 of 1"):
        q_values_by_group([0.1, 0.2, 0.3], [0, 1, 1], [5, 1])


@pytest.mark.parametrize(("count", "total"), [(0, 10), (3, 10), (10, 10), (81, 263)])
def test_shares_have_clopper_and_pearsons_limits(count: int, total: int) -> None:
    """Against scipy's exact interval; 81 of 263 is Newcombe's (1998, Stat. Med. 17, 857)."""
    low, high = exact_share_interval([count], [total])
    exact = stats.binomtest(count, total).proportion_ci(method="exact")
    # scipy's root finder stops at 1e-12 absolute; ours is the beta quantile itself
    assert (low[0], high[0]) == pytest.approx((exact.low, exact.high), rel=1e-6)


def test_a_share_of_nothing_has_no_limits() -> None:
    low, high = exact_share_interval([0], [0])
    assert np.isnan([low[0], high[0]]).all()
