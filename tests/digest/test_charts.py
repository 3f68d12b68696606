"""The pictures: small, whole, and each thing with a shape of its own."""

import re
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from afterclear.digest.charts.layout import NARROW, WIDE, Layout
from afterclear.digest.charts.odometer_chart import draw_odometer
from afterclear.digest.charts.rise import draw_rise
from afterclear.digest.charts.scale import Scale, levels, thin_marks, thin_ticks
from afterclear.digest.charts.svg import element, text_at
from afterclear.digest.charts.timeline_chart import draw_timeline
from afterclear.digest.charts.verdict_bars import draw_verdicts
from afterclear.digest.common.model import Tally
from afterclear.digest.common.rise_lines import RiseChart
from afterclear.digest.input.row_types import OdometerReading
from afterclear.digest.vehicle.vehicle_model import Mark, OdometerChart, Tick, TimeLine
from afterclear.digest.vehicle.vehicle_page import odometer_chart
from afterclear.wording.cells import Cells
from tests.digest.every_row import build_digest
from tests.digest.fleet_fixture import fleet
from tests.digest.hostile_fixture import long_history

SCALE = Scale(0, 100, 0, 1_000)
LARGEST = 40_000  # bytes; issue 6 asks for pictures of at most 40 kB


def test_a_value_beyond_the_scale_stands_at_its_end() -> None:
    assert [SCALE(value) for value in (-5, 0, 50, 100, 200)] == [0, 0, 500, 1_000, 1_000]


def test_of_marks_too_close_the_more_telling_stays() -> None:
    marks = [Mark(0, "clean"), Mark(0.5, "code"), Mark(0.9, "clean"), Mark(2, "no_answer")]
    assert thin_marks(marks, SCALE, 10) == [Mark(0.5, "code"), Mark(2, "no_answer")]


def test_labels_too_close_are_left_out_evenly() -> None:
    ticks = [Tick(at, str(at), "") for at in (0, 10, 20, 30, 40)]
    assert [tick.at for tick in thin_ticks(ticks, SCALE, 150)] == [0, 20, 40]
    assert [tick.at for tick in thin_ticks(ticks, SCALE, 5_000)] == [0]


def test_flags_too_close_are_stacked() -> None:
    assert levels([0, 5, 30, 31, 32], apart=20) == [0, 1, 0, 1, 2]


def test_no_stem_runs_through_the_number_of_another_flag() -> None:
    """What is drawn later lies on top: all stems come before the first flag."""
    for _, timeline in timelines():
        drawn = str(draw_timeline(timeline, NARROW, "of a vehicle"))
        if 'class="flag"' in drawn:
            assert drawn.rindex('class="stem"') < drawn.index('class="flag"')


@pytest.mark.parametrize("layout", [WIDE, NARROW], ids=["wide", "narrow"])
def test_a_date_at_the_end_of_the_odometer_stays_inside_the_picture(layout: Layout) -> None:
    """The longest, 22. Sept. 2026, is under 76 px wide at 12.5 px."""
    chart = OdometerChart(
        line=((0, 10.0), (100, 20.0)),
        kept=((0, 10.0), (100, 20.0)),
        aside=(),
        day_ticks=(Tick(100, "22. Sept. 2026", ""),),
        km_ticks=(Tick(10, "10", ""), Tick(20, "20", "")),
        summary="",
    )
    drawn = str(draw_odometer(chart, layout, "km", "of a vehicle"))
    found = re.search(r'<text x="([\d.]+)"[^>]*>22. Sept. 2026', drawn)
    assert found
    assert float(found[1]) + 38 <= layout.width


def test_everything_written_into_a_picture_is_escaped() -> None:
    assert (
        text_at(1, 2, '<b x="1">\x00') == '<text x="1" y="2">&lt;b x=&#34;1&#34;&gt;\ufffd</text>'
    )
    assert element("g", class_='"><script>') == '<g class="&#34;&gt;&lt;script&gt;"/>'


def timelines() -> list[tuple[str, TimeLine]]:
    models = [*build_digest(fleet()).vehicles, *build_digest(long_history()).vehicles]
    return [(p.ref.vehicle_id, p.timeline) for p in models if isinstance(p.timeline, TimeLine)]


@pytest.mark.parametrize("layout", [WIDE, NARROW], ids=["wide", "narrow"])
def test_a_history_is_drawn_small(layout: Layout) -> None:
    """Also one of 284 scans, 12 codes and 12 work orders."""
    for name, timeline in timelines():
        assert len(draw_timeline(timeline, layout, name).encode()) < LARGEST, name


