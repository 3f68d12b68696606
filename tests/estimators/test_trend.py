"""Verdicts on trends, and shapes drawn towards the fleet's: against quadrature, and laws."""

import numpy as np
import pytest
from scipy import integrate, optimize, special

from afterclear.estimators.rates.rates import benjamini_hochberg
from afterclear.estimators.recurrence.exposure import ObservedUnits, observed_units
from afterclear.estimators.recurrence.trend import ENOUGH_EVENTS, shrunken_shapes, trend_verdicts
from afterclear.estimators.recurrence.trend_between_scans import (
    Stretches,
    stretch_trends,
    stretches,
)


def _vehicles(place: np.ndarray, group: np.ndarray, n_groups: int) -> ObservedUnits:
    """Each group one vehicle, watched from 1000 km to 101000 km."""
    return observed_units(
        1000 + 1e5 * place,
        group,
        np.full(n_groups, 101000.0),
        entry=np.full(n_groups, 1000.0),
        group=np.arange(n_groups),
    )


def _exact_stretches(data: ObservedUnits) -> Stretches:
    """Every event where it happened, and the rest of each vehicle's watching."""
    low, high, found, group = [], [], [], []
    for unit in range(data.exit.size):
        at = np.sort(data.event[data.event_unit == unit])
        edges = np.unique(np.r_[data.entry[unit], at, data.exit[unit]])
        low += edges[:-1].tolist()
        high += edges[1:].tolist()
        found += np.isin(edges[1:], at).tolist()
        group += [unit] * (edges.size - 1)
    return stretches(low, high, found, group, exact=np.ones(len(low), bool))


def test_verdicts_need_8_events_a_test_and_a_q_value() -> None:
    rng = np.random.default_rng(83)
    size = np.repeat([7, 8, 20, 25, 25], [20, 20, 60, 20, 20])
    shape = np.repeat([3, 1, 1, 3, 0.4], [20, 20, 60, 20, 20])
    group = np.repeat(np.arange(140), size)
    place = (1 - rng.random(group.size)) ** (1 / shape[group])
    data = _vehicles(place, group, 140)
    rows = _exact_stretches(data)
    verdicts, tests = trend_verdicts(data, rows), stretch_trends(rows)
    assert (verdicts.trend[:20] == "too_few").all()
    assert not (verdicts.trend[20:] == "too_few").any()
    assert np.isnan(verdicts.p_value[:20]).all()
    assert verdicts.p_value[20:] == pytest.approx(tests.p_value[20:])
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
    nothing = shrunken_shapes(observed_units([], np.empty(0, int), [5.0]))
    assert np.isnan(nothing.mean).all()


def test_events_where_watching_ended_have_no_shape() -> None:
    """Every event of the fleet at its vehicle's last reading: the likelihood has no maximum."""
    data = observed_units(
        np.array([50.0, 70.0]), np.array([0, 1]), np.array([50.0, 70.0]), group=[0, 1]
    )
    assert np.isnan(shrunken_shapes(data).mean).all()
    assert trend_verdicts(data, _exact_stretches(data)).trend.tolist() == ["too_few", "too_few"]


def test_more_wear_never_lowers_the_shrunken_shape() -> None:
    rng = np.random.default_rng(85)
    group = np.repeat(np.arange(100), 6)
    data = _vehicles((1 - rng.random(600)) ** (1 / rng.gamma(3, 0.5, 100))[group], group, 100)
    s = np.bincount(group, -np.log((data.event - 1000) / 1e5), 100)
    found = shrunken_shapes(data)
    order = np.argsort(s)
    assert (np.diff(found.mean[order]) <= 1e-12).all()
    assert (np.diff(found.p_above_1[order]) <= 1e-12).all()
