"""Whose fixes fail: a site's own work left out of what is expected of it, and the test of it."""

import numpy as np
import pytest
from numpy.typing import NDArray

from afterclear.estimators.arrays.ragged import group_sums
from afterclear.estimators.arrays.validation import FloatArray, IntArray
from afterclear.estimators.fix_held.fix_held import FixHeld
from afterclear.estimators.rates.case_mix import Pooled
from afterclear.estimators.rates.site_residuals import (
    SiteResiduals,
    shares_without_own,
    site_residuals,
)
from tests.estimators.fix_held_alone import fix_held

N_SITES = 4


def simulated(
    seed: int, ratio: float, own_share: float, n_groups: int = 12
) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
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


def seen_by(fit: FixHeld, group: IntArray, high: FloatArray) -> tuple[Pooled, FloatArray]:
    """Give what sites are judged by."""
    prior = fit.priors[0]
    pooled = Pooled(
        group,
        np.zeros_like(group),
        fit.groups.p_mean[group],
        np.full(group.size, prior.p_mean),
        np.full(group.size, prior.a + prior.b),
    )
    return pooled, np.where(np.isfinite(high), fit.p_same_fault, fit.p_not_held)


def ratios(seed: int, ratio: float, own_share: float) -> tuple[FloatArray, FloatArray]:
    """Failed over expected of each site: its own work left in, and left out."""
    group, site, low, high = simulated(seed, ratio, own_share)
    pooled, p_failed = seen_by(fix_held(group, low, high), group, high)
    without = shares_without_own(pooled, p_failed, site)
    failed, within, rest = (
        group_sums(row, site, N_SITES) for row in (p_failed, pooled.share_failed, without)
    )
    return failed / within, failed / rest


def examined(seed: int, ratio: float, vehicle: NDArray[np.int64] | None = None) -> SiteResiduals:
    group, site, low, high = simulated(seed, ratio, 0.25)
    pooled, p_failed = seen_by(fix_held(group, low, high), group, high)
    groups = (site, np.arange(site.size) if vehicle is None else vehicle)
    return site_residuals(pooled, p_failed, groups, np.ones(N_SITES, dtype=np.bool_))


def test_a_site_with_half_the_work_does_not_hide_in_what_it_taught_the_model() -> None:
    """Fails twice as often: with its own work in it looks 1.3 times as bad."""
    found = [ratios(seed, 2.0, 0.5) for seed in range(8)]
    within = np.mean([own[0] for own, _ in found])
    without = np.mean([rest[0] for _, rest in found])
    print(f"\ntrue ratio 2, half of all work: {within:.2f} with its own, {without:.2f} without")
    assert within < 1.5
    assert without == pytest.approx(2.0, abs=0.35)  # its standard error over 8 runs is .06


def test_sites_that_are_alike_stay_at_one() -> None:
    found = [ratios(seed, 1.0, 0.25)[1] for seed in range(8)]
    assert np.mean(found) == pytest.approx(1, abs=0.06)


def test_by_hand_the_others_tell_the_share() -> None:
    """All evidence is certain.  Prior worth 2 attempts at what the others had in the stratum."""
    group, site = np.zeros(8, np.int64), np.repeat([0, 1], 4)
    failed = np.array([1, 1, 1, 0, 1, 0, 0, 0], dtype=np.float64)
    pooled = Pooled(group, group, np.full(8, 0.5), np.full(8, 0.5), np.full(8, 2.0))
    rest = shares_without_own(pooled, failed, site)
    # the others had 1 of 4, with a pseudo 1 of 4 in the stratum
    assert rest[0] == pytest.approx((2 * 2 / 8 + 1) / (2 + 4))
    assert rest[4] == pytest.approx((2 * 4 / 8 + 3) / (2 + 4))


def test_attempts_nobody_looked_at_tell_nothing_of_a_site() -> None:
    """P is the group's share then: no residual, and no weight in what others are expected to do."""
    group, site = np.zeros(10, np.int64), np.repeat([0, 1], 5)
    failed = np.array([1, 1, 1, 0, 0.5, 1, 0, 0, 0, 0.5])
    pooled = Pooled(group, group, np.full(10, 0.5), np.full(10, 0.5), np.full(10, 2.0))
    rest = shares_without_own(pooled, failed, site)
    assert rest[0] == pytest.approx((2 * 2 / 8 + 1) / (2 + 4))


def test_a_site_that_fails_more_is_told_apart_and_others_are_not() -> None:
    """Three times as often: found in 8 of 8 fleets; where all are alike, 32 sites give few."""
    assert all(examined(seed, 3.0).q_value[0] < 0.05 for seed in range(8))
    assert all(examined(seed, 3.0).log_odds[0] > 0 for seed in range(8))
    p = np.concatenate([examined(seed, 1.0).p_value for seed in range(8)])
    assert (p < 0.05).mean() < 0.13  # 4 of 32


def test_attempts_on_one_vehicle_count_for_less_where_they_go_together() -> None:
    """Every attempt written down four times, as four on one vehicle: the same p as once."""
    group, site, low, high = simulated(1, 2.0, 0.25)
    pooled, p_failed = seen_by(fix_held(group, low, high), group, high)
    four = np.repeat(np.arange(group.size), 4)
    enough = np.ones(N_SITES, dtype=np.bool_)
    parts = (pooled.group, pooled.stratum, pooled.share_failed)
    weights = (pooled.prior_share, 4 * pooled.prior_weight)
    again = Pooled(*(row[four] for row in (*parts, *weights)))
    once = site_residuals(pooled, p_failed, (site, np.arange(group.size)), enough)
    repeated = site_residuals(again, p_failed[four], (site[four], four), enough)
    np.testing.assert_allclose(repeated.p_value, once.p_value, rtol=0.1)


def test_one_bad_site_makes_no_good_ones_of_the_others() -> None:
    """Four times as often at a quarter of the work: 24 ordinary sites are held to each other."""
    better = [
        np.sum(r.log_odds[1:][r.q_value[1:] < 0.05] < 0)
        for r in (examined(s, 4.0) for s in range(8))
    ]
    assert sum(better) <= 1


def test_two_sites_are_held_against_each_other_however_they_differ() -> None:
    """Neither is left out: there would be nobody to compare with."""
    group, site, low, high = simulated(2, 4.0, 0.4)
    site = np.minimum(site, 1)
    pooled, p_failed = seen_by(fix_held(group, low, high), group, high)
    found = site_residuals(
        pooled, p_failed, (site, np.arange(site.size)), np.ones(2, dtype=np.bool_)
    )
    assert found.log_odds[0] > 0 > found.log_odds[1]
    assert (found.q_value < 0.05).all()
