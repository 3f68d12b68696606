"""Rising rates: false alarms within their limit, and beside the Poisson CUSUM as a yardstick."""

import numpy as np
import pytest
from scipy import stats

from afterclear.estimators.arrays.validation import FloatArray
from afterclear.estimators.rates.rising import RateRecord
from tests.estimators.counted_fleet import CountedFleet, planted, record_of, searched

RARE = 0.05  # false alarms a year: a test wants none


def cusum_run_length(mean: float, reference: int, limit: int) -> float:
    """Average run length of a Poisson CUSUM with whole steps, by its Markov chain.

    It signals at ``limit`` or above (Lucas 1985, Technometrics 27, 129-144).
    """
    states = np.arange(limit)
    steps = stats.poisson(mean).pmf(states[None, :] - states[:, None] + reference)
    steps[:, 0] = stats.poisson(mean).cdf(reference - states)
    return float(np.linalg.solve(np.eye(limit) - steps, np.ones(limit))[0])


def cusum_alarm(counts: FloatArray, reference: int, limit: int) -> int:
    """First day of a Poisson CUSUM's signal; the length of the record if there is none."""
    total = 0.0
    for day, count in enumerate(counts, start=1):
        total = max(0.0, total + count - reference)
        if total >= limit:
            return day
    return counts.size


def cut(record: RateRecord, n_days: int) -> RateRecord:
    """Give the record as it was on a day."""
    return RateRecord(
        record.onsets[:, :n_days],
        record.km[:, :n_days],
        record.all_onsets[:n_days],
        record.all_km[:n_days],
    )


@pytest.mark.parametrize(
    ("mean", "run_length"),
    # R package IAcsSPCR 1.2.1, example of arl(): Lucas's CUSUM with h = 6, k = 2 at lambda 1.88,
    # and 0.9627 standard deviations above it
    [(1.88, 37.2), (1.88 + 0.9627 * np.sqrt(1.88), 5.49)],
)
def test_the_run_length_of_the_yardstick_is_the_published_one(
    mean: float, run_length: float
) -> None:
    assert cusum_run_length(mean, 2, 6) == pytest.approx(run_length, rel=0.002)


def test_the_yardsticks_simulated_run_length_is_that_of_its_chain() -> None:
    rng = np.random.default_rng(5)
    runs = [cusum_alarm(rng.poisson(1.88, 800), 2, 6) for _ in range(400)]
    assert np.mean(runs) == pytest.approx(37.2, rel=0.15)


def test_a_tripled_rate_of_one_group_is_found_and_dated() -> None:
    fleet = CountedFleet(vehicles=100, per_year=(2.0,))
    record = record_of(fleet, 0, np.random.default_rng(1), planted(fleet, 3, 450, 3.0))
    (rise,) = searched([record], RARE)[0]
    assert rise.group == 3
    assert 450 < rise.alarm_day < 510
    assert rise.start_low <= 450 <= rise.start_high
    assert rise.ratio_low < 3 < rise.ratio_high


def test_equal_groups_raise_no_alarm() -> None:
    fleet = CountedFleet(vehicles=50, per_year=(1.0, 0.3))
    records = [record_of(fleet, kind, np.random.default_rng(kind)) for kind in (0, 1)]
    assert searched(records, RARE) == [[], []]


def test_a_rise_of_all_groups_at_once_is_none_of_one_group() -> None:
    fleet = CountedFleet(vehicles=50, per_year=(2.0,))
    everywhere = np.ones((fleet.n_groups, fleet.n_days))
    everywhere[:, 450:] = 3.0
    assert searched([record_of(fleet, 0, np.random.default_rng(2), everywhere)], RARE) == [[]]


def test_what_is_found_does_not_depend_on_later_days() -> None:
    fleet = CountedFleet(vehicles=100, per_year=(2.0,))
    record = record_of(fleet, 0, np.random.default_rng(1), planted(fleet, 3, 450, 3.0))
    (rise,) = searched([record], RARE)[0]
    day = rise.alarm_day + 1
    (then,) = searched([cut(record, day)], RARE)[0]
    assert then.alarm_day == rise.alarm_day
    assert searched([cut(record, day - 1)], RARE) == [[]]


def test_no_rise_is_told_whose_interval_on_the_day_it_is_found_holds_the_old_rate() -> None:
    """Few onsets, a limit that is easily passed: the sum alone would tell of many."""
    fleet = CountedFleet(vehicles=50, per_year=(0.1,))
    told = 0
    for seed in range(12):
        record = record_of(fleet, 0, np.random.default_rng(seed))
        for rise in searched([record], 100.0)[0]:
            known = searched([cut(record, rise.alarm_day + 1)], 100.0)[0]
            then = [each for each in known if each.group == rise.group][-1]
            assert (then.alarm_day, then.ratio_low > 1) == (rise.alarm_day, True)
            told += 1
    assert told > 3


def test_a_rise_that_ended_is_over_and_a_second_one_is_new() -> None:
    fleet = CountedFleet(vehicles=100, per_year=(3.0,), n_days=1000)
    twice = np.ones((fleet.n_groups, fleet.n_days))
    twice[3, 300:420], twice[3, 850:] = 4.0, 4.0
    first, second = searched([record_of(fleet, 0, np.random.default_rng(3), twice)], RARE)[0]
    assert first.over_day is not None
    assert 420 < first.over_day < 520
    assert second.alarm_day > 850
    assert second.over_day is None


@pytest.mark.slow
@pytest.mark.parametrize("spread", [0.0, 0.7])
def test_false_alarms_stay_below_their_limit_however_groups_differ(spread: float) -> None:
    fleet = CountedFleet(per_year=(2.0,), spread=spread)
    n = sum(
        len(searched([record_of(fleet, 0, np.random.default_rng(1000 + number))])[0])
        for number in range(40)
    )
    # Ville's bound for one a year; measured: 0.2 to 0.3
    assert n / (40 * (fleet.n_days - 60) / 365) < 0.6
