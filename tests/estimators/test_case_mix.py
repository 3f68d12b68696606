"""What to expect of a site's work: factors of its traits."""

import numpy as np
import pytest

from afterclear.estimators.rates.case_mix import Pooled, case_mix_factors, expected_beside


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


def test_by_hand_each_sites_own_ratio_is_divided_out() -> None:
    """Site 0 has 3 times what is usual: 4 come-backs in 4 x 3 + 4 attempts' worth of looks."""
    group, site = np.zeros(8, np.int64), np.repeat([0, 1], 4)
    came = np.array([1, 1, 1, 0, 1, 0, 0, 0], dtype=np.float64)
    pooled = Pooled(group, group, np.full(8, 0.5), np.full(8, 0.5), np.full(8, 2.0))
    beside = expected_beside(pooled, site, came, np.full(8, 0.5), np.array([3.0, 1.0]))
    np.testing.assert_allclose(beside, 0.5 * (1 + 4) / (1 + 8))
