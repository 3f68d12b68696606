from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from afterclear.digest.input.mileage import (
    Due,
    Limits,
    Line,
    Usual,
    due_of,
    estimated_line,
    odometer_line,
    usual_mileage,
)
from afterclear.digest.input.row_types import Attempt, Evidence, OdometerReading
from afterclear.wording.cells import Cells, Dash
from tests.digest.rows_fixture import attempt, evidence, observation

START = datetime(2025, 1, 1, tzinfo=UTC)


def day(n: float) -> datetime:
    return START + timedelta(days=n)


def reading(n: float, line_km: float | None, cause: str | None = None) -> OdometerReading:
    return OdometerReading("V", day(n), line_km or 0, line_km, cause, None, None)  # type: ignore[arg-type]


LINE = Line((day(0), day(100), day(200)), (1_000, 2_000, 5_000))


def test_the_line_leaves_out_what_was_set_aside() -> None:
    readings = [reading(5, 300), reading(0, 100), reading(2, 900, "single"), reading(3, None)]
    assert odometer_line(readings) == Line((day(0), day(5)), (100, 300))


def test_of_two_readings_at_one_moment_the_higher_stands() -> None:
    assert odometer_line([reading(0, 100), reading(0, 90)]) == Line((day(0),), (100,))


@pytest.mark.parametrize(
    ("n", "km"), [(0, 1_000), (50, 1_500), (150, 3_500), (200, 5_000), (-1, None), (201, None)]
)
def test_the_line_is_read_between_its_ends_only(n: float, km: float | None) -> None:
    assert LINE.km_at(day(n)) == km
    if km is not None:
        assert LINE.at_km(km) == day(n)


def test_without_an_odometer_the_line_stands_on_what_was_reckoned() -> None:
    looks = [observation(day(9), None), observation(day(5), 300.0), observation(day(0), 100.0)]
    assert estimated_line(looks) == Line((day(0), day(5)), (100, 300))


def test_an_empty_line_says_nothing() -> None:
    assert Line((), ()).km_at(START) is None
    assert Line((), ()).at_km(1) is None


def test_usual_mileage_is_distance_over_time_before_the_last_reading() -> None:
    assert usual_mileage(LINE, 100, 28, Cells()) == Usual(30.0, 2, 100, day(200), 5_000)
    assert usual_mileage(LINE, 365, 28, Cells()) == Usual(20.0, 3, 200, day(200), 5_000)


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (Line((), ()), "no odometer reading"),
        (Line((day(0), day(27)), (0, 9)), "the readings cover less than 28 days"),
        (Line((day(0), day(30)), (9, 9)), "no distance between the readings"),
    ],
)
def test_too_little_for_a_usual_mileage_says_why(line: Line, reason: str) -> None:
    assert usual_mileage(line, 365, 28, Cells()) == Dash(reason)


USUAL = Usual(100.0, 5, 200, day(200), 50_000)
WATCHED = attempt(outcome="on_watch", km_to_go=1_000.0, clean_km=800.0, attempted_km=48_000.0)
LOOKED = (evidence("clean", stretch_from_km=48_000, stretch_to_km=49_500),)

# attempt, evidence, usual, days after the last reading, what is due
DUES = [
    (WATCHED, LOOKED, USUAL, 2, Due(50_500, day(205), passed=False)),
    (WATCHED, LOOKED, USUAL, 6, Due(50_500, day(205), passed=True)),
    (WATCHED, (), USUAL, 2, Due(49_800, day(200), passed=True)),
    (
        WATCHED,
        LOOKED,
        USUAL,
        91,
        Due(50_500, Dash("last reading on 20\xa0Jul\xa02025"), passed=False),
    ),
    (WATCHED, LOOKED, Dash("none"), 2, Due(50_500, Dash("none"), passed=False)),
    (
        replace(WATCHED, km_to_go=None),
        LOOKED,
        USUAL,
        2,
        Due(None, Dash("distance to go not known"), passed=False),
    ),
    (
        replace(WATCHED, attempted_km=None),
        (),
        USUAL,
        2,
        Due(None, Dash("no odometer reading in the last clean scan"), passed=False),
    ),
    (
        replace(WATCHED, clock="engine_hours"),
        LOOKED,
        USUAL,
        2,
        Due(None, day(205), passed=False),  # no instrument shows these km
    ),
    (
        replace(WATCHED, clock="days"),
        LOOKED,
        USUAL,
        6,
        Due(None, day(205), passed=True),
    ),
]


@pytest.mark.parametrize(("row", "rows", "usual", "after", "due"), DUES)
def test_the_day_a_fix_would_be_proven(
    row: Attempt, rows: tuple[Evidence, ...], usual: Usual | Dash, after: int, due: Due
) -> None:
    assert due_of(row, rows, usual, Limits(day(200 + after), 90, Cells())) == due
