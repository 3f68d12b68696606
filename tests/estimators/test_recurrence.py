"""Mean cumulative function: by hand, against R and surpyval, the variance's definition, laws.

Traps avoided: reliability's variance holds only if increments are independent (checked below);
two events at one age with an end of watching there keep the full risk set; watching ends at a
vehicle's last scan, not at its last event.
"""

import numpy as np
import pytest

from afterclear.estimators.recurrence.exposure import ObservedUnits, observed_units
from afterclear.estimators.recurrence.mean_cumulative import (
    RecurrenceCurves,
    mean_cumulative_function,
)
from tests.estimators.open_data import library, quiet, valve_seats


def _fleets(seed: int, n_groups: int) -> ObservedUnits:
    """Unlike vehicles, late entries, whole numbers so that ages tie."""
    rng = np.random.default_rng(seed)
    n_units = n_groups * 7
    end = rng.integers(300, 3000, n_units).astype(float)
    entry = np.where(rng.random(n_units) < 0.3, rng.integers(0, 250, n_units), 0.0)
    count = rng.poisson(2 * rng.gamma(1.0, 1.0, n_units))
    unit = np.repeat(np.arange(n_units), count)
    event = entry[unit] + np.ceil((end - entry)[unit] * rng.random(unit.size) / 50) * 50
    event = np.minimum(event, end[unit])
    return observed_units(event, unit, end, entry=entry, group=np.repeat(np.arange(n_groups), 7))


def _of(curves: RecurrenceCurves, group: int) -> slice:
    return slice(curves.offsets[group], curves.offsets[group + 1])


def _variance_by_definition(data: ObservedUnits, group: int, km: np.ndarray) -> np.ndarray:
    """``sum_i {sum_j Y_ij (d_ij - d_j / n_j) / n_j} ** 2`` as it is written."""
    units = np.flatnonzero(data.group == group)
    at_risk = (data.entry[units, None] < km) & (km <= data.exit[units, None])
    own = np.array([[np.sum(data.event[data.event_unit == i] == t) for t in km] for i in units])
    n, d = at_risk.sum(axis=0), own.sum(axis=0)
    inner = np.cumsum(at_risk * (own - d / n) / n, axis=1)
    return np.asarray((inner**2).sum(axis=0))


def test_three_vehicles_by_hand() -> None:
    """Watched to 10, 20, 30; events at 5 (first), 5 and 20 (second), 25 (third).

    M: 2/3 at 5, then + 1/2 at 20 (two left), + 1 at 25.  Variance at 5: shares 1, 1, 0 less
    2/3, over 3: (1/9)^2 + (1/9)^2 + (2/9)^2 = 6/81.
    """
    curves = mean_cumulative_function(observed_units([20, 5, 25, 5], [1, 0, 2, 1], [10, 20, 30]))
    assert curves.km.tolist() == [5, 20, 25]
    assert curves.n_at_risk.tolist() == [3, 2, 1]
    assert curves.mean == pytest.approx([2 / 3, 7 / 6, 13 / 6], rel=1e-14)
    assert curves.std_error[0] == pytest.approx(np.sqrt(6 / 81), rel=1e-13)
    factor = np.exp(1.959963984540054 * np.sqrt(6 / 81) / (2 / 3))
    assert curves.low[0] == pytest.approx(2 / 3 / factor, rel=1e-13)
    assert curves.high[0] == pytest.approx(2 / 3 * factor, rel=1e-13)


def test_valve_seats() -> None:
    """41 engines, 48 replacements: R, surpyval and reliability agree on M, R on the error."""
    curves = mean_cumulative_function(valve_seats())
    at = np.searchsorted(curves.km, [61, 139, 377, 563, 646, 653])
    assert curves.mean[at] == pytest.approx(
        [0.0243902, 0.2195122, 0.6585366, 0.9085366, 1.3204653, 1.5426875], abs=5e-8
    )
    assert curves.std_error[at[2:]] == pytest.approx(
        [0.131842, 0.164251, 0.228505, 0.311656], abs=5e-7
    )
    assert (curves.low[at[-1]], curves.high[at[-1]]) == pytest.approx((1.0382859, 2.2921287))


