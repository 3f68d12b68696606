"""One line through readings that may be wrong."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from afterclear.histories.odometer import OdometerLine, SetAside, odometer_line

MAX = 1500.0
DAYS = [0.0, 30.0, 60.0, 90.0, 120.0, 150.0]


def fit(km: list[float], days: list[float] | None = None) -> OdometerLine:
    return odometer_line(np.array(days or DAYS[: len(km)]), np.array(km), MAX)


@pytest.mark.parametrize(
    ("readings", "reasons"),
    [
        ([1000, 2000, 3000, 4000], [None] * 4),
        ([1000, 2000, 30000, 4000, 5000], [None, None, SetAside.DECIMAL, None, None]),
        # 3000 km noted in miles, or miles read as km
        ([1000, 2000, 1864, 4000, 5000], [None, None, SetAside.UNITS, None, None]),
        ([1000, 2000, 4828, 4000, 5000], [None, None, SetAside.UNITS, None, None]),
        ([1000, 2000, 700, 4000, 5000], [None, None, SetAside.SINGLE, None, None]),
        ([1000, 2000, 3000, 4000, 900], [None] * 4 + [SetAside.JUMP]),
        ([1000, 2000, 1999, 4000], [None] * 4),  # a fall of a rounding is none
    ],
)
def test_a_reading_that_does_not_fit_is_set_aside_with_a_reason(
    readings: list[float], reasons: list[SetAside | None]
) -> None:
    fitted = fit(readings)
    assert list(fitted.reasons) == reasons
    assert np.isnan(fitted.line_km).tolist() == [reason is not None for reason in reasons]


def test_a_drop_that_lasts_begins_a_new_stretch_and_the_line_goes_on() -> None:
    """A replaced cluster: 0 km are added between the last old and the first new reading."""
    fitted = fit([80_000, 81_000, 82_000, 10, 1_010, 2_010])
    assert fitted.reasons[3] is SetAside.LASTING_DROP
    assert fitted.line_km.tolist() == [80_000, 81_000, 82_000, 82_000, 83_000, 84_000]


def test_two_low_readings_at_the_end_do_not_yet_tell_whether_the_drop_lasts() -> None:
    fitted = fit([80_000, 81_000, 82_000, 10, 1_010])
    assert np.isnan(fitted.line_km).tolist() == [False] * 3 + [True] * 2


def test_more_km_than_a_vehicle_can_drive_are_no_readings() -> None:
    """3000 km in one day, at most 1500 and some slack are believed."""
    fitted = fit([1000, 4000, 1100, 1200], days=[0, 1, 2, 3])
    assert np.isnan(fitted.line_km).tolist() == [False, True, False, False]


@given(
    st.lists(
        st.tuples(st.floats(0.01, 400), st.floats(0, 1e6)),
        min_size=1,
        max_size=30,
    )
)
def test_the_line_never_falls_whatever_the_readings(steps: list[tuple[float, float]]) -> None:
    days = np.cumsum([gap for gap, _ in steps])
    fitted = odometer_line(days, np.array([km for _, km in steps]), MAX)
    line = fitted.line_km[~np.isnan(fitted.line_km)]
    assert len(line) > 0
    assert np.all(np.diff(line) >= -1e-6)


@given(st.lists(st.floats(0, 1000), min_size=1, max_size=30))
def test_readings_that_rise_are_the_line_themselves(rises: list[float]) -> None:
    km = np.cumsum(rises)
    fitted = odometer_line(np.arange(len(km), dtype=float), km, MAX)
    assert fitted.line_km.tolist() == km.tolist()
    assert set(fitted.reasons) == {None}


def test_no_readings_make_no_line() -> None:
    assert fit([]).line_km.size == 0