def test_where_a_code_has_little_room_its_component_stays_whole() -> None:
    """How it fails is left out first: it stands in the table below."""
    (timeline,) = (line for name, line in timelines() if name == "BUS-07")
    brakes = next(lane for lane in timeline.lanes if lane.codes)
    code = replace(brakes.codes[0], code="C0037-13", meaning="wheel speed sensor, rear left: open")
    lane = replace(brakes, codes=(code,))
    for layout, name in ((WIDE, "rear left<"), (NARROW, "rear left: open<")):
        drawn = draw_timeline(replace(timeline, lanes=(lane,)), layout, "of a vehicle")
        assert f"C0037-13  Wheel speed sensor, {name}" in drawn


def test_nothing_is_drawn_outside_its_picture() -> None:
    for name, timeline in timelines():
        for layout in (WIDE, NARROW):
            drawn = draw_timeline(timeline, layout, name)
            height = float(re.findall(r'viewBox="0 0 [\d.]+ ([\d.]+)"', drawn)[0])
            for x, y in re.findall(r'(?:M|L| x=")(-?[\d.]+)(?:,|" y=")(-?[\d.]+)', drawn):
                assert -1 <= float(x) <= layout.width, (name, layout.name, x)
                assert -1 <= float(y) <= height, (name, layout.name, y)


def test_each_picture_has_a_title_and_says_itself_in_words() -> None:
    name, timeline = next(pair for pair in timelines() if pair[0] == "BUS-07")
    drawn = draw_timeline(timeline, WIDE, f"History of {name}").replace("\u00a0", " ")
    assert '<title id="timeline-wide-t">History of BUS-07</title>' in drawn
    assert (
        '<desc id="timeline-wide-d">11 scans, 1 work order. Brakes: C0034; 1 present now. '
        "Gateway: U0121. 6 other control units: no code.</desc>"
    ) in drawn


def test_what_was_set_aside_is_crossed_and_kept_off_the_line() -> None:
    pages = {page.ref.vehicle_id: page for page in build_digest(fleet()).vehicles}
    chart = pages["VAN-31"].odometer
    assert isinstance(chart, OdometerChart)
    drawn = draw_odometer(chart, WIDE, "km", "Odometer")
    assert drawn.count("l10,10m0,-10l-10,10") == 3
    assert drawn.count("l4,-5l4,5") == 1, "938,000 km lies above the scale"
    assert drawn.count("l4,5l4,-5") == 1, "52,000 km lies below it"
    assert len(drawn) < LARGEST


@pytest.mark.parametrize("km", [0.0, 44_000.0, 44_000.4])
def test_a_vehicle_that_stood_between_two_readings_has_a_picture(km: float) -> None:
    """One vehicle on the yard, read twice at the same km, must not keep all pages from coming."""
    readings = [
        OdometerReading("Y-1", datetime(2026, n, 1, tzinfo=UTC), km, km, None, "scan", f"S{n}")
        for n in (3, 5)
    ]
    chart = odometer_chart(readings, Cells())
    assert isinstance(chart, OdometerChart)
    labels = [tick.label for tick in chart.km_ticks]
    assert len(set(labels)) == len(labels) >= 2, "an axis of whole km, none twice"
    assert chart.km_ticks[0].at <= km <= chart.km_ticks[-1].at
    assert "nan" not in draw_odometer(chart, WIDE, "km", "Odometer")


def test_a_bar_is_as_long_as_its_count() -> None:
    tallies = (Tally("Repairs", 6, 2, 1, 1), Tally("Codes cleared only", 0, 0, 0, 0))
    drawn = draw_verdicts(tallies, WIDE, "All fixes", Cells())
    widths = [
        float(width)
        for width in re.findall(r'<rect x="[\d.]+" y="6" width="([\d.]+)" height="34"', drawn)
    ]
    whole = WIDE.width - 4 - 150
    expected = [whole * share - 2 for share in (0.6, 0.2, 0.1, 0.1)]
    assert widths == pytest.approx(expected, abs=0.1), "coordinates have one decimal"
    assert "Codes cleared only: 0 held" in drawn
    assert ">none<" in drawn


@pytest.mark.parametrize("layout", [WIDE, NARROW])
def test_a_rise_counts_whole_vehicles_and_its_last_month_stays_inside(layout: Layout) -> None:
    days = (date(2026, 7, 3), date(2026, 8, 22), date(2026, 10, 1))
    chart = RiseChart(days, (0, 5, 9), (0.5, 1.2, 2.1), since=days[1], summary="")
    drawn = draw_rise(chart, layout, "new-1", "", Cells())
    ticks = re.findall(r'<text x="([\d.]+)"[^>]*class="tick"[^>]*>([^<]+)<', drawn)
    assert [words for _, words in ticks if words.isdigit()] == ["0", "3", "6", "9"]
    ends = [float(x) for x, words in ticks if words.endswith("2026")]
    assert max(ends) + 35 <= layout.width  # half of "Sept. 2026"
