"""The floor of small fleets is one only if its own chances come true over all laws together."""

import numpy as np
import pytest

from tests.calibration.fleet import simulate
from tests.calibration.judged import told
from tests.calibration.law_average import law_average
from tests.calibration.laws import SCENARIOS
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
