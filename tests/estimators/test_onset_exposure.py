"""Which fault came first, held against exposure."""

import numpy as np
import pytest
from scipy import stats

from afterclear.estimators.codes.onset_exposure import exposed_order

NONE = np.zeros(1)


def p_of(a: float, b: float, share: float) -> float:
    found = exposed_order(np.array([a]), np.array([b]), np.array([share]), NONE)
    return float(found.p_value[0])


@pytest.mark.parametrize(
    ("a", "b", "share"),
    [(9, 1, 0.5), (9, 1, 0.8), (1, 9, 0.2), (4, 0, 0.9), (0, 3, 0.5), (5, 5, 0.3)],
)
def test_p_is_twice_the_smaller_binomial_tail(a: int, b: int, share: float) -> None:
    """Against scipy's binomial distribution, which sums terms; here it is an incomplete beta."""
    n = a + b
    tails = (stats.binom.sf(a - 1, n, share), stats.binom.cdf(a, n, share))
    assert p_of(a, b, share) == pytest.approx(min(1.0, 2 * min(tails)), rel=1e-9)


def test_by_hand_nine_of_ten_at_equal_exposure() -> None:
    """P(9 or 10 of 10) = 11/1024, doubled."""
    assert p_of(9, 1, 0.5) == pytest.approx(22 / 1024)


def test_what_exposure_explains_is_no_order() -> None:
    """The longer-lasting fault is first 9 times of 10, as its exposure alone would give."""
    assert p_of(9, 1, 0.9) == 1.0


def test_no_untied_onsets_give_p_one() -> None:
    assert p_of(0, 0, 0.5) == 1.0


def test_swapping_the_two_swaps_the_counts_and_keeps_p() -> None:
    there = exposed_order(np.array([7.0]), np.array([2.0]), np.array([0.3]), NONE)
    back = exposed_order(np.array([2.0]), np.array([7.0]), np.array([0.7]), NONE)
    assert there.p_value == pytest.approx(back.p_value)
    assert there.a_first == pytest.approx(back.b_first)


def test_counts_given_back_are_equal_where_exposure_explains_all() -> None:
    found = exposed_order(np.array([8.0]), np.array([2.0]), np.array([0.8]), NONE)
    assert found.a_first == pytest.approx(found.b_first)


def test_p_covers_its_level_when_nothing_is_there() -> None:
    """Unrelated faults are called at 5 % in no more than 5 % of trials (the test is exact)."""
    rng = np.random.default_rng(3)
    share = rng.uniform(0.2, 0.8, 20_000)
    a = rng.binomial(20, share).astype(np.float64)
    found = exposed_order(a, 20 - a, share, np.zeros(share.size))
    assert (found.p_value < 0.05).mean() <= 0.05


def test_a_share_of_all_or_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="share_a"):
        p_of(1, 1, 1.0)
