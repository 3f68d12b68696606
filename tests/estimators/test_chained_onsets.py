"""Counts of onsets in chains of returns."""

import numpy as np
import pytest

from afterclear.estimators.rates.chained_onsets import chained_excess_p, variance_factor
from afterclear.estimators.rates.rates import poisson_excess_p


def test_without_returns_it_is_the_poisson_distribution() -> None:
    counts, means = np.array([0.0, 1, 2, 7, 30]), np.array([0.3, 0.3, 4.0, 2.0, 3.0])
    for mid_p in (True, False):
        chained = chained_excess_p(counts, means, np.zeros(5), mid_p=mid_p)
        assert chained == pytest.approx(poisson_excess_p(counts, means, mid_p=mid_p), rel=1e-12)


@pytest.mark.parametrize(("mean", "share"), [(0.5, 0.3), (3.0, 0.6), (6.0, 0.9)])
def test_tails_agree_with_the_recursion_of_the_polya_aeppli_distribution(
    mean: float, share: float
) -> None:
    """Johnson, Kemp & Kotz 2005, 9.7 (from memory): n P(n) by P(n - 1) and P(n - 2)."""
    theta = mean * (1 - share)
    pmf = [np.exp(-theta), theta * (1 - share) * np.exp(-theta)]
    for n in range(2, 40):
        pmf.append(
            ((2 * share * (n - 1) + (1 - share) * theta) * pmf[-1] - share**2 * (n - 2) * pmf[-2])
            / n
        )
    counts = np.arange(1.0, 20.0)
    told = chained_excess_p(counts, np.full(19, mean), np.full(19, share), mid_p=False)
    assert told == pytest.approx(1 - np.cumsum(pmf)[:19], abs=1e-12)


def test_counts_drawn_in_chains_have_the_mean_the_variance_and_the_tail_told() -> None:
    rng = np.random.default_rng(3)
    share, mean, n = 0.6, 3.0, 200_000
    new = rng.poisson(mean * (1 - share), n)
    counts = new + np.where(new > 0, rng.negative_binomial(np.maximum(new, 1), 1 - share), 0)
    assert counts.mean() == pytest.approx(mean, rel=0.02)
    assert counts.var() / mean == pytest.approx(variance_factor([share])[0], rel=0.03)
    tail = chained_excess_p([8.0], [mean], [share], mid_p=False)
    assert (counts >= 8).mean() == pytest.approx(tail[0], rel=0.05)


def test_a_chain_without_end_is_refused() -> None:
    with pytest.raises(ValueError, match="below 1"):
        chained_excess_p([1.0], [1.0], [1.0])
