"""Power-law processes: by hand, against handbooks, R, surpyval, and laws.

Trap avoided: reliability's parametric MCF is a least squares fit of a curve, not this: 1.6736
for 1.8607 on its MCF_1.
"""

import numpy as np
import pytest
from scipy import optimize, special

from afterclear.estimators.recurrence.exposure import ObservedUnits, observed_units
from afterclear.estimators.recurrence.power_law import PowerLaws, fit_power_law, shape_limits
from tests.estimators.open_data import library, quiet, rdataset, valve_seats
from tests.estimators.repair_times import (
    MIL_END,
    MIL_TIMES,
    NIST_END,
    NIST_HOURS,
)


def _one(times: object, end: float) -> ObservedUnits:
    array = np.asarray(times, float)
    return observed_units(array, np.zeros(array.size, int), [end])


def _rate_at(fits: PowerLaws, age: float) -> float:
    """Events of one vehicle per unit of age at an age."""
    return float(fits.scale[0] * fits.shape[0] * age ** (fits.shape[0] - 1))


def _fleet(seed: int, n: int) -> ObservedUnits:
    """Vehicles watched on different windows, three to a group."""
    rng = np.random.default_rng(seed)
    end = rng.uniform(5e4, 3e5, n * 3)
    entry = np.where(rng.random(n * 3) < 0.5, end * rng.uniform(0.1, 0.5, n * 3), 0.0)
    unit = np.repeat(np.arange(n * 3), rng.poisson(8, n * 3))
    event = entry[unit] + (end - entry)[unit] * rng.random(unit.size) ** 0.7
    return observed_units(event, unit, end, entry=entry, group=np.repeat(np.arange(n), 3))


def test_three_events_by_hand() -> None:
    """At e^-1, e^-2, e^-3 of 1: shape 3 / 6, scale 3; unbiased 2 / 6; rate at 1: 3 / 2."""
    fits = fit_power_law(_one(np.exp([-3, -1, -2]), 1.0))
    assert fits.shape[0] == pytest.approx(0.5, rel=1e-12)
    assert fits.scale[0] == pytest.approx(3.0, rel=1e-12)
    assert fits.shape_unbiased[0] == pytest.approx(1 / 3, rel=1e-12)
    assert _rate_at(fits, 1.0) == pytest.approx(1.5, rel=1e-12)


def test_nist_handbook() -> None:
    """Shape .537228866 (R, surpyval).

    Unbiased .4835059794, a .2913003, MTBF 310.234: the handbook's own R script for 8.4.5.2,
    read from a stored copy.
    """
    fits = fit_power_law(_one(NIST_HOURS, NIST_END))
    assert fits.shape[0] == pytest.approx(0.537228866, abs=5e-10)
    assert fits.shape_unbiased[0] == pytest.approx(0.4835059794, abs=5e-11)
    a = 10 / NIST_END ** fits.shape_unbiased[0]
    assert a == pytest.approx(0.2913003, abs=5e-8)
    rate = a * fits.shape_unbiased[0] * NIST_END ** (fits.shape_unbiased[0] - 1)
    assert 1 / rate == pytest.approx(310.234, abs=5e-4)


def test_mil_hdbk_189_appendix_c() -> None:
    """Shape .7163392624, lambda .4538418614, MTBF at 300 15.5109620."""
    fits = fit_power_law(_one(MIL_TIMES, MIL_END))
    assert fits.shape[0] == pytest.approx(0.7163392624, rel=1e-9)
    assert fits.scale[0] == pytest.approx(0.4538418614, rel=1e-9)
    assert 1 / _rate_at(fits, MIL_END) == pytest.approx(15.5109620, rel=1e-8)


def test_library_examples() -> None:
    """22 failures to 620 of reliability (R); valve seats of 41 engines on their own windows."""
    with quiet():
        times = library("reliability.Datasets").system_growth().failures
    fits = fit_power_law(_one(times, 620.0))
    assert fits.shape[0] == pytest.approx(0.6142103999, rel=1e-9)
    assert fits.scale[0] == pytest.approx(0.4239422, rel=1e-6)
    assert 1 / _rate_at(fits, 620.0) == pytest.approx(45.8830, abs=5e-5)
    seats = fit_power_law(valve_seats())
    assert seats.shape[0] == pytest.approx(1.3995793, abs=5e-8)
    assert seats.scale[0] ** (-1 / seats.shape[0]) == pytest.approx(553.64302, abs=5e-6)


def test_coal_mine_disasters() -> None:
    """191 in 112 years: beta .664106 (R package boot's data, own program)."""
    fits = fit_power_law(_one(rdataset("boot", "coal")["date"] - 1851, 112.0))
    assert fits.shape[0] == pytest.approx(0.664106, abs=5e-7)


