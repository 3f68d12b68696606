"""Which code is the cause: repair evidence by hand, and the score's rules."""

import numpy as np
import pytest
from scipy import stats

from afterclear.estimators.codes.code_order import (
    OnsetOrder,
    RepairEvidence,
    direction,
)


def _order(a_first: float, b_first: float) -> OnsetOrder:
    n = a_first + b_first
    p = stats.binomtest(int(a_first), int(n)).pvalue if n else 1.0
    return OnsetOrder(np.array([a_first]), np.array([b_first]), np.zeros(1), np.array([p]))


def _repairs(
    b_gone: float, n_a: float, a_gone: float, n_b: float, *, each: float = 1.0
) -> RepairEvidence:
    """Make evidence of vehicles with ``each`` repairs."""
    counts = (b_gone, n_a, a_gone, n_b, n_a / each, n_b / each)
    return RepairEvidence(*(np.array([x], float) for x in counts))


COUNTS = tuple(np.array([x]) for x in (20.0, 25.0, 30.0))


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


def test_four_repairs_of_each_vehicle_say_no_more_than_one_of_each() -> None:
    """What one vehicle's own trouble brings back four times is one sign, not four."""
    found = direction(_repairs(21, 36, 9, 36, each=4), _order(0, 0), COUNTS)
    alone = direction(_repairs(21, 36, 9, 36), _order(0, 0), COUNTS)
    assert (found.cause[0], alone.cause[0]) == ("unclear", "a")
    reach, before = (d.log_odds_high[0] - d.log_odds[0] for d in (found, alone))
    assert reach == pytest.approx(2 * before, rel=1e-12)


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
