"""Where everything stands in the picture of a vehicle's history."""

from dataclasses import replace

from afterclear.digest.input.mileage import Line
from afterclear.digest.input.row_types import OdometerReading
from afterclear.digest.output.filters import filters
from afterclear.digest.output.render import render_vehicle
from afterclear.digest.vehicle.round_axes import date_ticks, distance_ticks, round_step
from afterclear.digest.vehicle.vehicle_model import (
    ClearMark,
    Flag,
    Mark,
    Span,
    Stretch,
    Tick,
    TimeLine,
    VehiclePage,
)
from afterclear.digest.vehicle.vehicle_page import readings_unsaid
from afterclear.wording.cells import Cells, Dash
from tests.digest.every_row import build_digest
from tests.digest.fleet_fixture import fleet, frames_of
from tests.digest.story import START, Story, Try, vehicle


def page_of(story: Story) -> VehiclePage:
    return next(iter(build_digest(frames_of([story])).vehicles))


def timeline_of(story: Story) -> TimeLine:
    found = page_of(story).timeline
    assert isinstance(found, TimeLine)
    return found


def simple() -> Story:
    """Ten km a day from 0 km: km are ten times the day of the story."""
    story = Story(vehicle("A-1", "Haul 7", "Northquay"), 0, 10)
    return story.fault("engine", "P0301", 20, 30)


def test_a_code_began_after_the_last_scan_without_it_and_ended_with_the_clear() -> None:
    story = simple().scan(10, 25, 30, 50)
    story.attempt(
        Try(40, "engine", "P0301", "on_watch", "WO-1", "replace", "coil", p=0.2, to_go=100)
    )
    drawn = timeline_of(story)
    engine = drawn.lanes[0]
    assert (engine.name, engine.note.replace("\u00a0", " ")) == (
        "Engine",
        "answered in 4 of 4 scans",
    )
    assert engine.marks == (
        Mark(100, "clean"),
        Mark(250, "code"),
        Mark(300, "code"),
        Mark(500, "clean"),
    )
    assert engine.codes[0].spans == (Span(100, 250, 300, 400, is_open=False),)
    growth = engine.codes[0].growths[0]
    assert growth.stretches == (Stretch(400, 500, 0, 0.5),)
    assert (growth.start, growth.verdict_at, growth.target) == (400, 500, 600)
    assert drawn.flags == (Flag(400, 1),)
    assert drawn.low == 100
    assert drawn.high == 600, "the axis reaches to where a clean scan would prove the fix"


def test_a_code_there_at_the_first_look_has_no_beginning() -> None:
    drawn = timeline_of(simple().scan(20, 30))
    assert drawn.lanes[0].codes[0].spans == (Span(None, 200, 300, None, is_open=True),)


def test_a_control_unit_that_did_not_answer_is_a_cross_not_a_circle() -> None:
    drawn = timeline_of(simple().scan(10, 25).scan(35, silent=("engine",)))
    assert [mark.kind for mark in drawn.lanes[0].marks] == ["clean", "code", "no_answer"]


def test_active_codes_only_is_not_drawn_as_a_clean_reading() -> None:
    story = simple().scan(10)
    for row in story.frames["observations"]:
        row["memory"] = "active_only"
    assert {mark.kind for lane in timeline_of(story).lanes for mark in lane.marks} == {"momentary"}


def test_an_unrecorded_clear_has_its_interval() -> None:
    story = simple().scan(10, 25, 50).clear(40, "engine", origin="counter", low=30)
    assert timeline_of(story).lanes[0].clears[0] == ClearMark(400, 300, 400, recorded=False)


def test_a_clear_shows_though_no_code_was_ever_seen() -> None:
    story = Story(vehicle("A-2", "Haul 7", "Northquay"), 0, 10).scan(10, 50)
    story.clear(40, "engine", "brakes")
    drawn = timeline_of(story)
    assert [lane.name for lane in drawn.lanes] == ["8 control units"]
    assert drawn.lanes[0].clears == (ClearMark(400, 400, 400, recorded=True),)


