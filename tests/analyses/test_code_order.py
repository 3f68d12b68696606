"""Which code is the cause: sign test by hand, coverage traps, and the score's rules."""

import numpy as np
import pytest
from scipy import stats

from afterclear.analyses.code_order import (
    OnsetOrder,
    RepairEvidence,
    direction,
    onset_order,
    sign_test,
)


def _order(a_first: float, b_first: float) -> OnsetOrder:
    a, b = np.array([a_first]), np.array([b_first])
    return OnsetOrder(a, b, np.zeros(1), sign_test(a, b))


def _repairs(b_gone: float, n_a: float, a_gone: float, n_b: float) -> RepairEvidence:
    return RepairEvidence(*(np.array([x], float) for x in (b_gone, n_a, a_gone, n_b)))


COUNTS = tuple(np.array([x]) for x in (20.0, 25.0, 30.0))


def test_the_sign_test_is_the_exact_binomial_one() -> None:
    """24 to 2: p 1e-5; 5 to 2: .45; as an earlier simulation had them; scipy on all to 30."""
    assert sign_test(np.array([24.0]), np.array([2.0]))[0] == pytest.approx(1e-5, rel=0.06)
    assert sign_test(np.array([5.0]), np.array([2.0]))[0] == pytest.approx(0.453125, rel=1e-12)
    for n in range(1, 31):
        wins = np.arange(n + 1.0)
        exact = [stats.binomtest(int(k), n).pvalue for k in wins]
        assert sign_test(wins, n - wins) == pytest.approx(exact, rel=1e-10)
    assert sign_test(np.zeros(1), np.zeros(1))[0] == 1


def test_only_intervals_that_do_not_overlap_say_who_came_first() -> None:
    """(0, 5] before (5, 9]; (4, 9] over (5, 8]; (8, 9] after (0, 8]; two exact at once."""
    found = onset_order(
        np.array([0, 0, 0, 1]), ([0, 4, 8, 7], [5, 9, 9, 7]), ([5, 5, 0, 7], [9, 8, 8, 7])
    )
    assert found.a_first.tolist() == [1, 0]
    assert found.b_first.tolist() == [1, 0]
    assert found.ties.tolist() == [1, 1]
    with pytest.raises(ValueError, match="must not end before it begins"):
        onset_order(np.array([0]), ([5], [4]), ([0], [1]))


def _seen(
    rng: np.random.Generator, onset: np.ndarray, read: float
) -> tuple[np.ndarray, np.ndarray]:
    """Interval of an onset from scans each 3000 km that read its unit in a share of cases."""
    at = np.arange(0, 90_000, 3000.0)
    did = rng.random((onset.size, at.size)) < read
    did[:, 0] = did[:, -1] = True
    low = np.where(did & (at < onset[:, None]), at, 0).max(axis=1)
    high = np.where(did & (at >= onset[:, None]), at, 1e9).min(axis=1)
    return low, high


@pytest.mark.parametrize("a_is_cause", [True, False])
def test_partial_coverage_does_not_turn_the_order_round(*, a_is_cause: bool) -> None:
    """B's unit read in 30 % of scans, 300 km between onsets.

    Naive order says A first either way; intervals that do not overlap only when it is so.
    """
    rng = np.random.default_rng(151)
    first = rng.uniform(3000, 80_000, 400)
    second = first + rng.exponential(300, 400)
    a, b = (first, second) if a_is_cause else (second, first)
    a_onset, b_onset = _seen(rng, a, 1.0), _seen(rng, b, 0.3)
    naive_a, naive_b = (a_onset[1] < b_onset[1]).sum(), (b_onset[1] < a_onset[1]).sum()
    assert naive_a > 5 * naive_b
    found = onset_order(np.zeros(400, int), a_onset, b_onset)
    wins, losses = found.a_first[0], found.b_first[0]
    assert (wins > losses) == a_is_cause
    assert found.ties[0] > 300


def test_repairs_of_one_alone_name_the_cause() -> None:
    """144 of 152 against 14 of 147, as made up to show its power."""
    found = direction(_repairs(144, 152, 14, 147), _order(0, 0), COUNTS)
    assert found.cause[0] == "a"
    log_odds = np.log(144.5 * 133.5 / (8.5 * 14.5))
    error = np.sqrt(1 / 144.5 + 1 / 8.5 + 1 / 14.5 + 1 / 133.5)
    assert found.log_odds[0] == pytest.approx(log_odds, rel=1e-13)
    assert found.log_odds_low[0] == pytest.approx(log_odds - 1.959963984540054 * error, rel=1e-12)
    turned = direction(_repairs(14, 147, 144, 152), _order(0, 0), COUNTS)
    assert turned.cause[0] == "b"


@pytest.mark.parametrize(
    ("repairs", "order", "cause"),
    [
        ((0, 0, 0, 0), (0, 0), "unclear"),  # nothing known
        ((0, 0, 0, 0), (9, 0), "a"),  # order alone
        ((0, 0, 0, 0), (1, 9), "b"),
        ((3, 4, 1, 4), (3, 2), "unclear"),  # neither is sure
        ((40, 42, 2, 40), (0, 9), "unclear"),  # they disagree
        ((40, 42, 2, 40), (9, 0), "a"),  # they agree
    ],
)
def test_a_cause_is_called_only_on_sure_and_undivided_evidence(
    repairs: tuple[float, ...], order: tuple[float, float], cause: str
) -> None:
    assert direction(_repairs(*repairs), _order(*order), COUNTS).cause[0] == cause


def test_the_score_weighs_and_shrinks_its_three_terms() -> None:
    found = direction(_repairs(3, 4, 1, 6), _order(3, 1), COUNTS)
    repair = np.log(3.5 * 5.5 / (1.5 * 1.5)) * 8 / 13
    by_order = 0.5 * np.log(3.5 / 1.5) * 4 / 9
    asymmetry = 0.25 * np.log(30.5 / 25.5) * 20 / 25
    assert found.score[0] == pytest.approx(repair + by_order + asymmetry, rel=1e-12)


def test_more_gone_than_repaired_is_refused() -> None:
    with pytest.raises(ValueError, match="no more codes can be gone"):
        direction(_repairs(5, 4, 0, 0), _order(0, 0), COUNTS)
