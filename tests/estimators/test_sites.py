"""Sites, technicians, brands: by hand, Mantel-Haenszel, and who is called what."""

import numpy as np
import pytest
from scipy import stats

from afterclear.estimators.rates.observed_expected import separated_ratios, site_ratios


def test_two_sites_by_hand() -> None:
    """Site 0: 3 of .5 * 4 = 2 expected; site 1: 1 of 2.

    Each is set against the other: expected 2 * 1/2 = 1 and 2 * 3/2 = 3.
    """
    found = site_ratios(np.repeat([0, 1], 4), [1, 1, 1, 0, 1, 0, 0, 0], np.full(8, 0.5))
    assert found.observed.tolist() == [3, 1]
    assert found.expected.tolist() == [1, 3]
    assert found.ratio == pytest.approx([3, 1 / 3])
    # exact Poisson limits of 3: 0.618672 to 8.767273 (tabulated)
    assert found.ratio_low[0] == pytest.approx(0.618672, abs=5e-7)
    assert found.ratio_high[0] == pytest.approx(8.767273, abs=5e-7)
    assert found.label.tolist() == ["too_few", "too_few"]
    assert found.rank.tolist() == [0, 0]


def test_attempts_without_evidence_are_counted_but_not_judged() -> None:
    found = site_ratios(
        np.zeros(6, int), [1, 0, 0, 0, 0, 0], [0.5, 0.5, 0, 0, 0, 0], lost=[0, 0, 1, 1, 1, 0]
    )
    assert (found.n_attempts[0], found.n_judged[0], found.lost_share[0]) == (6, 2, 0.5)
    # with no other site the model's own expectation stands
    assert found.expected[0] == 1.0
    with pytest.raises(ValueError, match="row 1 has returned but expected 0"):
        site_ratios(np.zeros(2, int), [0, 1], [0.1, 0.0])


