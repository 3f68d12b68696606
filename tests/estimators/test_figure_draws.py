"""Draws of a dozen figures against posteriors that are known."""

import numpy as np

from afterclear.estimators.causes.figure_draws import weighted_draws

N = 12


def test_draws_find_a_narrow_posterior_far_from_the_prior() -> None:
    """Twelve figures seen with little error through sums of them: normal, so it can be computed."""
    rng = np.random.default_rng(5)
    sums, seen_sd = rng.normal(size=(N, N)) / np.sqrt(N), np.geomspace(0.1, 1.0, N)
    seen = sums @ rng.normal(size=N) + 1.0
    precision = np.eye(N) + (sums.T / seen_sd**2) @ sums
    cov = np.linalg.inv(precision)
    mean, sd = cov @ (sums.T @ (seen / seen_sd**2)), np.sqrt(np.diag(cov))

    def log_likelihood(values: np.ndarray) -> np.ndarray:
        return -0.5 * (((values @ sums.T - seen) / seen_sd) ** 2).sum(axis=1)

    values, weight = weighted_draws(np.zeros(N), np.ones(N), log_likelihood)
    found = weight @ values
    found_sd = np.sqrt(weight @ (values - found) ** 2)
    assert np.abs((found - mean) / sd).max() < 0.35  # of 8 effective draws: 1 and more
    assert np.abs(np.log(found_sd / sd)).max() < 0.3


def test_draws_whose_likelihood_says_nothing_are_those_of_the_prior() -> None:
    values, weight = weighted_draws(
        np.full(3, 2.0), np.full(3, 0.5), lambda draws: np.zeros(len(draws))
    )
    np.testing.assert_allclose(weight @ values, 2.0, atol=0.03)
    np.testing.assert_allclose(np.sqrt(weight @ (values - 2.0) ** 2), 0.5, rtol=0.25)
