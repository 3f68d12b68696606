"""Ratio of lives with likelihood ratio limits: published, against a plain optimiser, coverage."""

import numpy as np
import pytest
from scipy import optimize, special

from afterclear.estimators.lifetimes.life_ratio import life_ratio
from afterclear.estimators.lifetimes.lifetimes import Lifetimes, lifetimes, observed_lifetimes
from afterclear.estimators.lifetimes.weibull_likelihood import ShapePrior, weibull_likelihood
from tests.estimators.open_data import breast, library, quiet


def _brands(
    seed: int, n_groups: int, size: int, ratio: float = 0.6, shape: float = 1.6
) -> tuple[Lifetimes, np.ndarray, np.ndarray]:
    """One unit in four of arm 1, whose lives are ``ratio`` times as long; two strata."""
    rng = np.random.default_rng(seed)
    group = np.repeat(np.arange(n_groups), size)
    arm = (np.arange(group.size) % 4 == 0).astype(int)
    stratum = rng.integers(0, 2, group.size)
    age = rng.weibull(shape, group.size) * 3000 * np.where(arm == 1, ratio, 1) * (1 + stratum / 2)
    end = rng.uniform(0, 2500, group.size)
    rows = observed_lifetimes(np.minimum(age, end), age <= end, group=group, n_groups=n_groups)
    return rows, arm, stratum


def test_with_a_known_shape_of_1_it_is_the_ratio_of_mean_lives() -> None:
    """3 failures in 12 km against 2 in 4 km: 4 over 2; the other way round 1/2."""
    rows = observed_lifetimes([2, 4, 6, 1, 3], [1, 1, 1, 1, 1])
    arm = np.array([1, 1, 1, 0, 0])
    known = ShapePrior(1.0, 1e-4)
    assert life_ratio(rows, arm, prior=known).ratio[0] == pytest.approx(2.0, rel=1e-6)
    assert life_ratio(rows, 1 - arm, prior=known).ratio[0] == pytest.approx(0.5, rel=1e-6)


def test_breast_deterioration_times() -> None:
    """Treatment in R survreg on intervals: chi-square 12.1210977, coefficient -.566402."""
    rows, treatment = breast()
    found = life_ratio(rows, treatment - 1, prior=None)
    assert np.log(found.ratio[0]) == pytest.approx(-0.566402, abs=5e-7)
    assert special.chdtri(1, found.p_value[0]) == pytest.approx(12.1210977, abs=5e-7)
    assert (found.n_failed_0[0], found.n_failed_1[0]) == (21, 37)


def test_the_ratio_agrees_with_lifelines_regression() -> None:
    """WeibullAFTFitter on exact, censored and late rows, one stratum; 1e-5, its stop."""
    fitter = library("lifelines").WeibullAFTFitter
    pandas = library("pandas")
    rows, arm, _ = _brands(101, 3, 80)
    late = np.where(np.arange(arm.size) % 5 == 0, rows.low * 0.3, 0.0)
    rows = lifetimes(rows.low, rows.high, entry=late, group=rows.group)
    found = life_ratio(rows, arm, prior=None)
    for group in range(3):
        own = rows.group == group
        frame = pandas.DataFrame(
            {
                "km": rows.low[own],
                "failed": rows.failed[own],
                "entry": rows.entry[own],
                "arm": arm[own],
            }
        )
        with quiet():
            model = fitter().fit(frame, "km", "failed", entry_col="entry")
        coefficient = model.params_["lambda_", "arm"]
        assert np.log(found.ratio[group]) == pytest.approx(coefficient, rel=1e-4)


