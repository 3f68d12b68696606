"""Trend tests and verdicts: by hand, against handbooks and R, error rates, and laws."""

import numpy as np
import pytest
from scipy import integrate, optimize, special

from afterclear.analyses.rates import benjamini_hochberg
from afterclear.analyses.trend import (
    ENOUGH_EVENTS,
    shrunken_shapes,
    trend_tests,
    trend_verdicts,
)
from afterclear.analyses.watched import Watched, watched
from tests.analyses.open_data import library, quiet, rdataset
from tests.analyses.repair_times import MIL_END, MIL_TIMES, NIST_END, NIST_HOURS


def _one(times: object, end: float) -> Watched:
    array = np.asarray(times, float)
    return watched(array, np.zeros(array.size, int), [end])


def _vehicles(place: np.ndarray, group: np.ndarray, n_groups: int) -> Watched:
    """Each group one vehicle, watched from 1000 km to 101000 km."""
    return watched(
        1000 + 1e5 * place,
        group,
        np.full(n_groups, 101000.0),
        entry=np.full(n_groups, 1000.0),
        group=np.arange(n_groups),
    )


def test_two_events_by_hand() -> None:
    """At 1/2 and all of the window: Laplace (0 + 1/2) / sqrt(2 / 12), MIL 2 ln 2, gaps alike."""
    tests = trend_tests(_one([5, 10], 10.0))
    assert tests.laplace[0] == pytest.approx(0.5 / np.sqrt(1 / 6), rel=1e-13)
    assert tests.mil[0] == pytest.approx(2 * np.log(2), rel=1e-13)
    assert tests.mil_df[0] == 4
    assert tests.lewis_robinson[0] == np.inf
    uneven = trend_tests(_one([4, 10], 10.0))
    variation = np.sqrt(2) / 5
    assert uneven.lewis_robinson[0] == pytest.approx(uneven.laplace[0] / variation, rel=1e-13)
    # of two gaps the neighbours are all: 4 and 6 differ by 2, sqrt(4 / 2) over 5
    assert uneven.renewal[0] == pytest.approx(uneven.lewis_robinson[0], rel=1e-13)
    # Student with 1 degree of freedom: 1 - 2 atan(t) / pi
    assert uneven.renewal_p[0] == pytest.approx(1 - 2 * np.arctan(uneven.renewal[0]) / np.pi)


def test_nist_handbook_data() -> None:
    """U -1.326949, p .184525; 37.23 with 20 df, p .021973 (R, surpyval; 37.23 in 8.2.3.4)."""
    tests = trend_tests(_one(NIST_HOURS, NIST_END))
    assert tests.laplace[0] == pytest.approx(-1.326949, abs=5e-7)
    assert tests.laplace_p[0] == pytest.approx(0.184525, abs=1e-6)
    assert tests.mil[0] == pytest.approx(37.228081, abs=5e-7)
    assert tests.mil_df[0] == 20
    assert tests.mil_p[0] == pytest.approx(0.021973, abs=5e-7)


def test_published_series() -> None:
    """MIL-HDBK-189 appendix C; air conditioner 7 to its last failure; coal (R boot, own)."""
    tests = trend_tests(_one(MIL_TIMES, MIL_END))
    assert tests.laplace[0] == pytest.approx(-2.318000, abs=5e-7)
    assert tests.mil[0] == pytest.approx(75.383276, abs=5e-7)
    hours = np.cumsum(rdataset("boot", "aircondit7")["hours"].to_numpy(float))
    ended = trend_tests(_one(hours[:-1], hours[-1]))
    assert ended.laplace[0] == pytest.approx(-4.344920, abs=5e-7)
    assert ended.mil[0] == pytest.approx(104.681820, abs=5e-7)
    assert ended.mil_df[0] == 46
    coal = trend_tests(_one(rdataset("boot", "coal")["date"] - 1851, 112.0))
    assert coal.laplace[0] == pytest.approx(-7.678157, abs=5e-7)
    assert coal.mil[0] == pytest.approx(575.209375, abs=5e-7)


