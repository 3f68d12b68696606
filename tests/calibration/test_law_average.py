"""The floor of small fleets is one only if its own chances come true over all laws together."""

import numpy as np
import pytest

from afterclear.estimators.causes.judging import ETA_SPAN_KM
from tests.calibration.fleet import simulate
from tests.calibration.judged import told
from tests.calibration.law_average import law_average, worlds
from tests.calibration.laws import SCENARIOS, Laws
from tests.calibration.scores import Rows, calibration_error


@pytest.mark.slow
def test_over_all_laws_nobody_beats_the_law_average_and_its_chances_come_true() -> None:
    fleets = [simulate(scenario.sized(10), 3) for scenario in SCENARIOS]
    tool, floor = (
        Rows.joined([Rows.of(f, judge(f)) for f in fleets if f.tries])
        for judge in (told, law_average)
    )
    there, failed = ~floor.back, floor.failed
    log_loss = []
    for rows in (tool, floor):
        chance = np.clip(np.where(failed > 0, rows.p, 1 - rows.p), 1e-6, 1)
        log_loss.append(-np.log(chance[there]).mean())
    assert log_loss[1] < log_loss[0]
    assert calibration_error(floor.p[there], failed[there]) < 0.03
    assert calibration_error(floor.p[floor.back], failed[floor.back]) < 0.03


def test_a_middle_that_is_not_told_is_anywhere_in_the_span_under_every_law() -> None:
    told, untold = worlds(), worlds(middle_told=False)
    assert sum(told.values()) == pytest.approx(len(SCENARIOS))
    assert sum(untold.values()) == pytest.approx(len(SCENARIOS))
    middles = np.unique([laws.eta[0] for laws in untold])
    assert ETA_SPAN_KM[0] < middles[0] < 200
    assert 9_000 < middles[-1] < ETA_SPAN_KM[1]
    spread = Laws().eta[1]
    usual = [untold[Laws(eta=(middle, spread))] for middle in middles]
    assert usual == pytest.approx(np.full(middles.size, usual[0]))


@pytest.mark.slow
def test_who_is_not_told_the_middle_needs_more_km_to_say_held() -> None:
    fleet = simulate(SCENARIOS[0].sized(4), 3)
    told, untold = law_average(fleet), law_average(fleet, middle_told=False)
    chance = np.where(np.isnan(told.p_not_held), told.p_same_fault, told.p_not_held)
    less = np.where(np.isnan(untold.p_not_held), untold.p_same_fault, untold.p_not_held)
    assert 0.01 < np.abs(chance - less).max() < 0.5
    assert np.nansum(untold.km_to_go) > np.nansum(told.km_to_go)
