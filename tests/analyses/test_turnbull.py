"""Turnbull's estimate: by hand, against R and libraries, the Kuhn-Tucker conditions, and laws.

Traps avoided: lifelines closes intervals at both ends, so that a row ending where another
begins makes a mass of its own (checked below); surpyval's default is not the product limit.
"""

import numpy as np
import pytest

from afterclear.analyses.lives import Lives, lives
from afterclear.analyses.survival import kaplan_meier
from afterclear.analyses.turnbull import (
    TurnbullCurves,
    turnbull,
    turnbull_band,
    turnbull_survival,
)
from tests.analyses.open_data import (
    breast,
    heat_exchanger,
    library,
    quiet,
    random_lives,
    shuffled,
    turbine,
)


def _pools(seed: int, n_groups: int) -> Lives:
    rows = random_lives(seed, n_groups, entered=False)
    return rows.take(rows.informative)


def _survival(curves: TurnbullCurves, times: list[float]) -> np.ndarray:
    low, high = turnbull_survival(curves, np.array(times))
    assert low == pytest.approx(high, abs=1e-9)
    return low


def test_three_scans_by_hand() -> None:
    """(0, 2], (1, 3], (4, inf): the mass common to the first two lies in (1, 2]."""
    curves = turnbull(lives([0, 1, 4], [2, 3, np.inf]))
    assert curves.left.tolist() == [1, 4]
    assert curves.right.tolist() == [2, np.inf]
    assert curves.mass == pytest.approx([2 / 3, 1 / 3], rel=1e-12)
    assert curves.log_likelihood[0] == pytest.approx(2 * np.log(2 / 3) + np.log(1 / 3), rel=1e-12)
    low, high = turnbull_survival(curves, np.array([1, 1.5, 2, 5]))
    assert low[0] == pytest.approx([1, 1 / 3, 1 / 3, 0])
    assert high[0] == pytest.approx([1, 1, 1 / 3, 1 / 3])


def test_a_row_that_ends_where_another_begins_shares_no_point_with_it() -> None:
    """(0, 5] and (5, 8]: two masses, no point mass at 5."""
    curves = turnbull(lives([0, 5], [5, 8]))
    assert curves.left.tolist() == [0, 5]
    assert curves.right.tolist() == [5, 8]
    assert curves.mass.tolist() == [0.5, 0.5]


def test_breast_deterioration_times() -> None:
    """R package npsurv, an own EM and surpyval agree on all digits.

    The first arm's masses are in Fay & Shaw 2010, J. Stat. Softw. 36(2), to 4 digits (from
    memory).
    """
    rows, treatment = breast()
    arms = Lives(rows.low, rows.high, rows.entry, rows.weight, treatment - 1, 2)
    curves = turnbull(arms)
    assert curves.log_likelihood == pytest.approx([-58.06002195, -67.08766172], rel=1e-9)
    first = slice(curves.offsets[0], curves.offsets[1])
    carrying = curves.mass[first] > 1e-6
    intervals = np.c_[curves.left, curves.right][first][carrying]
    assert intervals.tolist() == [
        [4, 5], [6, 7], [7, 8], [11, 12], [24, 25], [33, 34], [38, 40], [46, 48],
    ]  # fmt: skip
    assert curves.mass[first][carrying] == pytest.approx(
        [
            0.04634677, 0.03336337, 0.08866737, 0.07075292,
            0.09264584, 0.08178576, 0.12087983, 0.46555814,
        ],
        abs=1e-8,
    )  # fmt: skip
    second = _survival(curves, [5, 8, 12, 17, 19, 20, 25])[1]
    assert second == pytest.approx(
        [0.95758, 0.91516, 0.84783, 0.70256, 0.58878, 0.45997, 0.32973], abs=5e-6
    )


def test_lifelines_needs_a_nudge_to_keep_intervals_open_on_the_left() -> None:
    """Second arm at 17 months: 0.8496 as lifelines has it, 0.7026 with 1e-6 added to low."""
    lifelines = library("lifelines")
    rows, treatment = breast()
    own = rows.take(treatment == 2)
    found = _survival(turnbull(own), [17.0])[0, 0]
    estimates = []
    for nudge in (0.0, 1e-6):
        low = np.minimum(own.low + nudge, own.high)
        with quiet():
            fitter = lifelines.KaplanMeierFitter()
            fitter.fit_interval_censoring(low, own.high, tol=1e-9)
            estimates.append(float(fitter.survival_function_.loc[:17].iloc[-1].min()))
    assert estimates[0] == pytest.approx(0.8496, abs=5e-5)
    # its steps end when they change less than 1e-9, still about 1e-6 from the maximum
    assert estimates[1] == pytest.approx(found, abs=1e-5)


def test_turbine_wheels_looked_at_once_are_an_isotonic_regression() -> None:
    """Current status: pool adjacent violators gives the exact answer (scikit-learn, too)."""
    rows = turbine()
    curves = turnbull(rows)
    share = 1 - _survival(curves, [10, 18, 22, 26, 34, 38, 46])[0]
    assert share == pytest.approx(
        [0.0697674, 0.0958904, 0.1666667, 0.2222222, 0.4615385, 0.5810811, 0.5833333], abs=5e-8
    )
    assert curves.log_likelihood[0] == pytest.approx(-184.9881534, rel=1e-9)
    isotonic = library("sklearn.isotonic").isotonic_regression
    hours = np.unique(np.r_[rows.low[rows.low > 0], rows.high[np.isfinite(rows.high)]])
    cracked = np.array([rows.weight[rows.high == h].sum() for h in hours])
    seen = cracked + np.array([rows.weight[rows.low == h].sum() for h in hours])
    fitted = isotonic(cracked / seen, sample_weight=seen)
    assert 1 - _survival(curves, hours.tolist())[0] == pytest.approx(fitted, abs=1e-9)


