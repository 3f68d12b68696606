"""The picture of all fixes by verdict: one bar a kind, each part with its own filling."""

from collections.abc import Iterator

from markupsafe import Markup

from afterclear.digest.cells import number
from afterclear.digest.charts.svg import element, picture, text_at
from afterclear.digest.model import Tally

PARTS = ("held", "on_watch", "unchecked", "came_back")
KIND_WORDS = {"repair": "Repairs", "clear_only": "Codes erased only"}

_WIDTH = 920.0
_LEFT = 150.0
_BAR, _STEP = 34.0, 50.0
_SYMBOL_ROOM = 44.0  # a part narrower than its symbol and count is labelled by the table only


def draw_verdicts(tallies: tuple[Tally, ...], title: str) -> Markup:
    """Draw one bar for each kind of fix attempt, on one scale of counts."""
    most = max((tally.total for tally in tallies), default=0) or 1
    content = [
        piece for i, tally in enumerate(tallies) for piece in _bar(tally, i * _STEP + 6, most)
    ]
    summary = " ".join(_words(tally) for tally in tallies)
    size = (_WIDTH, _STEP * len(tallies) + 2)
    return picture(content, size, ("verdicts", title, summary), "chart verdicts")


def _words(tally: Tally) -> str:
    return (
        f"{KIND_WORDS[tally.kind]}: {tally.held} held, {tally.on_watch} on watch, "
        f"{tally.unchecked} unchecked, {tally.came_back} came back."
    )


def _bar(tally: Tally, y: float, most: int) -> Iterator[Markup]:
    yield text_at(0, y + 22, KIND_WORDS[tally.kind], class_="unit")
    if not tally.total:
        yield text_at(_LEFT, y + 22, "none", class_="note")
    x = _LEFT
    for part in PARTS:
        n = getattr(tally, part)
        width = n / most * (_WIDTH - _LEFT - 4)
        if not n:
            continue
        css = f"part p-{part}"
        yield element("rect", x=x, y=y, width=max(1.0, width - 2), height=_BAR, class_=css)
        if width >= _SYMBOL_ROOM:
            centre = x + width / 2
            where = {"x": centre - 20, "y": y + 8, "width": 18.0, "height": 18.0}
            plate = {"x": centre - 23, "y": y + 5, "width": 46.0, "height": 24.0, "rx": 3.0}
            yield element("rect", class_="plate", **plate)
            yield element("use", href=f"#v-{part}", **where)
            yield text_at(centre + 2, y + 22, number(n), class_="count")
        x += width
