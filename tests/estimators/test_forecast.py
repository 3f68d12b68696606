"""Failures to come: scipy, an engine fleet split in time (Nelson), fleets of known rates."""

import numpy as np
import pytest
from scipy import stats

from afterclear.estimators.arrays.validation import FloatArray, IntArray
from afterclear.estimators.forecast.past import (
    DELIVERED,
    HOLDS,
    Failures,
    Past,
    Risks,
    Stretches,
    Vehicles,
)
from afterclear.estimators.forecast.record import Forecasts, forecasts, moments
from afterclear.estimators.forecast.spread import at_least_one, interval, quantile
from tests.estimators.open_data import valve_seats

KM_A_DAY = 100.0


def fleet_of(
    unit: IntArray, day: FloatArray, n_units: int, cuts: list[float], today: float
) -> Past:
    """Units that are looked at all the time and repaired at once; ``day``: of their failures."""
    order = np.lexsort((day, unit))
    unit, day = unit[order].astype(np.int64), day[order]
    first = np.r_[True, unit[1:] != unit[:-1]]
    begin = np.maximum.accumulate(np.where(first, np.arange(unit.size), 0))
    number = np.minimum(np.arange(unit.size) - begin, 2)
    age = day - np.where(first, 0.0, np.r_[0.0, day[:-1]])
    after = np.where(np.r_[first[1:], True], np.inf, np.r_[day[1:], 0.0])
    n, n_first = unit.size, int(first.sum())
    asked = moments(cuts, today)
    read = np.tile(np.where(asked >= 0, asked, np.nan), (n_units, 1))
    known, none = np.full(n + n_first, -np.inf), np.zeros(n + n_first, dtype=np.int64)
    at_begin, one = np.zeros(n_units), np.zeros(1, dtype=np.int64)
    holds = HOLDS + np.minimum(number, 1)
    rows = Stretches(
        vehicle=np.r_[unit[first], unit],
        component=none,
        state=np.r_[np.full(n_first, DELIVERED), holds].astype(np.int64),
        sign=np.r_[np.full(n_first, -1.0), np.ones(n)],
        zero_km=np.r_[np.zeros(n_first), day] * KM_A_DAY,
        from_km=np.r_[day[first], day] * KM_A_DAY,
        to_km=np.r_[np.full(n_first, np.inf), after] * KM_A_DAY,
        known_day=known,
    )
    state = np.where(number == 0, DELIVERED, HOLDS + number - 1).astype(np.int64)
    kinds, stays = np.zeros(n_units, dtype=np.int64), np.ones(n_units, dtype=bool)
    return Past(
        Vehicles(kinds, stays, at_begin, at_begin, asked, read * KM_A_DAY, read),
        Risks(one, one, np.array([-np.inf]), 1, 1),
        rows,
        Failures(unit, none[:n], state, age * KM_A_DAY, day, day, known[:n]),
    )


def of_second_half(
    unit: IntArray, day: FloatArray, n_units: int, cut: float, end: float
) -> tuple[Forecasts, int]:
    """Forecast what comes between two days from what came before; and what came."""
    past = fleet_of(unit, day, n_units, [], cut)
    told = forecasts(past, [], cut, [end - cut])
    return told, int(((day > cut) & (day <= end)).sum())


@pytest.mark.parametrize(("cut", "end"), [(200.0, 380.0), (300.0, 560.0), (400.0, 580.0)])
def test_valve_seats_of_the_second_half_lie_within_the_interval_of_the_first(
    cut: float, end: float
) -> None:
    """41 engines, 48 replacements (Nelson and Doganaksoy 1989; R survival, valveSeat)."""
    seats = valve_seats()
    told, came = of_second_half(seats.event_unit, seats.event, seats.exit.size, cut, end)
    low, high = interval([told.today[0].total], [told.today[0].total_variance])
    assert low[0] <= came <= high[0]
    assert high[0] < 3 * told.today[0].total


def test_a_fleet_of_one_rate_is_forecast_at_that_rate() -> None:
    rng = np.random.default_rng(4)
    n, today, rate = 400, 720.0, 0.4 / 365
    count = rng.poisson(rate * today, n)
    unit = np.repeat(np.arange(n), count)
    told, _ = of_second_half(unit, rng.uniform(0, today, unit.size), n, today, today + 90)
    expected = unit.size / today * 90
    assert told.today[0].total == pytest.approx(expected, rel=0.1)
    assert told.today[0].of_vehicle.sum() == pytest.approx(told.today[0].total, rel=0.02)
    # chance alone, and not much more
    assert 1.0 < told.today[0].total_variance / expected < 6.0


def test_vehicles_that_are_not_driven_get_no_forecast() -> None:
    past = fleet_of(np.array([0, 1]), np.array([50.0, 70.0]), 3, [], 300.0)
    past.vehicles.km[1:] = 9000.0
    told = forecasts(past, [], 300.0, [90.0]).today[0]
    assert told.of_vehicle[0] > 0
    assert told.of_vehicle[1:].tolist() == [0.0, 0.0]


def test_a_past_quarter_is_told_from_what_was_known_then() -> None:
    """Failures after the quarter's begin do not change its forecast."""
    rng = np.random.default_rng(5)
    unit, day = rng.integers(0, 50, 120), rng.uniform(0, 540, 120)
    cuts = [270.0, 360.0, 450.0]
    one = forecasts(fleet_of(unit, day, 50, cuts, 540.0), cuts, 540.0, [90.0])
    early = day <= 360
    other = forecasts(fleet_of(unit[early], day[early], 50, cuts, 540.0), cuts, 540.0, [90.0])
    assert [told.ahead.total for told in one.record] == pytest.approx(
        [told.ahead.total for told in other.record], rel=1e-12
    )
    assert one.record[1].total_came == ((day > 360) & (day <= 450)).sum()
    assert other.record[1].total_came == 0


def test_quantiles_are_those_of_the_gamma_poisson_mixture() -> None:
    """scipy: Poisson numbers whose mean is gamma distributed, by summation of the mixture."""
    mean, variance = 12.0, 30.0
    scale = variance / mean - 1
    means = stats.gamma(mean / scale, scale=scale).ppf((np.arange(20_000) + 0.5) / 20_000)
    chance = np.array([stats.poisson.cdf(k, means).mean() for k in range(60)])
    for level in (0.05, 0.5, 0.95):
        assert quantile([mean], [variance], level)[0] == np.searchsorted(chance, level)
    assert at_least_one([mean], [variance])[0] == pytest.approx(1 - chance[0], rel=1e-3)


def test_without_a_spread_a_number_is_poisson() -> None:
    low, high = interval([4.0, 0.0], [3.0, 0.0])
    assert (low.tolist(), high.tolist()) == ([1.0, 0.0], [8.0, 0.0])
    assert at_least_one([2.0], [1.0])[0] == pytest.approx(1 - np.exp(-2.0))