def test_lanes_begin_with_what_is_there_and_end_with_the_quiet_ones() -> None:
    pages = {page.ref.vehicle_id: page for page in build_digest(fleet()).vehicles}
    drawn = pages["BUS-07"].timeline
    assert isinstance(drawn, TimeLine)
    assert [lane.name for lane in drawn.lanes] == ["Brakes", "Gateway", "6 other control units"]


def test_without_an_odometer_the_axis_is_time() -> None:
    story = simple().scan(10, 25)
    story.frames["odometer"].clear()
    for row in (*story.frames["observations"], *story.frames["sightings"]):
        row["km"] = None
    drawn = timeline_of(story)
    assert drawn.axis == "date"
    days = [mark.at - drawn.lanes[0].marks[0].at for mark in drawn.lanes[0].marks]
    assert days == [0, 15]


def test_a_vehicle_never_scanned_has_a_dash_and_a_reason() -> None:
    page = page_of(Story(vehicle("A-3", "Haul 7", "Northquay")))
    assert page.timeline == Dash("no scan has read a control unit of this vehicle")
    assert page.odometer == Dash("no odometer reading")


def test_the_table_tells_everything_the_picture_shows() -> None:
    story = simple().scan(10, 25, 50)
    story.attempt(Try(40, "engine", "P0301", "held", "WO-1", "replace", "coil", p=0.01))
    log = page_of(story).log
    assert [(line.kind, line.name, line.km) for line in log] == [
        ("scan", "S-10100", 100),
        ("scan", "S-10250", 250),
        ("repair", "WO-1", 400),
        ("clear", "", 400),
        ("scan", "S-10500", 500),
    ]
    assert next((r.unit, r.kind, r.text) for r in log[1].readings) == ("Engine", "code", "P0301")
    assert log[3].text == "Engine: codes cleared with the repair"


def test_more_codes_than_fit_are_counted() -> None:
    story = Story(vehicle("A-4", "Haul 7", "Northquay"), 0, 10)
    for code in ("P0301", "P0302", "P0401", "P0299", "P2002", "P0562", "P0715", "C0034", "C0050"):
        story.fault("engine", code, 20)
    lane = timeline_of(story.scan(10, 25)).lanes[0]
    assert (len(lane.codes), lane.n_hidden) == (8, 1)


def test_steps_are_round_in_the_readers_unit() -> None:
    """1 mile is 1.609344 km exactly, so 1,000 mi stand at 1,609.344 km."""
    assert [round_step(extent, 6) for extent in (34_000, 6.1, 900, 12)] == [10_000, 2, 200, 2]
    line = Line((START, START.replace(year=2025)), (0.0, 10_000.0))
    miles = distance_ticks(0, 9_000, line, Cells("mi"))
    assert miles[1] == Tick(1_609.344, "1,000", "Mar\u00a02024")


def test_dates_are_marked_by_months_or_days() -> None:
    cells = Cells()
    days = date_ticks(20_000, 20_010, cells)
    assert [tick.at for tick in days] == [20_000, 20_002, 20_004, 20_006, 20_008, 20_010]
    months = date_ticks(20_000, 20_400, cells)
    labels = [tick.label.replace("\u00a0", " ") for tick in months]
    assert labels == [
        "Nov 2024", "Jan 2025", "Mar 2025", "May 2025", "Jul 2025", "Sep 2025", "Nov 2025",
    ]  # fmt: skip
    years = date_ticks(0, 20_000, cells)
    assert [tick.label for tick in years] == ["1970", "1980", "1990", "2000", "2010", "2020"]


def test_a_vehicle_with_one_work_order_and_no_scan_has_an_axis() -> None:
    """As of a fleet whose parts were changed before anyone scanned it."""
    story = Story(vehicle("A-5", "Omnia 12", "Marrow Lane"), 90_000, 50)
    story.attempt(Try(30, "engine", "P0301", "unchecked", "WO-1", "replace", "engine"))
    story.frames["clear_events"].clear()
    story.read_odometer(0, "read").read_odometer(60, "read")
    drawn = timeline_of(story)
    assert (drawn.low, drawn.high) == (91_400, 91_600)
    assert [tick.label for tick in drawn.ticks] == [
        "91,400", "91,450", "91,500", "91,550", "91,600",
    ]  # fmt: skip


