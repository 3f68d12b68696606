"""Sites of invented fleets: who is called bad, and whether who is, is found; slow.

The whole table: ``python -m tests.calibration.sites``.
"""

import pytest

from tests.calibration.laws import Laws
from tests.calibration.sites import found


@pytest.mark.slow
def test_sites_that_only_scan_and_clear_otherwise_are_called_bad_by_chance_only() -> None:
    """Nominal 5 of 96; fresh fleets: 6.5 % of 480 (7.9 before others' shares had a variance)."""
    told = found(Laws(), range(61, 69), unequal=True, worse_by=0.0)
    print(told)
    assert told.below_5_percent <= 12
    assert told.labelled <= 2


@pytest.mark.slow
def test_a_site_whose_repairs_fail_far_more_often_is_found_and_makes_no_other_look_good() -> None:
    told = found(Laws(), range(71, 76), unequal=True, worse_by=0.25)
    print(told)
    assert told.bad_found >= 4
    assert told.labelled <= 1