def test_heat_exchanger_tubes() -> None:
    """R npsurv; example 1.5 of Meeker & Escobar 1998, data in the public repository SMRD."""
    curves = turnbull(heat_exchanger())
    assert curves.mass[:3] == pytest.approx([0.0133333, 0.0250423, 0.0198273], abs=5e-8)
    assert curves.mass[3:].sum() == pytest.approx(0.9417971, abs=5e-8)
    assert curves.log_likelihood[0] == pytest.approx(-54.290366, rel=1e-8)


def test_pools_agree_with_surpyval() -> None:
    """To 1e-4 only: its EM stops there.  The log-likelihood is never below its, to 1e-9."""
    surpyval = library("surpyval")
    rows = _pools(21, 12)
    curves = turnbull(rows)
    for group in range(rows.n_groups):
        own = rows.take(rows.group == group)
        with quiet():
            fitted = surpyval.Turnbull.fit(
                xl=own.low, xr=own.high, turnbull_estimator="Kaplan-Meier"
            )
            # at its own interval ends, where the estimate is defined
            at = np.setdiff1d(fitted.x[np.isfinite(fitted.x)], [0])
            other = fitted.sf(at)
        low, high = turnbull_survival(curves, at)
        assert (other >= low[group] - 1e-4).all()
        assert (other <= high[group] + 1e-4).all()


def test_exact_and_right_censored_rows_give_kaplan_meier() -> None:
    rows = random_lives(22, 10, exact=True, entered=False)
    product_limit = kaplan_meier(rows)
    curves = turnbull(rows)
    for group in range(rows.n_groups):
        points = slice(product_limit.offsets[group], product_limit.offsets[group + 1])
        low, _ = turnbull_survival(curves, product_limit.time[points])
        assert low[group] == pytest.approx(product_limit.survival[points], abs=1e-8)


@pytest.mark.parametrize("n_rows", [20, 400, 4000])
def test_the_kuhn_tucker_conditions_hold_in_small_and_large_pools(n_rows: int) -> None:
    """Scores by their definition: sum a_ik / (A p)_i is n where mass lies, at most n elsewhere."""
    rng = np.random.default_rng(n_rows)
    age = rng.weibull(1.2, n_rows) * 5000
    scans = np.sort(rng.uniform(0, 12000, (n_rows, 4)), axis=1)
    low = np.where(scans < age[:, None], scans, 0).max(axis=1)
    high = np.where(scans >= age[:, None], scans, np.inf).min(axis=1)
    rows = lives(low, high)
    curves = turnbull(rows)
    inside = (rows.low[:, None] <= curves.left) & (curves.right <= rows.high[:, None])
    told = rows.informative
    scores = (inside / (inside @ curves.mass)[:, None])[told].sum(axis=0) / told.sum()
    assert scores.max() <= 1 + 1e-9
    assert scores[curves.mass > 1e-9] == pytest.approx(1.0, abs=1e-7)
    assert curves.gap[0] <= 1e-9
    assert curves.mass.sum() == pytest.approx(1.0, rel=1e-12)


def test_the_order_of_rows_and_other_groups_do_not_matter() -> None:
    rows = _pools(23, 15)
    curves, again = turnbull(rows), turnbull(shuffled(rows, 2)[0])
    assert again.log_likelihood == pytest.approx(curves.log_likelihood, rel=1e-9)
    alone = turnbull(rows.take_groups(np.array([6])))
    assert alone.log_likelihood[0] == pytest.approx(curves.log_likelihood[6], rel=1e-9)


def test_rows_without_follow_up_say_nothing() -> None:
    rows = lives([0, 1, 4], [2, 3, np.inf])
    more = lives([0, 1, 4, 0, 0], [2, 3, np.inf, np.inf, np.inf])
    assert turnbull(more).mass.tolist() == turnbull(rows).mass.tolist()
    nothing = turnbull(lives([0.0], [np.inf]))
    assert nothing.n_rows.tolist() == [0]
    assert np.isnan(turnbull_survival(nothing, np.array([1.0]))[0]).all()


def test_left_truncation_is_refused() -> None:
    with pytest.raises(ValueError, match="does not handle left truncation"):
        turnbull(lives([3], [4], entry=[1]))


def test_the_band_draws_whole_vehicles_and_holds_the_estimate() -> None:
    rows = _pools(24, 1)
    unit = np.arange(rows.low.size) // 2
    at = np.array([200.0, 600.0])
    low, high = turnbull_band(rows, unit, at, rng=np.random.default_rng(0), n_resamples=200)
    lowest, highest = turnbull_survival(turnbull(rows), at)
    assert (low <= lowest[0]).all()
    assert (highest[0] <= high).all()
    assert (high - low < 0.9).all()
    one = turnbull_band(rows, np.zeros(unit.size, int), at, rng=np.random.default_rng(0))
    assert one[0] == pytest.approx(lowest[0], abs=1e-9)
    with pytest.raises(ValueError, match="one group"):
        turnbull_band(_pools(24, 2), unit, at, rng=np.random.default_rng(0))
