"""Judgements of fix attempts: what must hold whatever the data, and with little or odd data."""

import numpy as np
import pytest

from afterclear.estimators.fix_held.fix_held import UNSEEN, FixHeld
from tests.estimators.fix_held_alone import fix_held
from tests.estimators.simulated_fleet import (
    BACKGROUND,
    Attempts,
    Scanning,
    Truth,
    group_codes,
    new_faults,
    observe,
    ordinary_fleet,
    ordinary_truth,
)


def _judged(fleet: Attempts, background: float = BACKGROUND) -> FixHeld:
    return fix_held(fleet.group, fleet.low_km, fleet.high_km, background)


def test_more_clean_km_never_make_a_failure_likelier_in_a_group() -> None:
    fleet = ordinary_fleet(21, n_groups=60)
    found = _judged(fleet)
    for code in range(60):
        rows = np.flatnonzero((fleet.group == code) & ~fleet.returned)
        rows = rows[np.argsort(fleet.low_km[rows], kind="stable")]
        assert (np.diff(found.p_not_held[rows]) <= 1e-12).all()
        assert (np.diff(found.km_to_go[rows]) <= 1e-6).all()


def test_the_order_of_rows_changes_no_bit() -> None:
    fleet = ordinary_fleet(22, n_groups=300)
    straight = _judged(fleet)
    order = np.random.default_rng(0).permutation(fleet.group.size)
    mixed = fix_held(fleet.group[order], fleet.low_km[order], fleet.high_km[order], BACKGROUND)
    np.testing.assert_array_equal(mixed.p_not_held, straight.p_not_held[order])
    np.testing.assert_array_equal(mixed.p_same_fault, straight.p_same_fault[order])
    np.testing.assert_array_equal(mixed.km_to_go, straight.km_to_go[order])
    np.testing.assert_array_equal(mixed.groups.p_low, straight.groups.p_low)


def test_the_numbering_of_groups_does_not_matter() -> None:
    """Sums over groups run in another order, in single precision: 1e-5, through the prior."""
    fleet = ordinary_fleet(23)
    straight = _judged(fleet)
    names = np.random.default_rng(1).permutation(60)
    renamed = fix_held(names[fleet.group], fleet.low_km, fleet.high_km, BACKGROUND)
    np.testing.assert_allclose(renamed.p_not_held, straight.p_not_held, rtol=1e-5)
    np.testing.assert_allclose(renamed.groups.p_mean[names[:40]], straight.groups.p_mean, rtol=1e-5)


def test_another_unit_of_distance_changes_distances_only() -> None:
    """Days or miles do as well as km; single precision rounds otherwise: 1e-5."""
    fleet, mile = ordinary_fleet(24), 1.609344
    km = _judged(fleet)
    miles = fix_held(fleet.group, fleet.low_km / mile, fleet.high_km / mile, BACKGROUND * mile)
    np.testing.assert_allclose(miles.p_not_held, km.p_not_held, rtol=1e-5)
    np.testing.assert_allclose(miles.km_to_go * mile, km.km_to_go, rtol=1e-5, atol=1e-2)


def test_an_attempt_nobody_looked_at_gets_what_its_group_says() -> None:
    """Low 0 and high inf: no evidence of its own, and no weight in its group."""
    with_it = fix_held([0, 0, 0], [0.0, 900.0, 4000.0], [np.inf, 1500.0, np.inf])
    without = fix_held([0, 0], [900.0, 4000.0], [1500.0, np.inf])
    assert with_it.p_not_held[0] == with_it.groups.p_mean[0] == without.groups.p_mean[0]
    assert with_it.km_to_go[0] == without.groups.clean_km_needed[0]
    assert with_it.groups.n_attempts[0] == 3
    assert with_it.groups.n_informative[0] == 2


def test_returned_and_clean_attempts_are_asked_different_questions() -> None:
    fleet = ordinary_fleet(25)
    found = _judged(fleet)
    np.testing.assert_array_equal(np.isnan(found.p_not_held), fleet.returned)
    np.testing.assert_array_equal(np.isnan(found.km_to_go), fleet.returned)
    np.testing.assert_array_equal(np.isnan(found.p_same_fault), ~fleet.returned)
    p = np.where(fleet.returned, found.p_same_fault, found.p_not_held)
    assert ((p >= 0) & (p <= 1)).all()
    below = found.p_not_held < found.threshold
    assert (found.km_to_go[below] == 0).all()
    assert (found.km_to_go[~below & ~fleet.returned] > 0).all()


def test_without_a_background_each_return_is_the_old_fault() -> None:
    fleet = ordinary_fleet(26, background=0.0)
    found = _judged(fleet, background=0.0)
    np.testing.assert_allclose(found.p_same_fault[fleet.returned], 1.0, rtol=1e-12)


