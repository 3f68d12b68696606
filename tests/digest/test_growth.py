"""Evidence along the axis: how stretches grow to what proves a fix."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from afterclear.digest.common.model import AttemptView, Fault, VehicleRef
from afterclear.digest.input.mileage import Line
from afterclear.digest.input.row_types import Attempt, Evidence
from afterclear.digest.vehicle.axis_position import Axis
from afterclear.digest.vehicle.growth import growth_of, merge_intervals
from afterclear.digest.vehicle.vehicle_model import Growth, Stretch
from tests.digest.rows_fixture import attempt, evidence

LINE = Line(
    (datetime(2025, 4, 1, tzinfo=UTC), datetime(2025, 5, 11, tzinfo=UTC)), (41_000.0, 45_000.0)
)
KM = Axis("km", LINE)
DAYS = Axis("date", LINE)


def view(row: Attempt, *rows: Evidence) -> AttemptView:
    return AttemptView(
        row=row,
        vehicle=VehicleRef("HX-1", None, "", None, "vehicles/v-hx-1.html", sold=False),
        fault=Fault("engine", "P0301", None, None, ()),
        done="",
        where="",
        reason="",
        evidence=rows,
        current=True,
        present=False,
        due=None,
        settled_by=None,
    )


def clean(day: int, start: float, end: float) -> Evidence:
    return evidence("clean", f"S-{day}", day, end, stretch_from_km=start, stretch_to_km=end)


def test_intervals_are_joined_where_they_touch() -> None:
    assert merge_intervals([(5, 8), (0, 5), (9, 9), (10, 12), (11, 11.5)]) == [(0, 8), (10, 12)]


def test_stretches_grow_by_what_each_adds() -> None:
    """A gap (an unseen clear lies in it) adds nothing; both stretches share one height."""
    row = attempt(outcome="on_watch", clean_km=1_500.0, km_to_go=500.0)
    rows = (clean(3, 41_000, 42_000), clean(5, 43_000, 43_500))
    assert growth_of(view(row, *rows), KM.place, "km") == Growth(
        start=41_000,
        stretches=(Stretch(41_000, 42_000, 0, 0.5), Stretch(43_000, 43_500, 0.5, 0.75)),
        outcome="on_watch",
        verdict_at=43_500,
        target=44_000,
    )


@pytest.mark.parametrize("start_of_second", [41_000.0, 41_600.0])
def test_stretches_told_from_the_start_or_one_by_one_are_the_same(start_of_second: float) -> None:
    row = attempt(outcome="held", clean_km=1_000.0)
    rows = (clean(3, 41_000, 41_600), clean(5, start_of_second, 42_000))
    grown = growth_of(view(row, *rows), KM.place, "km")
    assert grown is not None
    assert grown.stretches == (Stretch(41_000, 42_000, 0, 1.0),)
    assert grown.target is None


def test_a_fix_that_needed_less_than_it_got_is_full_before_its_end() -> None:
    row = attempt(outcome="held", clean_km=4_000.0, needed_km=1_000.0)
    grown = growth_of(view(row, clean(3, 41_000, 42_000), clean(5, 43_000, 45_000)), KM.place, "km")
    assert grown is not None
    assert [stretch.share_after for stretch in grown.stretches] == [1.0, 1.0]


def test_a_return_ends_where_it_was_seen() -> None:
    row = attempt(outcome="came_back", returned_scan_id="S-9", clean_km=1_000.0)
    seen = evidence("returned", "S-9", 9, 42_900)
    grown = growth_of(view(row, clean(3, 41_000, 42_000), seen), KM.place, "km")
    assert grown is not None
    assert grown.verdict_at == 42_900
    assert grown.stretches[-1].share_after == 0.5


def test_nothing_seen_grows_nothing() -> None:
    grown = growth_of(view(attempt()), KM.place, "km")
    assert grown == Growth(41_000, (), "unchecked", 41_000, None)


def test_without_an_odometer_stretches_run_from_scan_to_scan() -> None:
    """Days since 1970: 1 April 2025 is day 20179, 1 May day 20209 (date -u -d)."""
    row = attempt(
        outcome="on_watch", attempted_km=None, clock="days", clean_km=1_280.0, km_to_go=320.0
    )
    rows = (
        evidence("clean", "S-1", 1),
        evidence("no_evidence", "S-2", 2),
        evidence("clean", "S-3", 3),
    )
    grown = growth_of(view(row, *rows), DAYS.place, "date")
    assert grown is not None
    assert grown.start == 20_179
    hours = 10 / 24
    ends = [(stretch.start, stretch.end) for stretch in grown.stretches]
    assert ends == [(20_179, 20_209 + hours), (20_210 + hours, 20_211 + hours)]
    assert grown.stretches[-1].share_after == pytest.approx(0.8, rel=1e-9)
    assert grown.target is None, "km to go have no place on an axis of days"


def test_an_attempt_off_the_line_is_not_drawn() -> None:
    row = attempt(attempted_km=None, attempted_at=datetime(2024, 1, 1, tzinfo=UTC))
    assert growth_of(view(row), KM.place, "km") is None


def test_a_fix_reckoned_from_hours_keeps_its_share_on_an_axis_of_days() -> None:
    row = attempt(outcome="on_watch", clock="engine_hours", clean_km=90.0, km_to_go=10.0)
    grown = growth_of(view(row, evidence("clean", "S-1", 1)), DAYS.place, "date")
    assert grown is not None
    assert grown.stretches[-1].share_after == pytest.approx(0.9, rel=1e-9)
    assert grown.target is None
    assert growth_of(view(replace(row, km_to_go=None)), DAYS.place, "date") is not None
