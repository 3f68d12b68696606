"""Whether failures after bare clears come back after other distances than those after repairs."""

from dataclasses import replace

import numpy as np
import pytest

from afterclear.estimators.arrays.validation import FloatArray, IntArray
from afterclear.estimators.fix_held.fix_held import FixHeld, SortedAttempts, sorted_attempts
from afterclear.estimators.fix_held.grid import Rows
from afterclear.estimators.fix_held.pool import Levels, fitted_pool, rough_left_to_others
from afterclear.estimators.fix_held.stretch import Stretch

N_COMPONENTS, N_EACH, SPAN_KM = 4, 150, (150.0, 12_000.0)
BARE = np.array([True, False])
LEVELS = Levels(0.05, 0.95)


def attempts(factor: float, seed: int = 1) -> tuple[Rows, IntArray, IntArray]:
    """Repairs and clears of four components, half fail; clears return ``factor`` times as late."""
    rng = np.random.default_rng(seed)
    group = np.repeat(np.arange(2 * N_COMPONENTS), N_EACH)
    component, stratum = group // 2, group % 2
    eta = 900.0 * 1.5**component * np.where(stratum == 0, factor, 1.0)
    came = np.where(rng.random(group.size) < 0.5, eta * rng.weibull(1.0, group.size), np.inf)
    low = np.minimum(np.floor(came / 400.0) * 400.0, 16_000.0)
    high = np.where(came < 16_000.0, low + 400.0, np.inf)
    other = np.where(np.isfinite(high), 1e-4, 0.0)
    return Rows(group, low, high, other), stratum, component


def sorted_rows(rows: Rows, stratum: IntArray, component: IntArray) -> SortedAttempts:
    tried = sorted_attempts(rows, stratum, component, span_km=SPAN_KM)
    return tried.stretched(Stretch(BARE))


def learnt(factor: float) -> Stretch:
    tried = sorted_rows(*attempts(factor))
    for _ in range(3):
        tried = tried.stretched(rough_left_to_others(tried.evidence).stretch)
    return tried.evidence.stretch


@pytest.mark.parametrize("factor", [3.0, 0.4])
def test_the_factor_between_clears_and_repairs_is_learnt(factor: float) -> None:
    assert learnt(factor).factor == pytest.approx([factor, 1.0], rel=0.2)


def test_where_the_data_do_not_speak_for_a_factor_it_is_one() -> None:
    assert learnt(1.0).factor.tolist() == [1.0, 1.0]


def test_no_factor_is_sought_where_all_attempts_are_of_one_sort() -> None:
    rows, stratum, component = attempts(3.0)
    tried = sorted_attempts(rows, stratum, component, span_km=SPAN_KM)
    assert rough_left_to_others(tried.evidence).stretch.log == 0.0


def test_a_known_factor_is_a_change_of_the_unit_of_km() -> None:
    """Clears measured in units of 2 km, as judged by hand, and by a factor of 2."""
    rows, stratum, component = attempts(2.0)
    unit = np.where(stratum == 0, 2.0, 1.0)
    by_hand = sorted_attempts(
        replace(rows, low_km=rows.low_km / unit, high_km=rows.high_km / unit),
        stratum, component, span_km=SPAN_KM,
    )  # fmt: skip
    tried = sorted_rows(rows, stratum, component).stretched(Stretch(BARE, float(np.log(2.0))))

    def result(of: SortedAttempts) -> FixHeld:
        return of.result(rows, fitted_pool(of.evidence, LEVELS), LEVELS.threshold)

    hand, found = result(by_hand), result(tried)
    each = np.arange(2 * N_COMPONENTS)

    def chance(of: FixHeld, km: FloatArray) -> FloatArray:
        return of.return_probability(each, np.zeros(each.size), km)

    of_group = np.where(each % 2 == 0, 2.0, 1.0)
    np.testing.assert_allclose(found.p_not_held, hand.p_not_held, rtol=1e-6)
    np.testing.assert_allclose(found.p_same_fault, hand.p_same_fault, rtol=1e-6)
    np.testing.assert_allclose(found.km_to_go, hand.km_to_go * unit, rtol=1e-6)
    np.testing.assert_allclose(
        found.groups.eta_median_km, hand.groups.eta_median_km * of_group, rtol=1e-6
    )
    np.testing.assert_allclose(
        chance(found, 1000.0 * of_group), chance(hand, np.full(each.size, 1000.0)), rtol=1e-6
    )


def test_clears_have_curves_of_their_own_where_no_one_factor_fits() -> None:
    """Two components' clears return sooner than repairs, two components' later."""
    rows, stratum, component = attempts(1.0)
    factor = np.where(stratum == 0, np.where(component % 2 == 0, 4.0, 0.4), 1.0)
    rows = replace(rows, low_km=rows.low_km * factor, high_km=rows.high_km * factor)
    tried = sorted_rows(rows, stratum, component)
    decided = rough_left_to_others(tried.evidence).stretch.decided()
    kin = tried.stretched(decided).evidence.kin
    assert decided.is_apart
    assert kin.kin.tolist() == list(range(2 * N_COMPONENTS))
    alike = sorted_rows(*attempts(1.0))
    assert not rough_left_to_others(alike.evidence).stretch.decided().is_apart