def test_a_clear_worked_out_for_before_the_first_look_does_not_stretch_the_axis() -> None:
    story = simple().scan(10, 25, 60).clear(2, "engine", origin="counter", low=1)
    page = page_of(story)
    assert isinstance(page.timeline, TimeLine)
    assert (page.timeline.low, page.timeline.high) == (100, 600)
    assert page.timeline.lanes[0].clears == ()
    assert [line.kind for line in page.log] == ["clear", "scan", "scan", "scan"]


def test_a_clear_worked_out_is_told_with_its_bounds_and_before_the_scan_it_was_found_in() -> None:
    """The day of the scan that gave it away is not the day of the clear."""
    story = simple().scan(10, 25, 60).clear(60, "engine", origin="vanished", low=25)
    row = story.frames["clear_events"][-1]
    row["cleared_at"] = row["cleared_high_at"] = story.at(60)
    clear, scan = page_of(story).log[-2:]
    # they may have gone by themselves: that is no clear
    assert (clear.kind, scan.kind) == ("gone", "scan")
    assert clear.when.replace("\u00a0", " ") == "between 2 Feb 2024 and 8 Mar 2024"
    assert clear.distance.replace("\u00a0", " ") == "250 km to 600 km"
    recorded = page_of(simple().scan(10, 25).clear(25, "engine")).log[-1]
    assert (recorded.kind, recorded.when, recorded.distance) == ("clear", "", "")


def test_a_clear_before_anyone_looked_has_no_day() -> None:
    story = simple().scan(10, 25).clear(10, "engine", origin="counter", low=1)
    at_the_look = {
        "cleared_low_at": None,
        "cleared_at": story.at(10),
        "cleared_high_at": story.at(10),
    }
    story.frames["clear_events"][-1].update(at_the_look)
    clear = page_of(story).log[0]
    assert clear.kind == "clear"
    assert clear.when.replace("\u00a0", " ") == "by 18 Jan 2024, the first scan"


def test_where_the_odometer_fell_distances_are_called_those_of_a_line() -> None:
    """The table gives the line's km; the instrument showed fewer."""
    story = simple().scan(10, 25, 60)
    whole = render_vehicle(page_of(story))
    assert "Odometer line" not in whole
    for row in story.frames["odometer"]:
        if row["read_at"] == story.at(25):
            row["set_aside"] = "lasting_drop"
    html = render_vehicle(page_of(story)).replace("\u00a0", " ")
    assert html.count("Odometer line") >= 2
    assert "The odometer reading fell on 2 Feb 2024" in html


def test_a_reading_written_down_with_a_clear_repeats_no_instant() -> None:
    """A clear is known by its instant, which would stand there in another zone than the day."""
    reading = OdometerReading(
        "A-1", START, 100.0, 100.0, None, origin="clear", origin_id="2024-01-08 09:00:00"
    )
    assert filters(Cells(zone="America/Chicago"))["origin_words"](reading) == "clear"


def test_a_code_that_is_only_permanent_is_no_code_present_and_named() -> None:
    """Present at no scan, so there is no episode; the unit was not clean for that."""
    story = simple().scan(25, 50)
    for row in story.frames["sightings"]:
        row["presence"] = "permanent"
    story.faults.clear()  # no episode is made of it
    page = page_of(story)
    assert page.episodes == ()
    assert isinstance(page.timeline, TimeLine)
    assert "Engine: no code present." in page.timeline.summary
    html = render_vehicle(page)
    assert "No scan has shown a code as present, only " in html
    assert '<span class="id">P0301</span> (permanent code only).' in html


def test_a_reading_stands_in_the_odometers_own_table_only_where_the_history_lacks_it() -> None:
    page = page_of(simple().scan(10, 25, 50))
    assert {r.origin for r in page.readings} >= {"scan"}
    assert page.readings_unsaid == ()
    aside = replace(page.readings[0], set_aside="single")
    moved = replace(page.readings[1], line_km=page.readings[1].reading_km + 5)
    bare = replace(page.readings[2], origin_id="no scan of a unit")
    unsaid = readings_unsaid([*page.readings, aside, moved, bare], page.log)
    assert list(unsaid) == [aside, moved, bare]