def _fleet(
    seed: int, n_sites: int, spread: float = 0.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Make attempts with unlike chances of a seen come-back; the first 6 sites 3 times as bad."""
    rng = np.random.default_rng(seed)
    true = np.exp(rng.normal(0, spread, n_sites))
    true[:6] *= 3
    size = np.maximum(rng.poisson(rng.lognormal(np.log(50), 0.8, n_sites)), 1)
    site = np.repeat(np.arange(n_sites), size)
    chance = rng.beta(1.5, 13.5, site.size)
    return site, rng.random(site.size) < np.minimum(true[site] * chance, 1), chance, true


def test_bad_sites_are_found_and_ordinary_ones_left_alone() -> None:
    """99.8 % limits with phi: under 1 % of ordinary sites, about half of those 3 times as bad."""
    site, returned, chance, true = _fleet(131, 300, spread=0.2)
    found = site_ratios(site, returned, chance)
    assert np.mean(found.label[6:] == "worse") < 0.01
    assert np.mean(found.label[:6] == "worse") >= 0.5
    # the ranks put them first, called or not
    assert np.median(found.rank[:6]) < 15
    covered = (found.shrunken_low <= true) & (true <= found.shrunken_high)
    assert covered.mean() > 0.88
    assert (np.sort(found.rank[found.rank > 0]) == np.arange(1, (found.rank > 0).sum() + 1)).all()


def test_a_large_bad_site_is_not_compared_with_itself() -> None:
    """Half of all attempts, twice the come-backs: 2.0, not the 1.33 of an average it makes."""
    n = 2000
    site = np.repeat([0, 1], n)
    returned = np.concatenate((np.arange(n) % 5 == 0, np.arange(n) % 10 == 0))
    pooled = np.full(2 * n, 0.15)
    assert site_ratios(site, returned, pooled).ratio[0] == pytest.approx(2.0)


def test_sites_that_scan_more_are_expected_to_see_more() -> None:
    """Ten times the evidence: site 1 sees ten times the share come back, and is ordinary."""
    rng = np.random.default_rng(132)
    site = np.repeat([0, 1], 4000)
    chance = np.where(site == 1, 0.3, 0.03)
    found = site_ratios(site, rng.random(8000) < chance, chance)
    assert found.label.tolist() == ["ordinary", "ordinary"]


def test_one_stratum_is_a_plain_ratio_of_rates_with_the_usual_variance() -> None:
    """12 of 8 expected against 10 of 20: 3.0; ln limits by sqrt(1/12 + 1/10)."""
    group = np.repeat([0, 1], [40, 100])
    returned = np.r_[np.arange(40) < 12, np.arange(100) < 10]
    found = separated_ratios(group, np.zeros(140, int), returned, np.full(140, 0.2))
    assert found.ratio[0] == pytest.approx(3.0, rel=1e-12)
    assert found.ratio[1] == pytest.approx(1 / 3, rel=1e-12)
    # Greenland and Robins' variance: (22 * 8 * 20 / 28 ** 2) / (12 * 20 / 28 * 10 * 8 / 28)
    spread = (22 * 8 * 20 / 28**2) / ((12 * 20 / 28) * (10 * 8 / 28))
    assert np.log(found.high[0] / 3) == pytest.approx(
        stats.norm.ppf(0.975) * np.sqrt(spread), rel=1e-10
    )
    score = (12 - 22 * 8 / 28) ** 2 / (22 * 8 * 20 / 28**2)
    assert found.p_value[0] == pytest.approx(stats.chi2.sf(score, 1), rel=1e-10)


def test_mantel_haenszel_over_two_strata_by_hand() -> None:
    """Strata (6 of 4 against 3 of 6) and (2 of 2 against 8 of 8)."""
    group = np.array([0, 1, 0, 1])
    stratum = np.array([0, 0, 1, 1])
    found = separated_ratios(group, stratum, [6, 3, 2, 8], [4, 6, 2, 8])
    by_hand = (6 * 6 / 10 + 2 * 8 / 10) / (3 * 4 / 10 + 8 * 2 / 10)
    assert found.ratio[0] == pytest.approx(by_hand, rel=1e-13)
    assert found.n_strata.tolist() == [2, 2]


def test_a_brand_used_mostly_by_bad_sites_is_not_blamed_for_them() -> None:
    """Brand 0 is ordinary but sits at site 0, three times as bad; brand 2 is truly bad."""
    rng = np.random.default_rng(133)
    n = 30_000
    site = rng.integers(0, 3, n)
    brand = np.where(
        site == 0,
        rng.choice(3, n, p=[0.8, 0.1, 0.1]),
        rng.choice(3, n, p=[0.1, 0.6, 0.3]),
    )
    chance = np.full(n, 0.05)
    true = np.where(site == 0, 3.0, 1.0) * np.where(brand == 2, 2.0, 1.0)
    returned = rng.random(n) < chance * true
    crude, fair = (
        site_ratios(brand, returned, chance),
        separated_ratios(brand, site, returned, chance),
    )
    assert crude.ratio_low[0] > 1.5
    assert fair.high[0] < 1.1
    assert fair.low[2] > 1.5
    apart = separated_ratios(site, brand, returned, chance)
    assert apart.low[0] < 3 < apart.high[0]


def test_groups_never_side_by_side_have_no_ratio() -> None:
    found = separated_ratios(np.array([0, 1]), np.array([0, 1]), [1, 0], [0.5, 0.5])
    assert np.isnan(found.ratio).all()
    assert np.isnan(found.low).all()
    assert found.n_strata.tolist() == [0, 0]
    nothing = separated_ratios(np.array([0, 1]), np.array([0, 0]), [0, 0], [0.5, 0.5])
    assert np.isnan(nothing.ratio).all()


def test_the_order_of_attempts_does_not_matter() -> None:
    site, returned, chance, _ = _fleet(134, 50)
    order = np.random.default_rng(0).permutation(site.size)
    found, again = (
        site_ratios(site, returned, chance),
        site_ratios(site[order], returned[order], chance[order]),
    )
    # the search for the spread ends at a slope, which sums in another order
    assert again.shrunken == pytest.approx(found.shrunken, rel=1e-6)
    assert (again.label == found.label).all()
