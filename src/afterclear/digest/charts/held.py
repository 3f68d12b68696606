"""The picture of fixes that held by quarter: a bar of its interval, a mark at its share."""

from collections.abc import Iterator

from markupsafe import Markup

from afterclear.digest.audience.garage_model import HeldChart, QuarterPoint
from afterclear.digest.charts.axes import foot_axis, side_axis
from afterclear.digest.charts.layout import Layout
from afterclear.digest.charts.scale import Scale
from afterclear.digest.charts.svg import element, path, picture, place, text_at
from afterclear.wording.cells import Cells

_LEFT, _RIGHT, _TOP, _BOTTOM = 56.0, 16.0, 22.0, 46.0
_HEIGHT = 250.0
_APART = {"wide": 66.0, "narrow": 58.0}
_NUMBERED = 30.0  # quarters closer than this have their counts in the table only


def draw_held(chart: HeldChart, layout: Layout, title: str, cells: Cells) -> Markup:
    """Draw the share with its interval for each quarter, and how many could be judged."""
    n = len(chart.points)
    across = Scale(-0.5, n - 0.5, _LEFT, layout.width - _RIGHT)
    up = Scale(0.0, 1.0, _HEIGHT - _BOTTOM, _TOP)
    width = (across.end - across.start) / n
    every = max(1, -(-int(_APART[layout.name]) // max(1, int(width))))
    names = [(float(i), p.quarter) for i, p in enumerate(chart.points) if (n - 1 - i) % every == 0]
    shares = [(v, cells.percent(v)) for v in (0.0, 0.25, 0.5, 0.75, 1.0)]
    content = [
        *side_axis(shares, up, _LEFT, layout.width - _RIGHT),
        *foot_axis(names, across, _HEIGHT - _BOTTOM, cells.t("quarter in which the work was done")),
        path(_line(chart, across, up), class_="line"),
    ]
    for i, point in enumerate(chart.points):
        content += _mark(point, across(i), up, cells, numbered=width >= _NUMBERED)
    words = (f"held-{layout.name}", title, chart.summary)
    return picture(content, (layout.width, _HEIGHT), words, f"chart held-chart {layout.name}")


def _line(chart: HeldChart, across: Scale, up: Scale) -> Iterator[str]:
    drawn = False
    for i, point in enumerate(chart.points):
        if point.share is None:
            drawn = False
            continue
        yield f"{'L' if drawn else 'M'}{place(across(i))},{place(up(point.share))}"
        drawn = True


def _mark(
    point: QuarterPoint, x: float, up: Scale, cells: Cells, *, numbered: bool
) -> Iterator[Markup]:
    if numbered:
        text = cells.t("n {n}", n=cells.number(point.n_judged))
        yield text_at(x, _TOP - 8, text, class_="note", text_anchor="middle")
    if point.share is None:
        return
    y = up(point.share)
    if point.low is not None and point.high is not None:
        low, high = up(point.low), up(point.high)
        whisker = (
            f"M{place(x)},{place(low)}V{place(high)}"
            f"M{place(x - 5)},{place(low)}h10M{place(x - 5)},{place(high)}h10"
        )
        yield path([whisker], class_="whisker")
    yield element("circle", cx=x, cy=y, r=4.5, class_="dot")
