"""The picture of a vehicle's odometer: readings, the line through them, what was set aside."""

from collections.abc import Iterable, Iterator
from itertools import pairwise
from math import asin, atan2, hypot, inf

from markupsafe import Markup

from afterclear.digest.charts.layout import Layout
from afterclear.digest.charts.scale import Scale, thin_ticks
from afterclear.digest.charts.svg import element, path, picture, place, text_at
from afterclear.digest.vehicle.vehicle_model import OdometerChart

_LEFT, _RIGHT, _TOP, _BOTTOM = 78.0, 20.0, 16.0, 44.0
_APART = 84.0
_HALF_DATE = 38.0  # half of the longest date under the axis
_HEIGHTS = {"wide": 260.0, "narrow": 210.0}
_Points = tuple[tuple[float, float], ...]  # days since 1970, km; then places in the picture
_UNSEEN = 0.25  # of the picture's units: less than a line is wide
_ALL_WAYS = (-inf, inf)
_COVERED = 0.5  # a sign so near another cannot be told from it
_MOST_POINTS = 400  # a longer line is thinned evenly: no screen shows more


def draw_odometer(chart: OdometerChart, layout: Layout, units: str, title: str) -> Markup:
    """Draw the readings; one set aside beyond the scale is at its edge with an arrow."""
    days = [day for day, _ in (*chart.kept, *chart.aside)]
    height = _HEIGHTS[layout.name]
    across = Scale(min(days), max(days), _LEFT + 6, layout.width - _RIGHT)
    up = Scale(chart.km_ticks[0].at, chart.km_ticks[-1].at, height - _BOTTOM, _TOP)
    content = [
        *_axes(chart, across, up, units),
        path(_line(_bends(_placed(chart.line, across, up))), class_="line"),
        path(_line(_apart(_placed(chart.kept, across, up))), class_="at-reading"),
        *_aside(chart, across, up),
    ]
    words = (f"odometer-{layout.name}", title, chart.summary)
    return picture(content, (layout.width, height), words, f"chart odometer {layout.name}")


def _axes(chart: OdometerChart, across: Scale, up: Scale, units: str) -> Iterator[Markup]:
    right, bottom = across.end, up.start
    for tick in chart.km_ticks:
        y = up(tick.at)
        yield element("line", x1=_LEFT, x2=right, y1=y, y2=y, class_="grid")
        label = f"{tick.label} {units}"
        yield text_at(_LEFT - 6, y + 4, label, class_="tick", text_anchor="end")
    for tick in thin_ticks(chart.day_ticks, across, _APART):
        x = across(tick.at)
        yield element("line", x1=x, x2=x, y1=_TOP, y2=bottom + 5, class_="grid")
        middle = min(x, right + _RIGHT - _HALF_DATE)  # the last stays inside the picture
        yield text_at(middle, bottom + 32, tick.label, class_="tick", text_anchor="middle")


def _thin(points: _Points) -> _Points:
    every = -(-len(points) // _MOST_POINTS) or 1
    return points[::every]


def _placed(points: _Points, across: Scale, up: Scale) -> _Points:
    return tuple((across(day), up(km)) for day, km in _thin(points))


def _apart(points: _Points) -> Iterator[tuple[float, float]]:
    """Leave out a sign that would lie on the one before: a visit has several readings."""
    last: tuple[float, float] | None = None
    for point in points:
        if last is None or max(abs(point[0] - last[0]), abs(point[1] - last[1])) > _COVERED:
            yield point
            last = point


def _bends(points: _Points) -> list[tuple[float, float]]:
    """Leave out what lies on a straight line between others: a page is full of such points.

    A line is drawn out from the last point kept as long as one direction passes near all since.
    """
    if not points:
        return []
    kept, ahead = [points[0]], _ALL_WAYS
    for point, following in pairwise(points[1:]):
        ahead = _near(kept[-1], point, ahead)
        if not ahead[0] <= _direction(kept[-1], following) <= ahead[1]:
            kept.append(point)
            ahead = _ALL_WAYS
    return [*kept, points[-1]]


def _near(
    start: tuple[float, float], point: tuple[float, float], ahead: tuple[float, float]
) -> tuple[float, float]:
    """Narrow the directions from ``start`` to those that pass near a point, too."""
    far = hypot(point[0] - start[0], point[1] - start[1])
    if far <= _UNSEEN:
        return ahead
    middle, half = _direction(start, point), asin(_UNSEEN / far)
    return max(ahead[0], middle - half), min(ahead[1], middle + half)


def _direction(start: tuple[float, float], end: tuple[float, float]) -> float:
    return atan2(end[1] - start[1], end[0] - start[0])


def _line(points: Iterable[tuple[float, float]]) -> Iterator[str]:
    for i, (x, y) in enumerate(points):
        yield f"{'L' if i else 'M'}{place(x)},{place(y)}"


def _aside(chart: OdometerChart, across: Scale, up: Scale) -> Iterator[Markup]:
    pieces = []
    for day, km in chart.aside:
        x, y = across(day), up(km)
        pieces.append(f"M{place(x - 5)},{place(y - 5)}l10,10m0,-10l-10,10")
        if km > up.high:
            pieces.append(f"M{place(x - 4)},{place(y - 8)}l4,-5l4,5")
        elif km < up.low:
            pieces.append(f"M{place(x - 4)},{place(y + 8)}l4,5l4,-5")
    yield path(pieces, class_="aside")
