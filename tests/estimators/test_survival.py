"""Kaplan-Meier: by hand, against the textbook's data, against libraries, and laws.

Traps avoided: a scan's distance is no failure's (intervals are refused, not moved to their
end); failures come before censorings at one time; limits are on the log(-log) scale, which
reference libraries do not all give unless asked.
"""

import numpy as np
import pytest

from afterclear.estimators.lifetimes.lifetimes import Lifetimes, lifetimes, observed_lifetimes
from afterclear.estimators.lifetimes.survival import SurvivalCurves, kaplan_meier
from tests.estimators.open_data import library, quiet, random_lives, remission, shuffled


def _at(curves: SurvivalCurves, times: list[float]) -> np.ndarray:
    return np.searchsorted(curves.time, times, side="right") - 1


def test_five_parts_by_hand() -> None:
    """Ages 2, 3+, 4, 4, 5+: S(2) = 4/5, S(4) = 4/5 * 1/3; Greenwood 1/20, then + 2/3."""
    curves = kaplan_meier(observed_lifetimes([4, 2, 3, 5, 4], [1, 1, 0, 0, 1]))
    assert curves.time.tolist() == [2, 4]
    assert curves.n_at_risk.tolist() == [5, 3]
    assert curves.n_events.tolist() == [1, 2]
    assert curves.survival == pytest.approx([0.8, 4 / 15], rel=1e-14)
    error = np.sqrt([1 / 20, 1 / 20 + 2 / (3 * 1)])
    assert curves.std_error == pytest.approx([0.8, 4 / 15] * error, rel=1e-13)
    spread = np.exp(1.959963984540054 * error[0] / -np.log(0.8))
    assert curves.low[0] == pytest.approx(0.8**spread, rel=1e-13)
    assert curves.high[0] == pytest.approx(0.8 ** (1 / spread), rel=1e-13)


def test_a_part_fitted_before_watching_began_is_at_risk_from_then_on() -> None:
    """One of three enters at 3: at 2 two are at risk, at 4 two again."""
    curves = kaplan_meier(observed_lifetimes([2, 4, 6], [1, 1, 0], entry=[0, 3, 0]))
    assert curves.n_at_risk.tolist() == [2, 2]
    assert curves.survival.tolist() == [0.5, 0.25]


def test_remission_times() -> None:
    """6-MP arm: R 4 survfit and four Python libraries agree on these digits.

    .857, .753, .448 are the textbook's (Kleinbaum & Klein, from memory); data Freireich 1963.
    """
    rows, arm = remission()
    curves = kaplan_meier(rows.take(arm == 1))
    at = _at(curves, [6, 10, 23])
    assert curves.survival[at] == pytest.approx([0.8571428571, 0.7529411765, 0.4481792717])
    assert curves.std_error[at] == pytest.approx([0.07636035, 0.09634965, 0.13459146], rel=1e-6)
    low, high = curves.low[at], curves.high[at]
    assert low[1:] == pytest.approx([0.5031995108, 0.1880520], rel=1e-6)
    assert high[1:] == pytest.approx([0.8893618352, 0.6801426], rel=1e-6)


def test_curves_and_limits_agree_with_scikit_survival_and_lifelines() -> None:
    """50 random groups at once, to 1e-9; lifelines also with late entry."""
    sksurv = library("sksurv.nonparametric")
    lifelines = library("lifelines")
    for entered in (False, True):
        rows = random_lives(11, 50, exact=True, entered=entered)
        curves = kaplan_meier(rows)
        for group in range(rows.n_groups):
            own = rows.take(rows.group == group)
            points = slice(curves.offsets[group], curves.offsets[group + 1])
            with quiet():
                fitter = lifelines.KaplanMeierFitter().fit(own.low, own.failed, entry=own.entry)
                survival = fitter.survival_function_at_times(curves.time[points]).to_numpy()
                limits = fitter.confidence_interval_.loc[curves.time[points]].to_numpy()
            assert curves.survival[points] == pytest.approx(survival, rel=1e-9)
            some = curves.survival[points] > 0
            assert curves.low[points][some] == pytest.approx(limits[some, 0], rel=1e-9)
            assert curves.high[points][some] == pytest.approx(limits[some, 1], rel=1e-9)
            if not entered:
                time, other, band = sksurv.kaplan_meier_estimator(
                    own.failed, own.low, conf_type="log-log"
                )
                place = np.searchsorted(time, curves.time[points])
                assert curves.survival[points] == pytest.approx(other[place], rel=1e-12)
                assert curves.low[points][some] == pytest.approx(band[0, place][some], rel=1e-9)


