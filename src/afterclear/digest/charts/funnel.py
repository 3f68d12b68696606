"""The funnel: come-backs over expectation against expectation, with funnel limits."""

from collections.abc import Iterator, Sequence

from markupsafe import Markup

from afterclear.digest.audience.garage_model import FunnelChart, FunnelPoint
from afterclear.digest.charts.axes import Tick, foot_axis, side_axis
from afterclear.digest.charts.layout import Layout
from afterclear.digest.charts.scale import Scale
from afterclear.digest.charts.svg import element, path, picture, place, text_at
from afterclear.digest.common.text import shorten
from afterclear.digest.vehicle.round_axes import round_step
from afterclear.wording.cells import Cells

_LEFT, _RIGHT, _TOP, _BOTTOM = 48.0, 16.0, 14.0, 46.0
_HEIGHT = 300.0
_NAMED = 12  # marks named in the picture: those outside the limits, then the largest
_CHARS = {"wide": 22, "narrow": 12}


def draw_funnel(chart: FunnelChart, layout: Layout, name: str, title: str, cells: Cells) -> Markup:
    """Draw the limits as a band, 1 as a line, each group as a symbol of its label's shape."""
    right = layout.width - _RIGHT
    across = Scale(0.0, chart.expected[-1], _LEFT, right)
    up = Scale(0.0, chart.top, _HEIGHT - _BOTTOM, _TOP)
    axis = cells.t("come-backs expected for such work")
    content = [
        path(_band(chart, across, up), class_="band"),
        path(_limit(chart.expected, chart.high, across, up), class_="limit"),
        path(_limit(chart.expected, chart.low, across, up), class_="limit"),
        *side_axis(_steps(chart.top, cells), up, _LEFT, right),
        element("line", x1=_LEFT, x2=right, y1=up(1), y2=up(1), class_="even"),
        *foot_axis(_steps(chart.expected[-1], cells), across, _HEIGHT - _BOTTOM, axis),
        *_marks(chart.points, across, up),
        *_names(chart.points, across, up, layout),
    ]
    words = (f"funnel-{name}-{layout.name}", title, chart.summary)
    return picture(content, (layout.width, _HEIGHT), words, f"chart funnel {layout.name}")


def _steps(top: float, cells: Cells) -> list[Tick]:
    step = round_step(top, 5)
    digits = 0 if step >= 1 else 1
    return [(i * step, cells.number(i * step, digits)) for i in range(int(top / step) + 1)]


def _band(chart: FunnelChart, across: Scale, up: Scale) -> Iterator[str]:
    yield from _limit(chart.expected, chart.high, across, up)
    for x, y in zip(reversed(chart.expected), reversed(chart.low), strict=True):
        yield f"L{place(across(x))},{place(up(y))}"
    yield "z"


def _limit(
    expected: Sequence[float], ratio: Sequence[float], across: Scale, up: Scale
) -> Iterator[str]:
    for i, (x, y) in enumerate(zip(expected, ratio, strict=True)):
        yield f"{'L' if i else 'M'}{place(across(x))},{place(up(y))}"


def _marks(points: Sequence[FunnelPoint], across: Scale, up: Scale) -> Iterator[Markup]:
    for point in points:
        x, y = across(point.expected), up(point.ratio)
        if point.label == "worse":
            yield path([f"M{place(x)},{place(y - 7)}l7,7l-7,7l-7,-7z"], class_="out-worse")
        elif point.label == "better":
            yield path([f"M{place(x - 5)},{place(y - 5)}h10v10h-10z"], class_="out-better")
        else:
            css = "dot few" if point.label == "too_few" else "dot"
            yield element("circle", cx=x, cy=y, r=4.5, class_=css)


def _names(
    points: Sequence[FunnelPoint], across: Scale, up: Scale, layout: Layout
) -> Iterator[Markup]:
    """Name the most important symbols, if a name does not overlap another."""
    ranked = sorted(points, key=lambda p: (p.label not in {"worse", "better"}, -p.expected))
    taken: list[tuple[float, float]] = []
    for point in ranked[:_NAMED]:
        x, y = across(point.expected), up(point.ratio)
        if any(abs(y - v) < 13 and abs(x - u) < 130 for u, v in taken):  # noqa: PLR2004
            continue
        taken.append((x, y))
        ends = x > layout.width * 0.7
        place_x, anchor = (x - 10, "end") if ends else (x + 10, "start")
        name = shorten(point.name, _CHARS[layout.name])
        yield text_at(place_x, y + 4, name, class_="name", text_anchor=anchor)
