"""Errors of chances are measured with luck in them; how much is told beside every figure."""

import numpy as np
import pytest

from tests.calibration.fleet import simulate
from tests.calibration.judgements import seeds_of
from tests.calibration.laws import SCENARIOS
from tests.calibration.lines import SAME
from tests.calibration.oracle import oracle
from tests.calibration.scores import calibration_error, noise


def test_true_chances_show_more_than_their_luck_in_one_of_twenty_draws() -> None:
    rng = np.random.default_rng(3)
    p = rng.beta(0.5, 1.0, 500)
    most = noise(p)
    errors = [calibration_error(p, rng.random(p.size) < p) for _ in range(500)]
    assert np.mean(np.array(errors) > most) == pytest.approx(0.05, abs=0.025)


@pytest.mark.slow
def test_luck_alone_would_not_keep_ten_vehicles_with_late_returns_from_the_goal() -> None:
    """Twenty fleets a seed, five seeds: as many come-backs as the table has, and its bins."""
    (late,) = (scenario.sized(10) for scenario in SCENARIOS if scenario.name == "late returns")
    chances = [
        known[np.isfinite(fleet.column("back_km"))]
        for fleet in (simulate(late, seed) for seed in seeds_of(10, 5, 60))
        for known in (oracle(fleet).p_failed,)
    ]
    assert noise(np.concatenate(chances)) < 0.7 * SAME
