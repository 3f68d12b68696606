"""The picture of a part's life: share of units still working by km, and when one in ten is gone."""

from collections.abc import Iterator, Sequence

from markupsafe import Markup

from afterclear.digest.audience.garage_model import LifeChart
from afterclear.digest.charts.axes import Tick, foot_axis, side_axis
from afterclear.digest.charts.layout import Layout
from afterclear.digest.charts.scale import Scale
from afterclear.digest.charts.svg import element, path, picture, place, text_at
from afterclear.digest.vehicle.round_axes import round_step
from afterclear.wording.cells import Cells

_LEFT, _RIGHT, _TOP, _BOTTOM = 56.0, 20.0, 14.0, 46.0
_HEIGHT = 270.0
_NINE_IN_TEN = 0.9


def draw_life(chart: LifeChart, layout: Layout, name: str, title: str, cells: Cells) -> Markup:
    """Draw the steps with their band, and the interval in which nine in ten still work."""
    right = layout.width - _RIGHT
    end = chart.end_km
    if chart.b10 is not None:
        end = max(end, min(chart.b10[1] * 1.1, 1.6 * end))
    across = Scale(0.0, end, _LEFT, right)
    up = Scale(0.0, 1.0, _HEIGHT - _BOTTOM, _TOP)
    shares = [(v, cells.percent(v)) for v in (0.0, 0.25, 0.5, 0.75, 1.0)]
    axis = cells.t("{units} since fitting", units=cells.units)
    content = [
        path(_band(chart, across, up), class_="band"),
        *side_axis(shares, up, _LEFT, right),
        *foot_axis(_distances(end, layout, cells), across, _HEIGHT - _BOTTOM, axis),
        path(_steps(chart.km, chart.share, chart.end_km, across, up), class_="line"),
        *_b10(chart, across, up, cells),
    ]
    words = (f"life-{name}-{layout.name}", title, chart.summary)
    return picture(content, (layout.width, _HEIGHT), words, f"chart life {layout.name}")


def _distances(end: float, layout: Layout, cells: Cells) -> list[Tick]:
    scale = cells.km_per_unit
    step = round_step(end / scale, 6 if layout.label_width else 3)
    return [(i * step * scale, cells.number(i * step)) for i in range(int(end / scale / step) + 1)]


def _steps(
    km: Sequence[float], share: Sequence[float], end: float, across: Scale, up: Scale
) -> Iterator[str]:
    for i, (x, y) in enumerate(zip(km, share, strict=True)):
        yield f"H{place(across(x))}V{place(up(y))}" if i else f"M{place(across(x))},{place(up(y))}"
    yield f"H{place(across(end))}"


def _band(chart: LifeChart, across: Scale, up: Scale) -> Iterator[str]:
    yield from _steps(chart.km, chart.high, chart.end_km, across, up)
    yield f"V{place(up(chart.low[-1]))}"
    for i in range(len(chart.km) - 1, 0, -1):
        yield f"H{place(across(chart.km[i]))}V{place(up(chart.low[i - 1]))}"
    yield f"H{place(across(0))}z"


def _b10(chart: LifeChart, across: Scale, up: Scale, cells: Cells) -> Iterator[Markup]:
    if chart.b10 is None:
        return
    low, at, high = chart.b10
    y = up(_NINE_IN_TEN)
    x0, x, x1 = across(low), across(at), across(high)
    yield path([f"M{place(x0)},{place(y)}H{place(x1)}"], class_="whisker b10")
    for edge, inside in ((x0, low >= 0), (x1, high <= across.high)):
        if inside:
            yield path([f"M{place(edge)},{place(y - 6)}v12"], class_="whisker b10")
    yield path([f"M{place(x)},{place(y - 7)}l7,7l-7,7l-7,-7z"], class_="b10-mark")
    text = cells.t("one in ten failed by {distance}", distance=cells.distance(at))
    ends = x > (across.start + across.end) * 0.55
    yield element("line", x1=x, x2=x, y1=y + 8, y2=up.start, class_="stem")
    yield text_at(
        x - 10 if ends else x + 10,
        up.start - 8,
        text,
        class_="name",
        text_anchor="end" if ends else "start",
    )
