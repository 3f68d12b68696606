"""Log-rank and Gehan tests: by hand, published, against libraries, all shuffles, laws."""

import itertools

import numpy as np
import pytest

from afterclear.estimators.lifetimes.compare import log_rank
from afterclear.estimators.lifetimes.lifetimes import Lifetimes, lifetimes, observed_lifetimes
from tests.estimators.open_data import library, quiet, random_lives, remission


def _arms(seed: int, n_groups: int, *, entered: bool = False) -> tuple[Lifetimes, np.ndarray]:
    rows = random_lives(seed, n_groups, exact=True, entered=entered)
    rows = lifetimes(
        np.ceil(rows.low / 50) * 50,  # ties
        np.where(rows.failed, np.ceil(rows.low / 50) * 50, np.inf),
        entry=rows.entry,
        group=rows.group,
    )
    return rows, np.random.default_rng(seed + 1).integers(0, 2, rows.low.size)


def test_two_against_two_by_hand() -> None:
    """Arm 1 fails at 1 and 3, arm 0 at 2 and lasts to 4.

    At 1: 4 at risk, 2 in arm 1, expected 1/2, variance 1/4; at 2: 3, 1: 1/3, 2/9; at 3: 2, 1:
    1/2, 1/4.  Observed 2 less 4/3; 2/3 squared over 13/18.
    """
    tests = log_rank(observed_lifetimes([1, 2, 3, 4], [1, 1, 1, 0]), np.array([1, 0, 1, 0]))
    assert tests.observed[0] == 2
    assert tests.expected[0] == pytest.approx(4 / 3, rel=1e-14)
    assert tests.chi_square[0] == pytest.approx((2 / 3) ** 2 / (13 / 18), rel=1e-13)


def test_remission_times() -> None:
    """16.79294099 and Gehan 13.45785205: R survdiff, lifelines, surpyval.

    16.79 and 13.46 in Kleinbaum & Klein, Survival Analysis (from memory).
    """
    rows, arm = remission()
    tests = log_rank(rows, arm)
    assert tests.chi_square[0] == pytest.approx(16.79294099, abs=5e-9)
    assert (tests.observed[0], tests.n_failed[0]) == (9, 30)
    assert tests.expected[0] == pytest.approx(19.250501, abs=5e-7)
    gehan = log_rank(rows, arm, weighting="gehan")
    assert gehan.chi_square[0] == pytest.approx(13.45785205, abs=5e-9)
    assert gehan.p_value[0] == pytest.approx(0.000243983, abs=5e-10)


def test_both_weightings_agree_with_lifelines() -> None:
    """25 random groups with ties, to 1e-9."""
    statistics = library("lifelines.statistics")
    rows, arm = _arms(91, 25)
    for weighting, name in (("log_rank", None), ("gehan", "wilcoxon")):
        tests = log_rank(rows, arm, weighting=weighting)  # type: ignore[arg-type]
        for group in range(25):
            own = rows.group == group
            with quiet():
                other = statistics.logrank_test(
                    rows.low[own & (arm == 1)],
                    rows.low[own & (arm == 0)],
                    rows.failed[own & (arm == 1)],
                    rows.failed[own & (arm == 0)],
                    weightings=name,
                )
            assert tests.chi_square[group] == pytest.approx(other.test_statistic, rel=1e-9)
            assert tests.p_value[group] == pytest.approx(other.p_value, rel=1e-9)


def test_late_entry_and_strata_agree_with_statsmodels() -> None:
    """Either, to 1e-9; it fails on both at once (0.15: entries are not split by stratum)."""
    duration = library("statsmodels.duration.survfunc")
    rows, arm = _arms(92, 10, entered=True)
    stratum = np.random.default_rng(0).integers(0, 3, arm.size)
    told = rows.low > rows.entry
    rows, arm, stratum = rows.take(told), arm[told], stratum[told]
    watched_from_new = lifetimes(rows.low, rows.high, group=rows.group)
    late, by_stratum = log_rank(rows, arm), log_rank(watched_from_new, arm, stratum=stratum)
    for group in range(10):
        own = rows.group == group
        with quiet():
            chi_square, p_value = duration.survdiff(
                rows.low[own], rows.failed[own], arm[own], entry=rows.entry[own]
            )
            stratified, _ = duration.survdiff(
                rows.low[own], rows.failed[own], arm[own], strata=stratum[own]
            )
        assert late.chi_square[group] == pytest.approx(chi_square, rel=1e-9)
        assert late.p_value[group] == pytest.approx(p_value, rel=1e-9)
        assert by_stratum.chi_square[group] == pytest.approx(stratified, rel=1e-9)