def test_the_laplace_and_mil_statistics_agree_with_surpyval() -> None:
    """Pools of 3 vehicles on windows of their own, late entry for Laplace; 1e-9."""
    recurrent = library("surpyval.recurrent")
    rng = np.random.default_rng(80)
    for entry in ([0.0, 0.0, 0.0], [100.0, 0.0, 300.0]):
        start, end = np.array(entry), np.array([1000.0, 700.0, 900.0])
        unit = np.repeat([0, 1, 2], 7)
        event = start[unit] + (end - start)[unit] * (1 - rng.random(21))
        tests = trend_tests(watched(event, unit, end, entry=start, group=[0, 0, 0]))
        with quiet():
            laplace = recurrent.laplace(event, unit, T=end, tl=start)
            mil = recurrent.mil_hdbk_189c(event, unit, T=end, tl=start)
        assert tests.laplace[0] == pytest.approx(laplace.statistic, rel=1e-9)
        assert tests.laplace_p[0] == pytest.approx(laplace.p_value, rel=1e-9)
        assert tests.mil[0] == pytest.approx(mil.statistic, rel=1e-9)
        assert tests.mil_p[0] == pytest.approx(mil.p_value, rel=1e-9)


def test_several_vehicles_of_a_group_add_up() -> None:
    """Laplace: sums over windows weighted by their length; MIL: sums of chi-squares."""
    together = trend_tests(watched([10, 90, 40], [0, 0, 1], [100, 50], group=[0, 0]))
    numerator = (10 - 50) + (90 - 50) + (40 - 25)
    assert together.laplace[0] == pytest.approx(
        numerator / np.sqrt((2 * 100**2 + 50**2) / 12), rel=1e-13
    )
    assert together.mil[0] == pytest.approx(2 * np.log(10 / 1 * 10 / 9 * 5 / 4), rel=1e-13)


def test_p_values_are_even_without_a_trend() -> None:
    """4000 vehicles of 3 to 20 events, evenly spread: 5 % below .05.

    An earlier simulation had .045 to .056 from 3 events on; 3 standard errors of 4000 are .0104.
    """
    rng = np.random.default_rng(81)
    size = rng.integers(3, 21, 4000)
    group = np.repeat(np.arange(4000), size)
    tests = trend_tests(_vehicles(1 - rng.random(group.size), group, 4000))
    for p in (tests.laplace_p, tests.mil_p):
        assert np.mean(p < 0.05) == pytest.approx(0.05, abs=0.0104)


def _closed(seed: int, n_groups: int, n: int) -> Watched:
    """Steady vehicles whose watching ended at their last event, the n-th."""
    gaps = np.random.default_rng(seed).exponential(size=(n_groups, n))
    at, group = np.cumsum(gaps, axis=1), np.arange(n_groups)
    closed = np.ones(n_groups, dtype=bool)
    return watched(at.ravel(), np.repeat(group, n), at[:, -1], group=group, closed=closed)


def test_watching_that_an_event_ended_makes_no_trend() -> None:
    """8 evenly spread events, the last one the end: as often late as early, 5 % below .05.

    Taken for an end of chance, 4.2 % had both p below .05 on the worsening side, 0.2 % on the
    other; 3 standard errors of 4000 are .0104 at .05.
    """
    data = _closed(91, 4000, 8)
    tests = trend_tests(data)
    assert (tests.mil_df == 14).all()
    assert (tests.n_events == 8).all()
    for p in (tests.laplace_p, tests.mil_p):
        assert np.mean(p < 0.05) == pytest.approx(0.05, abs=0.0104)
    both = np.maximum(tests.mil_p, tests.renewal_p) < 0.05
    assert np.mean(both & (tests.laplace > 0)) < 0.025
    assert np.mean(tests.laplace > 0) == pytest.approx(0.5, abs=0.025)


