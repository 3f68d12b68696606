"""Forecasts of invented fleets, quarter by quarter: what came lies within as often as told."""

import numpy as np
import pytest

from afterclear.estimators.forecast.spread import interval
from tests.calibration.coming import forecast_of
from tests.calibration.laws import Laws
from tests.campaigns import counted, repeats

FLEETS = 24  # of 13 quarters each
FIRST_SEED = 1000  # those before were looked at while the forecast was built


@pytest.mark.slow
def test_nine_of_ten_quarters_lie_within_their_interval() -> None:
    """Faults, lives and fixes by the laws of ``laws.py``; nothing of them is told to the tool.

    A campaign draws more fleets.
    """
    held: list[bool] = []
    n_fleets = repeats(FLEETS)
    for seed in range(n_fleets):
        for told in forecast_of(Laws(n_vehicles=150), FIRST_SEED + seed).record:
            low, high = interval([told.ahead.total], [told.ahead.total_variance])
            held.append(bool(low[0] <= told.total_came <= high[0]))
    counted(len(held), "fleet-quarters")
    counted(sum(held), "of these within their interval")
    assert len(held) >= 200
    assert 0.87 <= np.mean(held) <= 0.93
