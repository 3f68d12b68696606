"""Aalen-Johansen curves: by hand, published, against scikit-survival, laws.

Trap avoided: lifelines moves tied ages apart at random, so its curves are not these.
"""

import numpy as np
import pytest

from afterclear.estimators.lifetimes.competing import IncidenceCurves, aalen_johansen
from afterclear.estimators.lifetimes.lifetimes import Lifetimes, lifetimes, observed_lifetimes
from afterclear.estimators.lifetimes.survival import kaplan_meier
from tests.estimators.open_data import library, quiet, random_lives, rdataset


def _causes(seed: int, n_groups: int) -> tuple[Lifetimes, np.ndarray]:
    rows = random_lives(seed, n_groups, exact=True, entered=False)
    age = np.ceil(rows.low / 40) * 40  # ties
    rows = lifetimes(age, np.where(rows.failed, age, np.inf), group=rows.group)
    cause = np.random.default_rng(seed).integers(1, 4, age.size)
    return rows, np.where(rows.failed, cause, 0)


def _of(curves: IncidenceCurves, group: int) -> slice:
    return slice(curves.offsets[group], curves.offsets[group + 1])


def test_four_parts_by_hand() -> None:
    """Failed at 1, removed at 2, sound at 3, failed at 4: 1/4; then 3/4 * 1/3; then + 1/2."""
    curves = aalen_johansen(
        observed_lifetimes([1, 2, 3, 4], [1, 1, 0, 1]), np.array([1, 2, 0, 1]), 2
    )
    assert curves.time.tolist() == [1, 2, 4]
    assert curves.incidence[0] == pytest.approx([0.25, 0.25, 0.75], rel=1e-14)
    assert curves.incidence[1] == pytest.approx([0, 0.25, 0.25], rel=1e-14)
    # with nothing else before it, the first point is a binomial share: n - 1 by Aalen
    assert curves.std_error[0, 0] == pytest.approx(np.sqrt(0.25 * 0.75 / 3), rel=1e-12)


def test_progression_or_death() -> None:
    """R survfit and scikit-survival; 1 - KM would promise twice as much at 240 months."""
    frame = rdataset("survival", "mgus2")
    progressed = frame["pstat"].to_numpy() == 1
    months = np.where(progressed, frame["ptime"], frame["futime"]).astype(float)
    cause = np.where(progressed, 1, np.where(frame["death"] == 1, 2, 0))
    curves = aalen_johansen(observed_lifetimes(months, cause > 0), cause, 2)
    at = np.searchsorted(curves.time, [60, 120, 240], side="right") - 1
    assert curves.incidence[0, at] == pytest.approx([0.03410371, 0.06372217, 0.09981372], abs=5e-9)
    alone = kaplan_meier(observed_lifetimes(months, cause == 1))
    last = np.searchsorted(alone.time, [60, 120, 240], side="right") - 1
    assert 1 - alone.survival[last] == pytest.approx([0.04215386, 0.09522166, 0.20956162], abs=5e-9)


def test_curves_and_limits_agree_with_scikit_survival() -> None:
    """20 random groups, three causes, ties; 1e-9."""
    sksurv = library("sksurv.nonparametric")
    rows, cause = _causes(111, 20)
    curves = aalen_johansen(rows, cause, 3)
    for group in range(20):
        own = rows.group == group
        with quiet():
            time, incidence, band = sksurv.cumulative_incidence_competing_risks(
                cause[own], rows.low[own], conf_type="log-log"
            )
        points = _of(curves, group)
        place = np.searchsorted(time, curves.time[points])
        n_causes = incidence.shape[0] - 1
        assert curves.incidence[:n_causes, points] == pytest.approx(
            incidence[1:, place], rel=1e-9, abs=1e-14
        )
        ours, theirs = curves.low[:n_causes, points], band[1:, 0, place]
        told = np.isfinite(ours)
        assert ours[told] == pytest.approx(theirs[told], rel=1e-8)
        theirs = band[1:, 1, place]
        assert curves.high[:n_causes, points][told] == pytest.approx(theirs[told], rel=1e-8)


def test_causes_and_survival_add_up_to_1() -> None:
    rows, cause = _causes(112, 50)
    curves, survival = aalen_johansen(rows, cause, 3), kaplan_meier(rows)
    assert curves.incidence.sum(axis=0) + survival.survival == pytest.approx(1.0, abs=1e-12)


def test_one_cause_is_one_minus_kaplan_meier_late_entry_included() -> None:
    rows = random_lives(113, 20, exact=True)
    curves, survival = aalen_johansen(rows, np.ones(rows.low.size, int), 1), kaplan_meier(rows)
    assert curves.incidence[0] == pytest.approx(1 - survival.survival, abs=1e-12)


def test_order_of_rows_does_not_matter() -> None:
    rows, cause = _causes(114, 10)
    order = np.random.default_rng(0).permutation(cause.size)
    curves, again = (
        aalen_johansen(rows, cause, 3),
        aalen_johansen(rows.take(order), cause[order], 3),
    )
    assert again.incidence == pytest.approx(curves.incidence, rel=1e-12)
    assert again.std_error == pytest.approx(curves.std_error, rel=1e-9, abs=1e-12)


def test_no_end_no_points_and_unknown_causes_are_refused() -> None:
    empty = aalen_johansen(observed_lifetimes([1], [0]), np.array([0]), 2)
    assert empty.incidence.shape == (2, 0)
    with pytest.raises(ValueError, match="cause must be 1 to 2"):
        aalen_johansen(observed_lifetimes([1], [1]), np.array([3]), 2)
    with pytest.raises(ValueError, match="some rows are intervals"):
        aalen_johansen(lifetimes([1], [2]), np.array([1]), 1)
