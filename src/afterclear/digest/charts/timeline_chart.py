"""The picture of a vehicle's history: one lane per control unit along its odometer.

Every kind of thing has a shape of its own, so the picture reads without colour: circle (read, no
code), bowl (no code active at that moment), square (read, a code), triangle (a sign only), cross
(did not answer), bar (a code is there), hatching (it began or ended somewhere in this range),
rising wedge (evidence that a fix holds), numbered flag (work order), open triangle on a line (codes
cleared).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import get_args

from markupsafe import Markup

from afterclear.digest.charts.layout import Layout
from afterclear.digest.charts.scale import Scale, levels, thin_marks, thin_ticks
from afterclear.digest.charts.svg import element, path, picture, place, text_at
from afterclear.digest.common.text import shorten
from afterclear.digest.vehicle.vehicle_model import (
    ClearMark,
    CodeRow,
    Growth,
    Lane,
    Mark,
    MarkKind,
    Span,
    Stretch,
    TimeLine,
)
from afterclear.wording.cells import capital

_FLAG_LEVEL = 19.0
_READS = 32.0  # height of the row of scan marks
_CODE = 30.0
_HEAD = 15.0  # a label above its row, in the narrow layout
_RISE = 17.0  # full height of a wedge: proven
_FOOT = 3.0  # height a wedge starts with, so that the first clean scan shows
_AXIS = 40.0
_APART = 11.0  # marks closer than this are drawn as one, the more important
_SYMBOL = 16.0


@dataclass(frozen=True, slots=True)
class _Row:
    """A row's place: its top and, in the narrow layout, the room its label takes."""

    top: float
    label: float

    @property
    def base(self) -> float:
        """Where the bars and wedges of a code row are."""
        return self.top + self.label + _CODE - 5


def draw_timeline(timeline: TimeLine, layout: Layout, title: str) -> Markup:
    """Draw the whole picture for one layout."""
    margin = 8.0
    scale = Scale(
        timeline.low,
        timeline.high,
        layout.label_width + margin,
        layout.width - _SYMBOL - margin,
    )
    flag_levels = levels([scale(flag.at) for flag in timeline.flags], _FLAG_LEVEL)
    top = _FLAG_LEVEL * (max(flag_levels, default=-1) + 1) + 6
    lanes: list[Markup] = []
    y = top
    for lane in timeline.lanes:
        y = _lane(lane, y, layout, scale, lanes)
    content = [
        *_grid(timeline, layout, scale, (top, y)),
        *_flags(timeline, scale, flag_levels, (top, y)),
        *lanes,
    ]
    words = (f"timeline-{layout.name}", title, timeline.summary)
    return picture(content, (layout.width, y + _AXIS), words, f"chart timeline {layout.name}")


def _grid(
    timeline: TimeLine, layout: Layout, scale: Scale, extent: tuple[float, float]
) -> Iterator[Markup]:
    top, bottom = extent
    ticks = thin_ticks(timeline.ticks, scale, layout.tick_apart)
    if layout.label_width:
        yield text_at(0, bottom + 17, timeline.axis_name, class_="note")
    yield path(
        (f"M{place(scale(t.at))},{place(top)}V{place(bottom + 4)}" for t in ticks), class_="grid"
    )
    for tick in ticks:
        x = scale(tick.at)
        at_edge = x - scale.start < layout.tick_apart / 3 and not layout.label_width
        edge = " edge" if at_edge else ""
        yield text_at(x, bottom + 17, tick.label, class_=f"tick{edge}")
        if tick.under:
            yield text_at(x, bottom + 32, tick.under, class_=f"under{edge}")


def _flags(
    timeline: TimeLine, scale: Scale, flag_levels: list[int], extent: tuple[float, float]
) -> Iterator[Markup]:
    top, bottom = extent
    places = [
        (flag.number, scale(flag.at), top - 6 - _FLAG_LEVEL * (level + 1))
        for flag, level in zip(timeline.flags, flag_levels, strict=True)
    ]
    # all stems first: none runs through the number of a flag below
    for _, x, y in places:
        yield element("line", x1=x, x2=x, y1=y + 17, y2=bottom, class_="stem")
    for number, x, y in places:
        yield element("rect", x=x - 9, y=y + 1, width=18, height=16, rx=2, class_="flag")
        yield text_at(x, y + 13, str(number), class_="flag-number")


def _lane(lane: Lane, top: float, layout: Layout, scale: Scale, out: list[Markup]) -> float:
    """Draw one lane from ``top`` down; returns where the next begins."""
    narrow = not layout.label_width
    y = top + 6
    out.append(element("line", x1=0, x2=layout.width, y1=top, y2=top, class_="rule"))
    words = [
        text_at(0, y + 12, lane.name, class_="unit"),
        text_at(0, y + 26, shorten(lane.note, layout.label_chars), class_="note"),
    ]
    y += 2 * _HEAD if narrow else 0
    marks = thin_marks(lane.marks, scale, _APART)
    out.extend(_marks(marks, scale, y + _READS / 2 - (6 if narrow else 0)))
    y += _READS - (10 if narrow else 0)
    rows = []
    for code in lane.codes:
        row = _Row(y, _HEAD if narrow else 0)
        rows.append((code, row))
        y += _CODE + row.label
    out.extend(_clears(lane.clears, scale, top, y))
    out.extend(words)  # over the lines, which may run through them
    for code, row in rows:
        out.extend(_code_row(code, row, layout, scale))
    if lane.n_hidden:
        out.append(text_at(0, y + 10, lane.hidden, class_="note"))
        y += _HEAD
    return y + 6


