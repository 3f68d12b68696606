"""The picture of a comparison: a row each, its interval around 1, and the words beside it."""

from collections.abc import Iterator
from dataclasses import dataclass
from textwrap import wrap

from markupsafe import Markup

from afterclear.digest.audience.garage_model import Interval, IntervalChart, IntervalRow
from afterclear.digest.charts.axes import foot_axis
from afterclear.digest.charts.layout import Layout
from afterclear.digest.charts.scale import Scale
from afterclear.digest.charts.svg import element, path, picture, place, text_at
from afterclear.digest.common.text import shorten
from afterclear.wording.cells import Cells

_TOP, _BOTTOM = 26.0, 46.0
_ARROW = 7.0


@dataclass(frozen=True, slots=True)
class _Places:
    """Where a row's words and marks go: beside the axis, or above it on a narrow screen."""

    left: float
    right: float
    row: float  # height of one row
    first: float  # from a row's top to its interval
    name_chars: int
    words_x: float | None  # None: the words stand above the interval


_BESIDE = _Places(left=230, right=640, row=50, first=18, name_chars=28, words_x=660)
_ABOVE = _Places(left=12, right=318, row=88, first=50, name_chars=40, words_x=None)
_APART = 15.0  # from the first interval of a row to the second


def draw_intervals(
    chart: IntervalChart, layout: Layout, name: str, title: str, cells: Cells
) -> Markup:
    """Draw each row's interval, and below it the one with other causes taken out, if known."""
    at = _BESIDE if layout.label_width else _ABOVE
    height = _TOP + at.row * len(chart.rows) + _BOTTOM
    across = Scale(0.0, chart.top, at.left, at.right)
    foot = height - _BOTTOM
    ticks = [(float(i), cells.number(i)) for i in range(int(chart.top) + 1)]
    content = [*_head(chart, across), *foot_axis(ticks, across, foot, chart.axis)]
    content += [
        element("line", x1=across(x), x2=across(x), y1=_TOP - 4, y2=foot, class_=css)
        for x, css in [*((float(i), "grid") for i in range(int(chart.top) + 1)), (1.0, "even")]
    ]
    for i, row in enumerate(chart.rows):
        content += _row(row, _TOP + i * at.row, at, across)
    words = (f"intervals-{name}-{layout.name}", title, chart.summary)
    return picture(content, (layout.width, height), words, f"chart intervals {layout.name}")


def _head(chart: IntervalChart, across: Scale) -> Iterator[Markup]:
    """Say over the axis what lies on either side of 1."""
    middle = across(1.0)
    yield text_at(middle - 8, 14, f"\u2190 {chart.fewer}", class_="note", text_anchor="end")
    yield text_at(middle + 8, 14, f"{chart.more} \u2192", class_="note")


def _row(row: IntervalRow, top: float, at: _Places, across: Scale) -> Iterator[Markup]:
    y = top + at.first
    css = None if row.mark == "ordinary" else "unit"
    if at.words_x is None:
        name = shorten(row.whole or row.name, at.name_chars)
        yield text_at(at.left, top + 16, name, class_="unit")
        yield text_at(at.left, top + 33, f"{row.result}; {row.figures or row.under}", class_="note")
    else:
        *above, name = _in_two(row.name, at.name_chars)
        yield from (text_at(0, y - 13, each, class_="unit") for each in above)
        yield text_at(0, y + 1, name, class_="unit")
        yield text_at(0, y + 17, row.under, class_="note")
        yield text_at(at.words_x, y + 1, row.result, class_=css)
        yield text_at(at.words_x, y + 17, row.figures, class_="note")
    if row.own is not None:
        yield path(_line(row.own, y, 5, across), class_="whisker")
        yield from _mark(row, y, across)
    if row.apart is not None:
        yield path(_line(row.apart, y + _APART, 3.5, across), class_="whisker apart")
        if row.apart.at is not None and row.apart.at <= across.high:
            x = across(row.apart.at)
            triangle = f"M{place(x)},{place(y + _APART - 5.5)}l5.5,10h-11z"
            yield path([triangle], class_="apart-mark")


def _in_two(name: str, n_chars: int) -> list[str]:
    """Write a name in one line or in two; what is still too long is cut."""
    if len(name) <= n_chars:
        return [name]
    first, *rest = wrap(name, n_chars)
    return [first, shorten(" ".join(rest), n_chars)] if rest else [first]


def _line(interval: Interval, y: float, half: float, across: Scale) -> Iterator[str]:
    """Draw a line with a bar at each end; an arrow where it goes on beyond the picture."""
    low, high = across(interval.low), across.end
    yield f"M{place(low)},{place(y - half)}v{place(2 * half)}"
    if interval.high is None or interval.high > across.high:
        yield f"M{place(low)},{place(y)}H{place(high)}"
        yield f"M{place(high - _ARROW)},{place(y - half)}l{place(_ARROW)},{place(half)}"
        yield f"l{place(-_ARROW)},{place(half)}"
    else:
        high = across(interval.high)
        yield f"M{place(low)},{place(y)}H{place(high)}M{place(high)},{place(y - half)}"
        yield f"v{place(2 * half)}"


def _mark(row: IntervalRow, y: float, across: Scale) -> Iterator[Markup]:
    """Mark where the row is; of one that is only known to be at most or least so much, that."""
    if row.own is None:
        return
    known = row.own.high if row.own.low == 0 else row.own.low
    at = row.own.at if row.own.at is not None else known
    if at is None or at > across.high:
        return
    x = across(at)
    if row.mark == "worse":
        yield path([f"M{place(x)},{place(y - 7)}l7,7l-7,7l-7,-7z"], class_="out-worse")
    elif row.mark == "better":
        yield path([f"M{place(x - 5)},{place(y - 5)}h10v10h-10z"], class_="out-better")
    else:
        yield element("circle", cx=x, cy=y, r=4.5, class_="dot")
