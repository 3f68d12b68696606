"""The picture of all fixes by verdict: one bar a kind, each part with its own filling."""

from collections.abc import Iterator

from markupsafe import Markup

from afterclear.digest.charts.layout import Layout
from afterclear.digest.charts.scale import Scale
from afterclear.digest.charts.svg import element, picture, text_at
from afterclear.digest.common.model import Tally
from afterclear.wording.cells import Cells

PARTS = ("held", "on_watch", "unchecked", "came_back")

_LABEL, _HEAD = 150.0, 18.0  # a bar's name beside it, or above it
_BAR, _STEP = 34.0, 50.0
_SYMBOL, _DIGIT = 32.0, 9.0  # a part narrower than its symbol and count has them in the table


def draw_verdicts(
    tallies: tuple[Tally, ...],
    layout: Layout,
    title: str,
    cells: Cells,
    key: str = "verdicts",
) -> Markup:
    """Draw a bar for each tally, on one scale of counts; ``key``: unlike other pictures'."""
    most = max((tally.total for tally in tallies), default=0) or 1
    left = _LABEL if layout.label_width else 0.0
    step = _STEP if layout.label_width else _STEP + _HEAD
    content = [
        piece
        for i, tally in enumerate(tallies)
        for piece in _bar(tally, i * step + 6, Scale(0, most, left, layout.width - 4), cells)
    ]
    summary = " ".join(_words(tally, cells) for tally in tallies)
    size = (layout.width, step * len(tallies) + 2)
    words = (f"{key}-{layout.name}", title, summary)
    return picture(content, size, words, f"chart verdicts {layout.name}")


def _words(tally: Tally, cells: Cells) -> str:
    return cells.t(
        "{kind}: {held} held, {on_watch} on watch, {unchecked} unchecked, {came_back} came back.",
        kind=tally.name,
        held=tally.held,
        on_watch=tally.on_watch,
        unchecked=tally.unchecked,
        came_back=tally.came_back,
    )


def _bar(tally: Tally, y: float, scale: Scale, cells: Cells) -> Iterator[Markup]:
    above = not scale.start
    yield text_at(0, y + (12 if above else 22), tally.name, class_="unit")
    y += _HEAD if above else 0
    if not tally.total:
        yield text_at(scale.start, y + 22, cells.t("none"), class_="note")
    before = 0
    for part in PARTS:
        n = getattr(tally, part)
        x = scale(before)
        width = scale(before + n) - x
        before += n
        if not n:
            continue
        css = f"part p-{part}"
        yield element("rect", x=x, y=y, width=max(1.0, width - 2), height=_BAR, class_=css)
        text = cells.number(n)
        if width >= _label_width(text):
            yield from _label(part, text, x + width / 2, y)


def _label_width(text: str) -> float:
    return _SYMBOL + _DIGIT * len(text)


def _label(part: str, text: str, centre: float, y: float) -> Iterator[Markup]:
    """Write a part's symbol and count on a plate of the page's own colour."""
    left = centre - _label_width(text) / 2 + 2
    plate = {"x": left, "y": y + 5, "width": _label_width(text) - 4, "height": 24.0, "rx": 3.0}
    symbol = {"x": left + 3, "y": y + 8, "width": 18.0, "height": 18.0}
    yield element("rect", class_="plate", **plate)
    yield element("use", href=f"#v-{part}", **symbol)
    yield text_at(left + 25, y + 22, text, class_="count")
