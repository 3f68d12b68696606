"""Funnel limits: by hand, against recomputed figures, definitions, laws."""

import numpy as np
import pytest
from scipy import stats

from afterclear.estimators.rates.funnels import funnel, poisson_limits, winsorised_phi


@pytest.mark.parametrize(
    ("expected", "level", "low", "high"),
    [
        (1, 0.95, 0, 2.9019),
        (5, 0.95, 0.1084, 1.8753),
        (20, 0.95, 0.5603, 1.4373),
        (100, 0.95, 0.8037, 1.1958),
        (20, 0.998, 0.3585, 1.7357),
    ],
)
def test_poisson_limits(expected: float, level: float, low: float, high: float) -> None:
    """Spiegelhalter's formula (2005, Stat. Med. 24, 1185), worked out separately to 4 digits."""
    assert poisson_limits([expected], (1 - level) / 2)[0] == pytest.approx(low, abs=5e-5)
    assert poisson_limits([expected], (1 + level) / 2)[0] == pytest.approx(high, abs=5e-5)


def test_limits_are_interpolated_between_the_quantiles_of_scipy() -> None:
    mean = np.exp(np.random.default_rng(121).uniform(-2, 7, 300))
    for share in (0.001, 0.025, 0.5, 0.975, 0.999):
        k = stats.poisson.ppf(share, mean)
        at, before = stats.poisson.cdf(k, mean), stats.poisson.cdf(k - 1, mean)
        by_hand = np.maximum(k - (at - share) / (at - before), 0) / mean
        assert poisson_limits(mean, share) == pytest.approx(by_hand, rel=1e-9, abs=1e-12)


def test_limits_come_nearer_to_1_the_more_is_expected() -> None:
    mean = np.geomspace(3, 1e5, 400)
    high, low = poisson_limits(mean, 0.999), poisson_limits(mean, 0.001)
    assert (np.diff(high) < 0).all()
    assert (low < 1).all()
    assert (high > 1).all()
    z = stats.norm.ppf(0.999)
    assert high[-1] == pytest.approx(1 + z / np.sqrt(1e5), rel=1e-4)


def test_phi_is_the_mean_square_with_the_outer_tenths_pulled_in() -> None:
    """Ten sites at z = 0, one of them at 20: it is pulled in to the 90 % quantile, 2."""
    observed = np.array([25.0] * 9 + [225.0])
    z = np.array([0.0] * 9 + [20.0])
    pulled = np.clip(z, *np.quantile(z, (0.1, 0.9)))
    assert winsorised_phi(observed, np.full(10, 25.0)) == pytest.approx(np.mean(pulled**2))
    assert np.isnan(winsorised_phi([], []))


def test_phi_of_sites_that_differ_by_chance_is_below_1_and_grows_with_their_spread() -> None:
    """Winsorised squares of a normal have mean .72: never a reason to widen."""
    rng = np.random.default_rng(122)
    mean = rng.lognormal(np.log(10), 1, 4000)
    alike = winsorised_phi(rng.poisson(mean), mean)
    unlike = winsorised_phi(rng.poisson(mean * np.exp(rng.normal(0, 0.5, 4000))), mean)
    assert alike == pytest.approx(0.72, abs=0.06)
    assert unlike > 1.5


def test_over_dispersion_widens_the_limits_by_its_root() -> None:
    rng = np.random.default_rng(123)
    mean = rng.lognormal(np.log(10), 1, 300)
    observed = rng.poisson(mean * np.exp(rng.normal(0, 0.5, 300)))
    found = funnel(observed, mean)
    exact_high, exact_low = poisson_limits(mean, 0.999), poisson_limits(mean, 0.001)
    assert found.phi > 1
    assert found.high - 1 == pytest.approx(np.sqrt(found.phi) * (exact_high - 1))
    assert found.low == pytest.approx(np.maximum(1 - np.sqrt(found.phi) * (1 - exact_low), 0))
    narrow = funnel(mean, mean)
    assert narrow.high == pytest.approx(exact_high)
    assert not narrow.above.any()


def test_sites_of_which_nothing_is_expected_have_no_ratio() -> None:
    found = funnel([0.0, *[3.0] * 30, 30.0], [0.0, *[3.0] * 31])
    assert np.isnan([found.ratio[0], found.low[0], found.high[0]]).all()
    assert np.flatnonzero(found.above).tolist() == [31]
    with pytest.raises(ValueError, match="expected must be more than 0"):
        poisson_limits([0.0], 0.5)