def test_an_event_that_ended_the_watching_is_left_out_by_hand() -> None:
    """At 4 of 10 and at the end, 10: Laplace (4 - 5) / sqrt(100 / 12), MIL 2 ln 2.5 with 2 df."""
    tests = trend_tests(watched([4, 10], [0, 0], [10], closed=[True]))
    assert tests.laplace[0] == pytest.approx(-1 / np.sqrt(100 / 12), rel=1e-13)
    assert tests.mil[0] == pytest.approx(2 * np.log(2.5), rel=1e-13)
    assert tests.mil_df[0] == 2
    nothing = trend_tests(watched([10], [0], [10], closed=[True]))
    assert np.isnan([nothing.laplace[0], nothing.mil_p[0]]).all()
    with pytest.raises(ValueError, match=r"row 1 has its last at 4\.0 and is watched to 9\.0"):
        watched([10, 4], [0, 1], [10, 9], closed=[True, True])


def test_bursts_fool_laplace_and_mil_but_not_the_two_that_look_at_gaps() -> None:
    """Gamma gaps of shape .5, 15 events: an earlier run of 4000 had 14 to 20 % and 5.6 %."""
    rng = np.random.default_rng(82)
    at = np.cumsum(rng.gamma(0.5, 2.0, (4000, 15)), axis=1)
    place = at[:, :-1] / at[:, -1:]
    group = np.repeat(np.arange(4000), 14)
    tests = trend_tests(_vehicles(place.ravel(), group, 4000))
    assert np.mean(tests.mil_p < 0.05) == pytest.approx(0.185, abs=0.02)
    assert np.mean(tests.laplace_p < 0.05) == pytest.approx(0.145, abs=0.02)
    assert np.mean(tests.lewis_robinson_p < 0.05) == pytest.approx(0.056, abs=0.012)
    together = np.maximum(tests.mil_p, tests.renewal_p)
    assert np.mean(together < 0.05) == pytest.approx(0.046, abs=0.0104)
    assert np.mean(together < 0.005) < 0.01


def test_a_trend_hides_from_lewis_robinson_in_the_variation_it_makes() -> None:
    """Shape 3, 20 events, p below .005: 17 % by the classical form, 58 % by neighbours."""
    rng = np.random.default_rng(86)
    at = np.cumsum(rng.exponential(1, (4000, 21)), axis=1)
    place = (at[:, :-1] / at[:, -1:]) ** (1 / 3)
    tests = trend_tests(_vehicles(place.ravel(), np.repeat(np.arange(4000), 20), 4000))
    for p, share in ((tests.lewis_robinson_p, 0.17), (tests.renewal_p, 0.58)):
        assert np.mean(np.maximum(p, tests.mil_p) < 0.005) == pytest.approx(share, abs=0.03)


def test_verdicts_need_8_events_both_tests_and_a_q_value() -> None:
    rng = np.random.default_rng(83)
    size = np.repeat([7, 8, 20, 25, 25], [20, 20, 60, 20, 20])
    shape = np.repeat([3, 1, 1, 3, 0.4], [20, 20, 60, 20, 20])
    group = np.repeat(np.arange(140), size)
    place = (1 - rng.random(group.size)) ** (1 / shape[group])
    data = _vehicles(place, group, 140)
    verdicts, tests = trend_verdicts(data), trend_tests(data)
    assert (verdicts.trend[:20] == "too_few").all()
    assert not (verdicts.trend[20:] == "too_few").any()
    assert np.isnan(verdicts.p_value[:20]).all()
    assert verdicts.p_value[20:] == pytest.approx(np.maximum(tests.mil_p, tests.renewal_p)[20:])
    assert verdicts.q_value == pytest.approx(benjamini_hochberg(verdicts.p_value), nan_ok=True)
    assert np.mean(verdicts.trend[100:120] == "worsening") > 0.6
    assert np.mean(verdicts.trend[120:] == "improving") > 0.5
    assert np.mean(verdicts.trend[20:100] == "none") > 0.95
    called = np.isin(verdicts.trend, ("worsening", "improving"))
    assert (verdicts.q_value[called] < 0.1).all()
    assert (verdicts.p_value[called] < 0.05).all()
    # those with too few are still ranked: truly worsening ones above what is usual
    assert np.median(verdicts.p_worsening[:20]) > np.median(verdicts.p_worsening[20:100])
    assert ENOUGH_EVENTS == 8