def _marks(marks: list[Mark], scale: Scale, y: float) -> Iterator[Markup]:
    """Draw all marks of a kind as one unseen line with its sign at every corner.

    The style sheet puts the sign there (SVG 2, markers): five bytes a mark where its shape has
    forty.
    """
    for kind in get_args(MarkKind):
        found = [place(scale(mark.at)) for mark in marks if mark.kind == kind]
        if found:
            line = f"M{found[0]},{place(y)}{''.join(f'H{x}' for x in found[1:])}"
            yield path([line], class_=f"at-{kind}")


def _clears(
    clears: tuple[ClearMark, ...], scale: Scale, top: float, bottom: float
) -> Iterator[Markup]:
    for clear in clears:
        if not clear.recorded and clear.low is not None and clear.high is not None:
            low, high = scale(clear.low), scale(clear.high)
            if high - low > 1:
                yield _box(low, high, top + 1, bottom - top - 1, "clear-within")
    for recorded, css in ((True, "clear"), (False, "clear inferred")):
        of_kind = [place(scale(clear.at)) for clear in clears if clear.recorded == recorded]
        lines = (f"M{x},{place(top + 8)}V{place(bottom)}" for x in of_kind)
        yield path(lines, class_=css)
    heads = (f"M{place(scale(clear.at) - 5)},{place(top + 1)}h10l-5,8z" for clear in clears)
    yield path(heads, class_="clear-head")


def _box(low: float, high: float, y: float, height: float, css: str) -> Markup:
    return element("rect", x=low, y=y, width=max(0.5, high - low), height=height, class_=css)


def _code_row(code: CodeRow, row: _Row, layout: Layout, scale: Scale) -> Iterator[Markup]:
    label = _named(code, layout.label_chars)
    y = row.top + 11 if row.label else row.base - 5
    yield text_at(0 if row.label else 10, y, label, class_="code")
    for growth in code.growths:
        yield from _wedge(growth, row.base, scale)
    for span in code.spans:
        yield from _span(span, row.base, scale)
    for growth in code.growths:
        yield _verdict(growth, row.base, scale)


def _named(code: CodeRow, n_chars: int) -> str:
    """Name a code and what it is about; how that fails only where there is room for it."""
    label = f"{code.code}  {capital(code.meaning or '')}".rstrip()
    if len(label) > n_chars:
        label = label.rpartition(": ")[0] or label
    return shorten(label, n_chars)


def _span(span: Span, base: float, scale: Scale) -> Iterator[Markup]:
    first, last = scale(span.first), scale(span.last)
    began = first - 12 if span.low is None else scale(span.low)
    if first - began > 1:
        yield _box(began, first, base - 10, 6, "maybe")
    if span.high is not None and scale(span.high) - last > 1:
        yield _box(last, scale(span.high), base - 10, 6, "maybe")
    last = max(last, first + 3)
    yield _box(first, last, base - 13, 12, "there")
    if span.is_open:
        yield path([f"M{place(last)},{place(base - 16)}l9,9l-9,9z"], class_="there")


def _wedge(growth: Growth, base: float, scale: Scale) -> Iterator[Markup]:
    """Draw the stretches of evidence rising towards the height at which the fix is proven.

    They are one shape of several parts: a page has hundreds of stretches.
    """
    yield path((_stretch(each, base, scale) for each in growth.stretches), class_="evidence")
    start, end = scale(growth.start), scale(growth.verdict_at)
    ahead = end if growth.target is None else scale(growth.target)
    if growth.outcome in {"held", "on_watch"} and ahead - start > 1:
        yield path([f"M{place(start)},{place(base - _RISE)}H{place(ahead)}"], class_="goal")
    if growth.target is not None and growth.stretches:
        height = _rise(growth.stretches[-1].share_after)
        line = f"M{place(end)},{place(base - height)}L{place(ahead)},{place(base - _RISE)}"
        yield path([f"{line}V{place(base)}H{place(end)}"], class_="to-go")


def _stretch(stretch: Stretch, base: float, scale: Scale) -> str:
    x0, x1 = scale(stretch.start), scale(stretch.end)
    h0, h1 = _rise(stretch.share_before), _rise(stretch.share_after)
    return (
        f"M{place(x0)},{place(base)}V{place(base - h0)}L{place(x1)},{place(base - h1)}"
        f"V{place(base)}z"
    )


def _rise(share: float) -> float:
    return _FOOT + share * (_RISE - _FOOT)


def _verdict(growth: Growth, base: float, scale: Scale) -> Markup:
    x = scale(growth.verdict_at) + (0 if growth.outcome == "came_back" else _SYMBOL / 2 + 1)
    if growth.outcome == "unchecked":
        x = scale(growth.start) + _SYMBOL / 2 + 1
    half = _SYMBOL / 2
    return element(
        "use",
        href=f"#v-{growth.outcome}",
        x=x - half,
        y=base - _RISE / 2 - half,
        width=_SYMBOL,
        height=_SYMBOL,
    )