def test_curves_agree_with_surpyval() -> None:
    surpyval = library("surpyval")
    rows = random_lives(12, 20, exact=True, entered=False)
    curves = kaplan_meier(rows)
    for group in range(rows.n_groups):
        own = rows.take(rows.group == group)
        points = slice(curves.offsets[group], curves.offsets[group + 1])
        with quiet():
            other = surpyval.KaplanMeier.fit(own.low, c=1 - own.failed)
        place = np.searchsorted(other.x, curves.time[points])
        assert curves.survival[points] == pytest.approx(other.R[place], rel=1e-9, abs=1e-12)


def test_without_censoring_the_curve_is_the_share_still_alive() -> None:
    age = np.random.default_rng(3).integers(1, 20, 200).astype(float)
    curves = kaplan_meier(observed_lifetimes(age, np.ones(200)))
    alive = (age[:, None] > curves.time).mean(axis=0)
    assert curves.survival == pytest.approx(alive, rel=1e-12, abs=1e-13)


def test_curves_fall_inside_0_and_1_between_their_limits() -> None:
    rows = random_lives(13, 200, exact=True)
    curves = kaplan_meier(rows)
    group = np.repeat(np.arange(200), np.diff(curves.offsets))
    falls = np.diff(curves.survival)[group[1:] == group[:-1]]
    assert (falls < 0).all()
    assert ((curves.survival >= 0) & (curves.survival < 1)).all()
    some = curves.survival > 0
    assert (curves.low[some] < curves.survival[some]).all()
    assert (curves.survival[some] < curves.high[some]).all()
    assert np.isnan(curves.low[~some]).all()


def test_the_order_of_rows_and_the_company_of_other_groups_do_not_matter() -> None:
    rows = random_lives(14, 30, exact=True)
    curves, again = kaplan_meier(rows), kaplan_meier(shuffled(rows, 1)[0])
    assert again.survival == pytest.approx(curves.survival, rel=1e-13)
    assert again.low == pytest.approx(curves.low, rel=1e-12, nan_ok=True)
    alone = kaplan_meier(rows.take_groups(np.array([7])))
    assert (
        alone.survival.tolist() == curves.survival[curves.offsets[7] : curves.offsets[8]].tolist()
    )


def test_a_row_of_weight_3_is_three_rows() -> None:
    once = observed_lifetimes([2, 3, 5, 7], [1, 0, 1, 1], weight=[3, 1, 2, 1])
    thrice = observed_lifetimes([2, 2, 2, 3, 5, 5, 7], [1, 1, 1, 0, 1, 1, 1])
    assert kaplan_meier(once).survival == pytest.approx(kaplan_meier(thrice).survival)
    assert kaplan_meier(once).low[:2] == pytest.approx(kaplan_meier(thrice).low[:2])


def test_a_group_without_failures_has_no_points() -> None:
    curves = kaplan_meier(observed_lifetimes([2, 4], [0, 1], group=[0, 2], n_groups=4))
    assert np.diff(curves.offsets).tolist() == [0, 0, 1, 0]
    assert np.isnan(curves.followed_to).tolist() == [False, True, False, True]


def test_failures_between_two_scans_are_refused() -> None:
    with pytest.raises(ValueError, match=r"row 1 lies in .2.0, 5.0.; fit a Weibull"):
        kaplan_meier(lifetimes([1, 2], [1, 5]))


@pytest.mark.parametrize(
    ("low", "high", "entry", "message"),
    [
        ([3.0], [2.0], [0.0], "high must be low or more, but is 2.0 in row 0"),
        ([1.0], [2.0], [1.5], "low must be at or after its entry, but is 1.0 in row 0"),
        ([1.0], [1.0], [1.0], "low must be after its entry where it is exact"),
        ([np.nan], [1.0], [0.0], "low must be finite"),
    ],
)
def test_rows_that_are_no_lives_are_refused(
    low: list[float], high: list[float], entry: list[float], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        lifetimes(low, high, entry=entry)


def test_groups_taken_out_keep_their_rows() -> None:
    rows = random_lives(15, 6)
    some: Lifetimes = rows.take_groups(np.array([4, 1]))
    assert some.low[some.group == 0].tolist() == rows.low[rows.group == 4].tolist()
    assert some.n_failed.tolist() == rows.n_failed[[4, 1]].tolist()