def test_the_more_new_faults_there_are_the_less_a_return_says_of_the_fix() -> None:
    fleet = ordinary_fleet(27)
    rates = (1e-6, 1e-5, 1e-4, 1e-2)
    shares = [np.nanmean(_judged(fleet, rate).p_same_fault) for rate in rates]
    assert (np.diff(shares) < 0).all()
    assert shares[0] > 0.9


def test_a_very_long_clean_distance_proves_the_fix() -> None:
    fleet = ordinary_fleet(28)
    low = np.append(fleet.low_km, 1e7)
    found = fix_held(np.append(fleet.group, 0), low, np.append(fleet.high_km, np.inf), BACKGROUND)
    assert found.p_not_held[-1] < 1e-6


def test_groups_lend_each_other_strength_and_little_across_strata() -> None:
    """A new attempt in a stratum where fixes fail is judged otherwise than where they hold."""
    rng = np.random.default_rng(29)
    group = np.repeat(np.arange(100), 6)
    stratum = (group >= 50).astype(np.int64)
    share = np.where(stratum == 1, 0.5, 0.05)
    truth = Truth(share, np.full(600, 1500.0), np.full(600, 1.2), np.zeros(600))
    seen = observe(rng, group, truth, Scanning(3000.0))
    found = fix_held(group, seen.low_km, seen.high_km, stratum=stratum, n_groups=101)
    assert found.priors[0].p_mean == pytest.approx(0.05, abs=0.04)
    assert found.priors[1].p_mean == pytest.approx(0.5, abs=0.08)
    low, high = found.return_probability([UNSEEN, UNSEEN - 1], [0.0, 0.0], [9000.0, 9000.0])
    assert low < 0.1
    assert high > 0.4
    # on 28 nodes, see above: an a of .4 makes a steep density
    assert found.groups.p_mean[100] == pytest.approx(found.priors[0].p_mean, rel=1e-2)
    alone = fix_held(
        group[stratum == 1] - 50, seen.low_km[stratum == 1], seen.high_km[stratum == 1]
    )
    np.testing.assert_allclose(found.p_not_held[stratum == 1], alone.p_not_held, atol=0.05)


def test_a_group_in_two_strata_is_refused() -> None:
    with pytest.raises(ValueError, match="group 4 has attempts in more than one stratum"):
        fix_held([4, 4], [10.0, 20.0], [np.inf, np.inf], stratum=[0, 1])


# --- chances of return, for observed over expected --------------------------------------------


def test_chances_of_return_add_up_along_an_attempt() -> None:
    found = _judged(ordinary_fleet(31))
    km = np.array([0.0, 500.0, 2000.0, 9000.0])
    steps = found.return_probability(np.full(3, 5), km[:-1], km[1:], new_faults(km[:-1], km[1:]))
    whole = found.return_probability([5], [0.0], [9000.0], new_faults([0.0], [9000.0]))
    assert 1 - np.prod(1 - steps) == pytest.approx(whole[0], rel=1e-12)


def test_without_new_faults_not_all_return_and_with_them_all_do() -> None:
    found = _judged(ordinary_fleet(32))
    never = found.return_probability([2], [0.0], [np.inf])
    assert never[0] == pytest.approx(found.groups.p_mean[2], rel=1e-9)
    assert found.return_probability([2], [0.0], [np.inf], (0.0, np.inf))[0] == 1.0


@pytest.mark.parametrize("gap", [1500.0, 6000.0])
def test_expected_returns_are_those_observed_however_often_a_site_looks(gap: float) -> None:
    """2000 groups; the part of the sum that is approximate makes it 1 to 3 % too high."""
    rng = np.random.default_rng(33)
    group = group_codes(rng, 2000, 5.0)
    seen = observe(rng, group, ordinary_truth(rng, group, BACKGROUND), Scanning(gap))
    found = fix_held(group, seen.low_km, seen.high_km, BACKGROUND)
    expected = found.expected_returns(
        group, seen.low_km, seen.high_km, seen.n_clean_scans, new_faults(seen.low_km, seen.high_km)
    )
    assert expected.sum() / seen.returned.sum() == pytest.approx(1.0, abs=0.05)
    unlooked = (seen.low_km == 0) & ~seen.returned
    assert (expected[unlooked] == 0).all()


def test_one_clean_scan_and_no_return_make_it_the_chance_of_return() -> None:
    found = _judged(ordinary_fleet(34))
    expected = found.expected_returns([1], [4000.0], [np.inf], [1], new_faults([4000.0], [np.inf]))
    chance = found.return_probability([1], [0.0], [4000.0], new_faults([0.0], [4000.0]))
    assert expected[0] == pytest.approx(chance[0], rel=1e-12)