def test_a_trend_needs_both_tests_to_point_one_way() -> None:
    verdicts = trend_verdicts(_vehicles(np.linspace(0.05, 1, 12), np.zeros(12, int), 1))
    assert verdicts.trend[0] == "none"


def test_shrunken_shapes_maximise_the_marginal_likelihood() -> None:
    """The integral of each group's likelihood over the prior, by quadrature; 1e-6."""
    rng = np.random.default_rng(84)
    true = rng.gamma(4, 0.3, 80)
    size = rng.poisson(6, 80)
    group = np.repeat(np.arange(80), size)
    data = _vehicles((1 - rng.random(group.size)) ** (1 / true[group]), group, 80)
    found = shrunken_shapes(data)
    n = data.n_events
    s = np.bincount(group, -np.log((data.event - 1000) / 1e5), 80)

    def marginal(a: float, b: float, g: int) -> float:
        def f(x: float) -> float:
            prior = a * np.log(b) - special.gammaln(a) + (a - 1) * np.log(x) - b * x
            return float(np.exp(prior + n[g] * np.log(x) - x * s[g]))

        return float(integrate.quad(f, 0, 40, epsabs=0, epsrel=1e-10, limit=200)[0])

    closed = [
        np.exp(
            found.a * np.log(found.b)
            - special.gammaln(found.a)
            + special.gammaln(found.a + n[g])
            - (found.a + n[g]) * np.log(found.b + s[g])
        )
        for g in range(5)
    ]
    assert closed == pytest.approx([marginal(found.a, found.b, g) for g in range(5)], rel=1e-8)

    def loss(theta: np.ndarray) -> float:
        a, b = np.exp(theta)
        value = special.gammaln(a + n) - special.gammaln(a) + a * np.log(b)
        return -float((value - (a + n) * np.log(b + s)).sum())

    best = optimize.minimize(
        loss, np.log([3.0, 3.0]), method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12}
    )
    assert np.log([found.a, found.b]) == pytest.approx(best.x, abs=1e-5)
    assert found.mean == pytest.approx((found.a + n) / (found.b + s), rel=1e-12)


def test_alike_vehicles_have_the_pooled_shape() -> None:
    """All events where the pooled shape puts them: no spread beyond chance, nor less."""
    place = np.tile((np.arange(10) + 0.5) / 10, 50)
    found = shrunken_shapes(_vehicles(place, np.repeat(np.arange(50), 10), 50))
    assert np.isinf(found.a)
    assert found.mean == pytest.approx(np.full(50, found.pooled))
    nothing = shrunken_shapes(watched([], np.empty(0, int), [5.0]))
    assert np.isnan(nothing.mean).all()


def test_events_where_watching_ended_have_no_shape() -> None:
    """Every event of the fleet at its vehicle's last reading: the likelihood has no maximum."""
    data = watched(np.array([50.0, 70.0]), np.array([0, 1]), np.array([50.0, 70.0]), group=[0, 1])
    assert np.isnan(shrunken_shapes(data).mean).all()
    assert trend_verdicts(data).trend.tolist() == ["too_few", "too_few"]


def test_more_wear_never_lowers_the_shrunken_shape() -> None:
    rng = np.random.default_rng(85)
    group = np.repeat(np.arange(100), 6)
    data = _vehicles((1 - rng.random(600)) ** (1 / rng.gamma(3, 0.5, 100))[group], group, 100)
    s = np.bincount(group, -np.log((data.event - 1000) / 1e5), 100)
    found = shrunken_shapes(data)
    order = np.argsort(s)
    assert (np.diff(found.mean[order]) <= 1e-12).all()
    assert (np.diff(found.p_above_1[order]) <= 1e-12).all()


def test_order_of_events_does_not_matter() -> None:
    data = _one(MIL_TIMES[::-1], MIL_END)
    assert trend_tests(data).lewis_robinson == pytest.approx(
        trend_tests(_one(MIL_TIMES, MIL_END)).lewis_robinson, rel=1e-12
    )
