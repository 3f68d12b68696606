"""Chances and quantiles of counts, and q values, against scipy.stats."""

import numpy as np
import pytest
from scipy import stats

from afterclear.estimators.arrays.counts import (
    binomial_chance,
    negative_binomial_quantile,
    poisson_chance,
    poisson_quantile,
)
from afterclear.estimators.rates.rates import benjamini_hochberg

LEVELS = (0.025, 0.05, 0.5, 0.95, 0.975)


def _spread_out(low: float, high: float, n: int = 5_000) -> np.ndarray:
    return np.exp(np.random.default_rng(19).uniform(np.log(low), np.log(high), n))


def test_chances_of_counts_are_those_of_the_library() -> None:
    count, mean = np.floor(_spread_out(0.5, 500)), _spread_out(1e-6, 1e3)[::-1]
    assert poisson_chance(count, mean) == pytest.approx(stats.poisson.pmf(count, mean), rel=1e-9)
    size, share = count + 3, np.linspace(0, 1, count.size)
    known = stats.binom.pmf(3, size, share)
    assert binomial_chance(3, size, share) == pytest.approx(known, rel=1e-9)


def test_nothing_expected_gives_no_count() -> None:
    assert poisson_chance(np.array([0.0, 1.0]), np.zeros(2)).tolist() == [1.0, 0.0]


@pytest.mark.parametrize("level", LEVELS)
def test_quantiles_of_counts_are_those_of_the_library(level: float) -> None:
    mean, size = _spread_out(1e-8, 1e5), _spread_out(1e-5, 1e6)[::-1]
    share = size / (size + mean)
    assert (poisson_quantile(level, mean) == stats.poisson.ppf(level, mean)).all()
    known = stats.nbinom.ppf(level, size, share)
    assert (negative_binomial_quantile(level, size, share) == known).all()


def test_q_values_are_those_of_the_library() -> None:
    p = np.random.default_rng(5).uniform(size=200) ** 3
    known = stats.false_discovery_control(p, method="bh")
    assert benjamini_hochberg(p) == pytest.approx(known, rel=1e-12)