@pytest.mark.parametrize("prior", [None, ShapePrior()])
def test_ratio_limits_and_p_value_are_those_of_the_whole_likelihood(
    prior: ShapePrior | None,
) -> None:
    """All five parameters at once by scipy BFGS, two strata, 90 %; 1e-5 is what BFGS reaches."""
    rows, arm, stratum = _brands(102, 4, 100)
    found = life_ratio(rows, arm, stratum=stratum, prior=prior, conf_level=0.9)
    options = {"gtol": 1e-7}
    for group in range(4):
        own = rows.group == group

        def value(theta: np.ndarray, own: np.ndarray = own) -> float:
            total = 0.0
            for number in (0, 1):
                part = own & (stratum == number)
                factor = np.where(arm[part] == 1, np.exp(-theta[0]), 1.0)
                scaled = lifetimes(rows.low[part] * factor, rows.high[part] * factor)
                at = theta[1 + 2 * number : 3 + 2 * number]
                slopes = weibull_likelihood(scaled, 0.1, prior).at(at[:1], at[1:])
                total -= float(slopes.value[0])
                total += theta[0] * float((rows.exact & part & (arm == 1)).sum())
            return total

        start = np.array([0.0, 6.5, 0.3, 6.5, 0.3])
        best = optimize.minimize(value, start, method="BFGS", options=options)
        assert np.log(found.ratio[group]) == pytest.approx(best.x[0], abs=1e-5)

        def drop(x: float, best: optimize.OptimizeResult = best) -> float:
            def rest(y: np.ndarray) -> float:
                return value(np.append(x, y))

            other = optimize.minimize(rest, best.x[1:], method="BFGS", options=options)
            return float(2 * (other.fun - best.fun))

        aim = special.chdtri(1, 0.1)
        assert drop(np.log(found.low[group])) == pytest.approx(aim, abs=1e-5)
        assert drop(np.log(found.high[group])) == pytest.approx(aim, abs=1e-5)
        assert special.chdtrc(1, drop(0.0)) == pytest.approx(found.p_value[group], rel=1e-4)


def test_an_arm_without_failures_bounds_the_ratio_on_one_side() -> None:
    rows = observed_lifetimes([900, 950, 100, 200, 300, 990], [0, 0, 1, 1, 1, 0])
    arm = np.array([1, 1, 0, 0, 0, 0])
    longer, shorter = life_ratio(rows, arm), life_ratio(rows, 1 - arm)
    assert (longer.ratio[0], longer.high[0]) == (np.inf, np.inf)
    assert (shorter.ratio[0], shorter.low[0]) == (0, 0)
    assert 0 < longer.low[0] < np.inf
    assert shorter.high[0] == pytest.approx(1 / longer.low[0], rel=1e-6)
    assert shorter.p_value[0] == pytest.approx(longer.p_value[0], rel=1e-6)


def test_arms_named_the_other_way_round_give_the_inverse() -> None:
    rows, arm, stratum = _brands(103, 20, 60)
    found = life_ratio(rows, arm, stratum=stratum)
    other = life_ratio(rows, 1 - arm, stratum=stratum)
    assert other.ratio == pytest.approx(1 / found.ratio, rel=1e-6)
    assert other.low == pytest.approx(1 / found.high, rel=1e-6)
    assert other.p_value == pytest.approx(found.p_value, rel=1e-5)


def test_strata_with_one_arm_only_do_not_count() -> None:
    rows, arm, _ = _brands(104, 1, 120)
    alone = observed_lifetimes([50, 60, 70], [1, 1, 1])
    both = lifetimes(np.r_[rows.low, alone.low], np.r_[rows.high, alone.high])
    stratum = np.repeat([0, 1], [120, 3])
    found = life_ratio(both, np.r_[arm, 1, 1, 1], stratum=stratum)
    assert found.ratio[0] == pytest.approx(life_ratio(rows, arm).ratio[0], rel=1e-9)
    nothing = life_ratio(alone, np.array([1, 1, 1]))
    assert np.isnan([nothing.ratio[0], nothing.low[0], nothing.p_value[0]]).all()


def test_brands_that_differ_in_platform_only_do_not_differ() -> None:
    """Simpson: arm 1 sits mostly where parts live half as long.  Stratified, the ratio is 1."""
    rng = np.random.default_rng(105)
    stratum = np.repeat([0, 1], 2000)
    arm = (rng.random(4000) < np.where(stratum == 1, 0.8, 0.2)).astype(int)
    age = rng.weibull(1.5, 4000) * np.where(stratum == 1, 1000, 2000)
    rows = observed_lifetimes(np.minimum(age, 1500), age <= 1500)
    assert life_ratio(rows, arm).high[0] < 0.8
    fair = life_ratio(rows, arm, stratum=stratum)
    assert fair.low[0] < 1 < fair.high[0]


def test_90_percent_limits_cover_the_true_ratio() -> None:
    """400 comparisons, two strata, about 8 failures in arm 1: 85 to 95 %."""
    rows, arm, stratum = _brands(106, 400, 100)
    found = life_ratio(rows, arm, stratum=stratum, conf_level=0.9)
    covered = (found.low <= 0.6) & (found.high >= 0.6)
    assert 0.85 <= covered.mean() <= 0.95
    assert np.median(found.ratio) == pytest.approx(0.6, rel=0.1)
