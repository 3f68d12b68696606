"""What to expect of a site's work: factors of its traits, its own work left out."""

import numpy as np
import pytest
from numpy.typing import NDArray

from afterclear.analyses.case_mix import (
    Pooled,
    case_mix_factors,
    expected_beside,
    expected_without_own,
)
from afterclear.analyses.fix_held import fix_held
from afterclear.analyses.ragged import group_sums

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def test_nothing_seen_moves_nothing() -> None:
    none = case_mix_factors([np.array([0, 1])], np.array([0, 1]), [0, 0], [0.5, 0.5])
    assert none.tolist() == [1, 1]


def test_a_platform_twice_as_bad_is_expected_to_be_whatever_site_has_it() -> None:
    """Sites are alike, one has mostly the bad platform: its factor is found, 2 to within 15 %."""
    rng = np.random.default_rng(1)
    site = np.repeat([0, 1], 4000)
    platform = (rng.random(8000) < np.where(site == 0, 0.8, 0.2)).astype(np.int64)
    chance = rng.uniform(0.05, 0.2, 8000)
    came = rng.random(8000) < chance * np.where(platform == 1, 2.0, 1.0)
    factor = case_mix_factors([platform], site, came, chance)
    ratio = factor[platform == 1][0] / factor[platform == 0][0]
    assert ratio == pytest.approx(2, rel=0.15)
    assert factor @ chance == pytest.approx(chance.sum())


def test_a_bad_site_does_not_make_its_platform_look_bad() -> None:
    """Platforms are alike; the bad site has 80 % of one.  Twenty sites tell that it is the site."""
    rng = np.random.default_rng(2)
    site = np.repeat(np.arange(20), 400)
    platform = (rng.random(site.size) < np.where(site == 0, 0.8, 0.05)).astype(np.int64)
    chance = np.full(site.size, 0.15)
    came = rng.random(site.size) < np.where(site == 0, 0.45, 0.15)
    factor = case_mix_factors([platform], site, came, chance)
    raw = came[platform == 1].mean() / came[platform == 0].mean()
    assert raw > 1.4  # what the platform looks like when nobody asks who had it
    assert factor[platform == 1][0] / factor[platform == 0][0] < 1.1


def simulated(
    seed: int, ratio: float, own_share: float, n_groups: int = 12
) -> tuple[Ints, Ints, Floats, Floats]:
    """Group, site, low and high of 4 sites' attempts; site 0 fails ``ratio`` times as often."""
    rng = np.random.default_rng(seed)
    n = 1200
    group = rng.integers(0, n_groups, n)
    site = np.where(rng.random(n) < own_share, 0, rng.integers(1, 4, n))
    share = rng.uniform(0.1, 0.25, n_groups)[group] * np.where(site == 0, ratio, 1.0)
    failed = rng.random(n) < share
    back = np.where(failed, rng.exponential(1500, n), np.inf)
    gap, n_looks = 3000.0, rng.integers(1, 5, n)
    seen = np.ceil(back / gap) * gap
    low = np.where(seen <= n_looks * gap, seen - gap, n_looks * gap)
    high = np.where(seen <= n_looks * gap, seen, np.inf)
    return group, site, low, high


def ratios(group: Ints, site: Ints, low: Floats, high: Floats) -> tuple[Floats, Floats]:
    """Observed over expected of each site: its own work left in, and left out."""
    fit = fix_held(group, low, high)
    came = np.isfinite(high).astype(np.float64)
    chance = fit.expected_returns(group, low, high, low / 3000)
    stratum = np.zeros_like(group)
    prior = fit.priors[0]
    pooled = Pooled(
        group,
        stratum,
        fit.groups.p_mean[group],
        np.full(group.size, prior.p_mean),
        np.full(group.size, prior.a + prior.b),
    )
    rest = expected_without_own(pooled, site, came, chance)
    observed = group_sums(came, site, 4)
    return observed / group_sums(chance, site, 4), observed / group_sums(rest, site, 4)


def test_a_site_with_half_the_work_does_not_hide_in_what_it_taught_the_model() -> None:
    """Fails twice as often: with its own work in it looks 1.3 times as bad, without it twice."""
    found = [ratios(*simulated(seed, 2.0, 0.5)) for seed in range(8)]
    within = np.mean([own[0] for own, _ in found])
    without = np.mean([rest[0] for _, rest in found])
    print(
        f"\ntrue ratio 2, half of all work: {within:.2f} with its own work, {without:.2f} without"
    )
    assert within < 1.5
    assert without == pytest.approx(2.0, abs=0.25)  # its standard error over 8 runs is .05


def test_sites_that_are_alike_stay_at_one() -> None:
    found = [ratios(*simulated(seed, 1.0, 0.25))[1] for seed in range(8)]
    assert np.mean(found) == pytest.approx(1, abs=0.06)


def test_left_out_and_left_in_agree_where_a_site_is_a_small_part() -> None:
    rng = np.random.default_rng(3)
    n = 4000
    group, site = (
        rng.integers(0, 4, n),
        np.append(np.zeros(10, np.int64), rng.integers(1, 50, n - 10)),
    )
    chance = np.full(n, 0.2)
    came = (rng.random(n) < 0.2).astype(np.float64)
    share = group_sums(came, group, 4) / np.bincount(group)
    pooled = Pooled(group, np.zeros(n, np.int64), share[group], np.full(n, 0.2), np.full(n, 5.0))
    rest = expected_without_own(pooled, site, came, chance)
    assert rest.sum() == pytest.approx(came.sum(), rel=0.1)
    order = rng.permutation(n)
    shuffled = Pooled(*(array[order] for array in (
        pooled.group, pooled.stratum, pooled.share_failed, pooled.prior_share, pooled.prior_weight
    )))  # fmt: skip
    again = expected_without_own(shuffled, site[order], came[order], chance[order])
    np.testing.assert_allclose(again, rest[order], rtol=1e-12)


def test_by_hand_the_others_tell_the_share() -> None:
    """Prior worth 2 attempts at 0.5; the other site had 1 of 4, the own 3 of 4: (1 + 1) / 6."""
    group, site = np.zeros(8, np.int64), np.repeat([0, 1], 4)
    came = np.array([1, 1, 1, 0, 1, 0, 0, 0], dtype=np.float64)
    share = (1 + 4) / (2 + 8)
    pooled = Pooled(group, group, np.full(8, share), np.full(8, 0.5), np.full(8, 2.0))
    rest = expected_without_own(pooled, site, came, np.full(8, share))
    # in the stratum the others had 1 of 2 expected, so the prior's mean is halved too
    assert rest[0] == pytest.approx((2 * 0.25 + 1) / (2 + 4))
    assert rest[4] == pytest.approx((2 * 0.75 + 3) / (2 + 4))


def test_by_hand_each_sites_own_ratio_is_divided_out() -> None:
    """Site 0 has 3 times what is usual: 4 come-backs in 4 x 3 + 4 attempts' worth of looks."""
    group, site = np.zeros(8, np.int64), np.repeat([0, 1], 4)
    came = np.array([1, 1, 1, 0, 1, 0, 0, 0], dtype=np.float64)
    pooled = Pooled(group, group, np.full(8, 0.5), np.full(8, 0.5), np.full(8, 2.0))
    beside = expected_beside(pooled, site, came, np.full(8, 0.5), np.array([3.0, 1.0]))
    np.testing.assert_allclose(beside, 0.5 * (1 + 4) / (1 + 8))
