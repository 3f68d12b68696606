"""Axes shared by the charts of the garage page: grid lines with their labels."""

from collections.abc import Iterable, Iterator

from markupsafe import Markup

from afterclear.digest.charts.scale import Scale
from afterclear.digest.charts.svg import element, text_at

Tick = tuple[float, str]


def side_axis(ticks: Iterable[Tick], up: Scale, left: float, right: float) -> Iterator[Markup]:
    """Draw a line and a label at the left for each value."""
    for value, label in ticks:
        y = up(value)
        yield element("line", x1=left, x2=right, y1=y, y2=y, class_="grid")
        yield text_at(left - 6, y + 4, label, class_="tick", text_anchor="end")


def foot_axis(ticks: Iterable[Tick], across: Scale, bottom: float, name: str) -> Iterator[Markup]:
    """Draw a tick and a label at the foot for each value, and the axis' name under them."""
    for value, label in ticks:
        x = across(value)
        yield element("line", x1=x, x2=x, y1=bottom, y2=bottom + 5, class_="tick-mark")
        yield text_at(x, bottom + 19, label, class_="tick", text_anchor="middle")
    middle = (across.start + across.end) / 2
    yield text_at(middle, bottom + 37, name, class_="note", text_anchor="middle")