def test_fits_on_unlike_windows_are_the_highest_of_the_likelihood() -> None:
    """By scipy on the likelihood as it is written; 1e-6."""
    data = _fleet(71, 12)
    fits = fit_power_law(data)
    group = data.event_group
    for g in range(12):
        units, own = data.group == g, group == g

        def loss(x: float, own: np.ndarray = own, units: np.ndarray = units) -> float:
            b = np.exp(x)
            grown = ((data.exit / 1e5) ** b - (data.entry / 1e5) ** b)[units].sum()
            n = own.sum()
            scale = n / grown
            logs = np.log(scale * b) + (b - 1) * np.log(data.event[own] / 1e5)
            return float(n - logs.sum())

        best = optimize.minimize_scalar(
            loss, bounds=(-3, 2), method="bounded", options={"xatol": 1e-11}
        )
        assert fits.shape[g] == pytest.approx(np.exp(best.x), rel=1e-6)
        n = own.sum()
        assert fits.log_likelihood[g] == pytest.approx(-best.fun - n * np.log(1e5), rel=1e-9)


def test_fits_agree_with_surpyval() -> None:
    crow = library("surpyval").CrowAMSAA
    rng = np.random.default_rng(72)
    for n in (5, 30):
        times = np.sort(1000 * rng.random(n) ** 0.6)
        with quiet():
            other = crow.fit(np.append(times, 1000.0), c=np.append(np.zeros(n), 1))
        alpha, beta = other.params
        fits = fit_power_law(_one(times, 1000.0))
        assert fits.shape[0] == pytest.approx(beta, rel=1e-6)
        assert fits.scale[0] == pytest.approx(alpha**-beta, rel=1e-5)


def test_limits_on_one_window_are_chi_square() -> None:
    """Tabulated 5 % and 95 % points of chi-square with 20 df: 10.851 and 31.410."""
    data = _one(NIST_HOURS, NIST_END)
    low, high = shape_limits(data, fit_power_law(data), conf_level=0.9)
    assert low[0] == pytest.approx(0.537228866 * 10.8508114 / 20, rel=1e-7)
    assert high[0] == pytest.approx(0.537228866 * 31.4104328 / 20, rel=1e-7)


def test_limits_cover_where_the_last_event_ended_the_watching() -> None:
    """Steady vehicles of 8 events, 4000 of them: 95 % hold 1, as many below as above.

    3 standard errors are .0104 and .0074; with two degrees of freedom more, 92.7 % and 6.4 %.
    """
    gaps = np.random.default_rng(92).exponential(size=(4000, 8))
    at, group = np.cumsum(gaps, axis=1), np.arange(4000)
    unit, closed = np.repeat(group, 8), np.ones(4000, dtype=bool)
    data = observed_units(at.ravel(), unit, at[:, -1], group=group, closed=closed)
    fits = fit_power_law(data)
    low, high = shape_limits(data, fits)
    assert np.mean((low <= 1) & (high >= 1)) == pytest.approx(0.95, abs=0.0104)
    assert np.mean(low > 1) == pytest.approx(0.025, abs=0.0074)
    assert fits.shape_unbiased.mean() == pytest.approx(1, abs=0.025)


def test_limits_on_unlike_windows_are_where_the_likelihood_has_dropped() -> None:
    data = _fleet(73, 10)
    fits = fit_power_law(data)
    drop = special.chdtri(1, 0.1) / 2
    for limit in shape_limits(data, fits, conf_level=0.9):
        for g in np.flatnonzero(np.isfinite(limit)):
            units, own = data.group == g, data.event_group == g
            b, n = limit[g], own.sum()
            grown = ((data.exit / 1e5) ** b - (data.entry / 1e5) ** b)[units].sum()
            value = n * np.log(n / grown * b) + (b - 1) * np.log(data.event[own] / 1e5).sum() - n
            there = value - n * np.log(1e5)
            assert fits.log_likelihood[g] - there == pytest.approx(drop, rel=1e-6)


def test_units_scale_out_and_order_and_company_do_not_matter() -> None:
    data = _fleet(74, 20)
    fits = fit_power_law(data)
    miles = observed_units(
        data.event / 1.609344,
        data.event_unit,
        data.exit / 1.609344,
        entry=data.entry / 1.609344,
        group=data.group,
    )
    assert fit_power_law(miles).shape == pytest.approx(fits.shape, rel=1e-9, nan_ok=True)
    order = np.random.default_rng(1).permutation(data.event.size)
    again = observed_units(
        data.event[order], data.event_unit[order], data.exit, entry=data.entry, group=data.group
    )
    assert fit_power_law(again).shape == pytest.approx(fits.shape, rel=1e-10, nan_ok=True)


def test_groups_without_events_have_no_fit() -> None:
    fits = fit_power_law(observed_units([1.0], [0], [2.0, 2.0], group=[0, 1]))
    assert np.isnan(fits.shape).tolist() == [False, True]
    assert fits.n_events.tolist() == [1, 0]
