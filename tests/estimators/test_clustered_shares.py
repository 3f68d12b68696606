"""Shares at sites whose pieces of work share vehicles: against statsmodels, and error rates."""

import numpy as np
import pytest
from scipy import special

from afterclear.estimators.rates.clustered_shares import clustered_difference_p
from tests.estimators.open_data import library, quiet


def test_the_variance_is_that_of_a_regression_with_clustered_errors() -> None:
    """statsmodels: pieces of work on a site's dummy, errors clustered by vehicle; to 3 %.

    Its small-sample factor differs a little, and its reference is the normal distribution, so
    the statistic is compared.
    """
    api = library("statsmodels.api")
    rng = np.random.default_rng(1)
    of = rng.integers(1, 8, 120)
    site = np.repeat([0, 1], [50, 70])
    counted = rng.binomial(of, rng.beta(1, 3, 120))
    pairs = zip(counted, of, strict=True)
    work = np.concatenate([np.r_[np.ones(k), np.zeros(n - k)] for k, n in pairs])
    vehicle = np.repeat(np.arange(120), of)
    with quiet():
        fit = api.OLS(work, np.c_[np.ones(work.size), site[vehicle] == 0]).fit(
            cov_type="cluster", cov_kwds={"groups": vehicle}
        )
        score = fit.params[1] / fit.bse[1]
    p = clustered_difference_p(counted, of, site, 2)[0]
    assert special.stdtrit(49, p / 2) == pytest.approx(-abs(score), rel=0.03)


def _refits(seed: int) -> np.ndarray:
    """Five equal sites; a vehicle's repairs fail alike, so refits come in strings."""
    rng = np.random.default_rng(seed)
    site = np.repeat(np.arange(5), 30)
    of = 1 + rng.poisson(4, 150)
    return clustered_difference_p(rng.binomial(of, rng.beta(0.2, 0.8, 150)), of, site, 5)


def test_equal_sites_with_unequal_vehicles_are_called_at_the_nominal_rate() -> None:
    """2,000 sites; Fisher over single pieces of work errs in 29 %."""
    p = np.concatenate([_refits(seed) for seed in range(400)])
    assert np.mean(p < 0.05) == pytest.approx(0.05, abs=0.015)


def test_a_site_that_differs_is_found() -> None:
    rng = np.random.default_rng(3)
    of = 1 + rng.poisson(4, 150)
    site = np.repeat(np.arange(5), 30)
    share = np.where(site == 0, 0.6, 0.15)
    assert clustered_difference_p(rng.binomial(of, share), of, site, 5)[0] < 1e-6


def test_nothing_to_compare_says_nothing() -> None:
    assert clustered_difference_p([1, 2], [2, 3], [0, 0], 1)[0] == 1
    assert (clustered_difference_p([0, 0, 0], [2, 3, 1], [0, 0, 1], 2) == 1).all()
