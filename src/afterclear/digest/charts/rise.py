"""The picture of a rise: vehicles with the fault as steps, what was usual as a broken line."""

import math
from collections.abc import Iterator
from datetime import date

from markupsafe import Markup

from afterclear.digest.charts.axes import Tick, foot_axis, side_axis
from afterclear.digest.charts.layout import Layout
from afterclear.digest.charts.scale import Scale
from afterclear.digest.charts.svg import element, path, picture, place, text_at
from afterclear.digest.common.rise_lines import RiseChart
from afterclear.digest.vehicle.round_axes import round_step
from afterclear.wording.cells import Cells

_LEFT, _RIGHT, _TOP, _BOTTOM = 44.0, 40.0, 24.0, 46.0
_HEIGHT = 230.0
_MONTHS = {"wide": 8, "narrow": 3}  # labels at the foot


def draw_rise(chart: RiseChart, layout: Layout, name: str, title: str, cells: Cells) -> Markup:
    """Draw observed and expected since half a year before the rise."""
    first, last = chart.days[0], chart.days[-1]
    right = layout.width - _RIGHT
    most = max(chart.observed[-1], chart.expected[-1], 1.0)
    across = Scale(first.toordinal(), max(last.toordinal(), first.toordinal() + 1), _LEFT, right)
    step = math.ceil(round_step(most, 4))  # vehicles are counted
    counts = [(i * step, cells.number(i * step)) for i in range(math.ceil(most / step) + 1)]
    up = Scale(0.0, counts[-1][0], _HEIGHT - _BOTTOM, _TOP)
    x = across(chart.since.toordinal())
    since = cells.t("since {day}", day=cells.day(chart.since))
    ends = x > (_LEFT + right) * 0.55
    content = [
        *side_axis(counts, up, _LEFT, right),
        *foot_axis(_months(chart, layout, cells), across, _HEIGHT - _BOTTOM, cells.t("month")),
        element("line", x1=x, x2=x, y1=_TOP - 6, y2=up.start, class_="stem"),
        text_at(
            x - 6 if ends else x + 6, _TOP, since, class_="name",
            text_anchor="end" if ends else "start",
        ),
        path(_line(chart, across, up), class_="usual"),
        path(_steps(chart, across, up), class_="aside"),
    ]  # fmt: skip
    words = (f"rise-{name}-{layout.name}", title, chart.summary)
    return picture(content, (layout.width, _HEIGHT), words, f"chart {layout.name}")


def _months(chart: RiseChart, layout: Layout, cells: Cells) -> list[Tick]:
    first, last = chart.days[0], chart.days[-1]
    found: list[date] = []
    at = first.replace(day=1)
    while at <= last:
        if at >= first:
            found.append(at)
        at = at.replace(year=at.year + at.month // 12, month=at.month % 12 + 1)
    every = max(1, -(-len(found) // _MONTHS[layout.name]))
    return [(each.toordinal(), cells.month(each)) for each in found[::-every]]


def _steps(chart: RiseChart, across: Scale, up: Scale) -> Iterator[str]:
    yield f"M{place(across(chart.days[0].toordinal()))},{place(up(chart.observed[0]))}"
    for day, n in zip(chart.days[1:], chart.observed[1:], strict=True):
        yield f"H{place(across(day.toordinal()))}V{place(up(n))}"


def _line(chart: RiseChart, across: Scale, up: Scale) -> Iterator[str]:
    for i, (day, expected) in enumerate(zip(chart.days, chart.expected, strict=True)):
        yield f"{'L' if i else 'M'}{place(across(day.toordinal()))},{place(up(expected))}"