def test_the_shuffled_p_value_is_the_share_of_all_shuffles_as_extreme() -> None:
    """7 units, 3 in arm 1: all 35 shuffles enumerated, late entry and ties among them.

    Within 4 standard errors of 40,000 shuffles.
    """
    duration, failed = [2, 3, 3, 5, 6, 8, 9], [1, 1, 0, 1, 1, 0, 1]
    entry = [0, 0, 1, 0, 2, 0, 0]
    rows = observed_lifetimes(duration, failed, entry=entry)
    arm = np.array([1, 1, 0, 1, 0, 0, 0])

    def statistic(chosen: np.ndarray) -> float:
        tests = log_rank(rows, chosen)
        return abs(float(tests.observed[0] - tests.expected[0]))

    found = statistic(arm)
    extreme = []
    for chosen in itertools.combinations(range(7), 3):
        shuffle = np.zeros(7, int)
        shuffle[list(chosen)] = 1
        extreme.append(statistic(shuffle) >= found - 1e-9)
    exact = np.mean(extreme)
    tests = log_rank(rows, arm, rng=np.random.default_rng(1), n_shuffles=40_000)
    assert tests.permuted[0]
    assert tests.p_value[0] == pytest.approx(exact, abs=4 * np.sqrt(exact * (1 - exact) / 4e4))


def test_shuffles_stay_inside_strata() -> None:
    """Two strata of one unit an arm each: 4 shuffles, |U| the same or less in all but 2."""
    rows = observed_lifetimes([1, 2, 1, 2], [1, 1, 1, 1])
    arm, stratum = np.array([1, 0, 1, 0]), np.array([0, 0, 1, 1])
    tests = log_rank(rows, arm, stratum=stratum, rng=np.random.default_rng(2), n_shuffles=20_000)
    assert tests.p_value[0] == pytest.approx(0.5, abs=0.015)


def test_shuffled_p_values_are_even_without_a_difference() -> None:
    """800 comparisons of 6 units with 12, 2 to 9 failures: at most 5 % + 3 standard errors."""
    rng = np.random.default_rng(93)
    group = np.repeat(np.arange(800), 18)
    age, end = rng.exponential(1000, group.size), rng.uniform(100, 600, group.size)
    rows = observed_lifetimes(np.minimum(age, end), age <= end, group=group)
    arm = np.tile(np.repeat([1, 0], [6, 12]), 800)
    tests = log_rank(rows, arm, rng=rng, n_shuffles=499)
    few = tests.permuted & (tests.n_failed >= 4)
    assert few.sum() > 300
    assert np.mean(tests.p_value[few] < 0.05) <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / few.sum())


def test_only_comparisons_with_few_failures_or_units_are_shuffled() -> None:
    rng = np.random.default_rng(94)
    group = np.repeat([0, 1, 2, 3], [40, 40, 12, 5])
    rows = observed_lifetimes(
        rng.exponential(1, 97), np.repeat([1, 0, 1, 1, 1], [9, 31, 40, 12, 5]), group=group
    )
    arm = np.concatenate((np.tile([0, 1], 20), np.tile([0, 1], 20), np.repeat([1, 0], [4, 8])))
    arm = np.append(arm, np.zeros(5, int))
    tests = log_rank(rows, arm, rng=rng, n_shuffles=99)
    assert tests.permuted.tolist() == [True, False, True, False]
    assert np.isnan(tests.p_value).tolist() == [False, False, False, True]


def test_arms_may_change_names_and_rows_their_order() -> None:
    rows, arm = _arms(95, 20, entered=True)
    tests, other = log_rank(rows, arm), log_rank(rows, 1 - arm)
    assert other.chi_square == pytest.approx(tests.chi_square, rel=1e-9)
    order = np.random.default_rng(3).permutation(arm.size)
    again = log_rank(rows.take(order), arm[order])
    assert again.chi_square == pytest.approx(tests.chi_square, rel=1e-10)


def test_what_it_cannot_compare_is_refused() -> None:
    with pytest.raises(ValueError, match="use life_ratio for intervals"):
        log_rank(lifetimes([1, 1], [2, np.inf]), np.array([0, 1]))
    with pytest.raises(ValueError, match="arm must be 0 or 1, but is 2 in row 1"):
        log_rank(observed_lifetimes([1, 2], [1, 1]), np.array([0, 2]))
    with pytest.raises(ValueError, match="one unit a row"):
        log_rank(observed_lifetimes([1, 2], [1, 1], weight=[1, 2]), np.array([0, 1]))