def test_reliability_examples() -> None:
    """Means by reliability; robust variances by an own program.

    On MCF_2 reliability's own variance, .0785, takes increments as independent; robust 1.0496.
    """
    datasets = library("reliability.Datasets")
    for name, mean, variance in (
        ("MCF_1", 3.6666667, 0.1451852),
        ("MCF_2", 2.6066322, 1.0495536),
    ):
        with quiet():
            times = getattr(datasets, name)().times
        unit = np.repeat(np.arange(len(times)), [len(own) - 1 for own in times])
        event = np.concatenate([own[:-1] for own in times])
        end = np.array([own[-1] for own in times], float)
        curves = mean_cumulative_function(observed_units(event, unit, end))
        assert curves.mean[-1] == pytest.approx(mean, abs=5e-8)
        assert curves.std_error[-1] ** 2 == pytest.approx(variance, rel=2e-7)


def test_the_variance_is_that_of_its_definition() -> None:
    data = _fleets(61, 25)
    curves = mean_cumulative_function(data)
    for group in range(25):
        km = curves.km[_of(curves, group)]
        expected = _variance_by_definition(data, group, km)
        assert curves.std_error[_of(curves, group)] ** 2 == pytest.approx(
            expected, rel=1e-9, abs=1e-15
        )


def test_curves_and_limits_agree_with_surpyval() -> None:
    """20 random groups with ties and late entry, to 1e-9."""
    counting = library("surpyval").NonParametricCounting
    data = _fleets(62, 20)
    curves = mean_cumulative_function(data)
    for group in range(20):
        units = np.flatnonzero(data.group == group)
        own = np.isin(data.event_unit, units)
        points = _of(curves, group)
        if points.start == points.stop:
            continue
        item = np.concatenate((data.event_unit[own], units))
        with quiet():
            model = counting.fit(
                np.concatenate((data.event[own], data.exit[units])),
                item,
                c=np.repeat([0, 1], [own.sum(), units.size]),
                tl=data.entry[item],
            )
            mean = model.mcf(curves.km[points])
            limits = np.sort(model.mcf_cb(curves.km[points]), axis=-1)
        assert curves.mean[points] == pytest.approx(mean, rel=1e-9)
        assert curves.low[points] == pytest.approx(limits[..., 0], rel=1e-9)
        assert curves.high[points] == pytest.approx(limits[..., 1], rel=1e-9)


def test_vehicles_all_watched_alike_have_the_mean_and_variance_of_their_counts() -> None:
    rng = np.random.default_rng(63)
    count = rng.poisson(3, 40)
    unit = np.repeat(np.arange(40), count)
    data = observed_units(1000 * (1 - rng.random(unit.size)), unit, np.full(40, 1000.0))
    curves = mean_cumulative_function(data)
    assert curves.mean[-1] == pytest.approx(count.mean(), rel=1e-12)
    assert curves.std_error[-1] == pytest.approx(count.std() / np.sqrt(40), rel=1e-10)


def test_events_at_the_end_of_watching_meet_the_full_risk_set() -> None:
    """Two events at 653 and the end of one engine there: both over all three engines."""
    curves = mean_cumulative_function(observed_units([653, 653], [0, 0], [653, 700, 700]))
    assert curves.mean.tolist() == pytest.approx([2 / 3])


def test_curves_rise_and_do_not_depend_on_order_or_company() -> None:
    data = _fleets(64, 30)
    curves = mean_cumulative_function(data)
    group = np.repeat(np.arange(30), np.diff(curves.offsets))
    assert (np.diff(curves.mean)[group[1:] == group[:-1]] > 0).all()
    order = np.random.default_rng(0).permutation(data.event.size)
    again = mean_cumulative_function(
        observed_units(
            data.event[order], data.event_unit[order], data.exit, entry=data.entry, group=data.group
        )
    )
    assert again.std_error == pytest.approx(curves.std_error, rel=1e-9, abs=1e-12)
    units = np.flatnonzero(data.group == 7)
    own = np.isin(data.event_unit, units)
    number = np.searchsorted(units, data.event_unit[own])
    alone = mean_cumulative_function(
        observed_units(data.event[own], number, data.exit[units], entry=data.entry[units])
    )
    assert alone.std_error == pytest.approx(curves.std_error[_of(curves, 7)], rel=1e-9, abs=1e-12)


def test_no_events_no_points() -> None:
    curves = mean_cumulative_function(observed_units([], np.empty(0, int), [10, 20]))
    assert curves.km.size == 0
    assert curves.offsets.tolist() == [0, 0]


@pytest.mark.parametrize(
    ("event", "unit", "message"),
    [
        ([11.0], [0], r"must lie in its unit's .0.0, 10.0., but is 11.0 in row 0"),
        ([0.0], [0], "must lie in its unit's"),
        ([5.0], [2], "event_unit must be below the number of units 2, but holds 2"),
    ],
)
def test_events_outside_what_was_watched_are_refused(
    event: list[float], unit: list[int], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        observed_units(event, unit, [10, 20])