def test_a_group_that_was_not_fitted_is_refused() -> None:
    found = _judged(ordinary_fleet(35))
    with pytest.raises(ValueError, match="group must be below 40, or -1 for an unseen one"):
        found.return_probability([40], [0.0], [10.0])
    with pytest.raises(ValueError, match="group"):
        found.return_probability([-2], [0.0], [10.0])


# --- little or odd data -----------------------------------------------------------------------


def test_nothing_seen_at_all_is_answered_from_the_weak_prior() -> None:
    found = fix_held([0, 1], [0.0, 0.0], [np.inf, np.inf])
    np.testing.assert_allclose(found.p_not_held, 0.9 * 0.25, rtol=1e-2)  # Beta(1, 3), or none
    assert (found.km_to_go > 0).all()
    assert found.groups.n_informative.tolist() == [0, 0]


def test_a_fleet_where_no_fix_fails_is_known_as_one_and_never_taken_for_one_where_they_do() -> None:
    group, late = np.repeat(np.arange(5), 30), np.arange(150) % 6 == 0
    low = np.where(late, 12_000.0, 15_000.0)
    high = np.where(late, 15_000.0, np.inf)
    found = fix_held(group, low, high, 1e-5, span_km=(150, 12_000))
    assert found.none_fails > 0.8
    assert found.p_same_fault[late].max() < 0.03
    soon = np.where(late, 500.0, low), np.where(late, 2500.0, high)
    assert fix_held(group, *soon, 1e-5, span_km=(150, 12_000)).none_fails < 1e-6


def test_no_attempts_are_no_error() -> None:
    found = fix_held([], [], [])
    assert found.p_not_held.size == found.groups.p_mean.size == 0
    assert fix_held([], [], [], n_groups=2).groups.p_mean.size == 2


def test_only_clean_attempts_are_likely_held_and_only_returns_likely_not() -> None:
    group = np.repeat(np.arange(5), 20)
    clean = fix_held(group, np.full(100, 20_000.0), np.full(100, np.inf))
    assert (clean.groups.p_high < 0.25).all()
    assert (clean.p_not_held < 0.01).all()
    back = fix_held(group, np.full(100, 500.0), np.full(100, 3000.0))
    assert (back.groups.p_low > 0.75).all()
    assert (np.diff(back.groups.p_mean) == 0).all()


def test_one_return_within_a_metre_and_one_after_a_million_km_are_bearable() -> None:
    found = fix_held([0, 0, 1], [0.0, 1e6, 5.0], [0.001, 1.001e6, np.inf], [1e-5, 1e-5, 0.0])
    assert np.isfinite(found.groups.p_mean).all()
    assert np.isfinite(found.p_same_fault[:2]).all()


def test_intervals_of_p_hold_their_mean_and_narrow_with_attempts() -> None:
    fleet = ordinary_fleet(36, n_groups=300)
    groups = _judged(fleet).groups
    assert ((groups.p_low < groups.p_mean) & (groups.p_mean < groups.p_high)).all()
    width = groups.p_high - groups.p_low
    many, few = groups.n_informative >= 10, groups.n_informative <= 2
    assert width[many].mean() < width[few].mean()
    narrow = fix_held(fleet.group, fleet.low_km, fleet.high_km, BACKGROUND, conf_level=0.8).groups
    assert (narrow.p_high - narrow.p_low < width).all()


def test_a_stricter_threshold_asks_for_more_clean_km() -> None:
    fleet = ordinary_fleet(37)
    lax = _judged(fleet)
    strict = fix_held(fleet.group, fleet.low_km, fleet.high_km, BACKGROUND, threshold=0.01)
    assert (strict.groups.clean_km_needed > lax.groups.clean_km_needed).all()
    np.testing.assert_array_equal(strict.p_not_held, lax.p_not_held)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"high_km": [5.0]}, "high must be above low"),
        ({"low_km": [np.nan]}, "low must be finite"),
        ({"group": [0, 1]}, "same shape"),
        ({"background_per_km": [-1.0]}, "background_per_km must be 0 or more"),
        ({"threshold": 1.0}, "threshold must be between 0 and 1"),
        ({"conf_level": 0.0}, "conf_level must be between 0 and 1"),
        ({"group": [3], "n_groups": 2}, "n_groups is 2, but group codes go up to 3"),
    ],
)
def test_what_does_not_go_together_is_refused(change: dict[str, object], message: str) -> None:
    arguments: dict[str, object] = {"group": [0], "low_km": [10.0], "high_km": [np.inf]}
    with pytest.raises(ValueError, match=message):
        fix_held(**{**arguments, **change})  # type: ignore[arg-type]
