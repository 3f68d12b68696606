"""From values to drawing units, and what is left out where marks would overlap."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import inf

from afterclear.digest.vehicle.vehicle_model import Mark, Tick

# of two marks that overlap, the more important stays
_TELLING = {"code": 3, "no_answer": 2, "sign": 1, "clean": 0, "momentary": -1}


@dataclass(frozen=True, slots=True)
class Scale:
    """A straight scale from [low, high] to [start, end] drawing units."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        """Place a value; one beyond the ends is put at the end."""
        share = (value - self.low) / (self.high - self.low)
        within = share if 0.0 < share < 1.0 else float(share >= 1.0)  # faster than min and max
        return self.start + within * (self.end - self.start)


def thin_marks(marks: Iterable[Mark], scale: Scale, apart: float) -> list[Mark]:
    """Keep marks at least ``apart`` drawing units from each other, the more important ones."""
    kept: list[Mark] = []
    last = -inf
    for mark in marks:
        at = scale(mark.at)
        if at - last >= apart:
            kept.append(mark)
        elif _TELLING[mark.kind] > _TELLING[kept[-1].kind]:
            kept[-1] = mark
        else:
            continue
        last = at
    return kept


def thin_ticks(ticks: Sequence[Tick], scale: Scale, apart: float) -> list[Tick]:
    """Keep every n-th tick, the smallest n that leaves labels ``apart`` drawing units."""
    for every in range(1, len(ticks) + 1):
        kept = ticks[::every]
        gaps = (scale(b.at) - scale(a.at) for a, b in pairwise(kept))
        if all(abs(gap) >= apart for gap in gaps):
            return list(kept)
    return list(ticks[:1])


def levels(places: Sequence[float], apart: float) -> list[int]:
    """Stack things that would overlap: the level of each, 0 the lowest; places rise."""
    last_on: list[float] = []
    found = []
    for at in places:
        level = next((i for i, last in enumerate(last_on) if at - last >= apart), len(last_on))
        if level == len(last_on):
            last_on.append(at)
        last_on[level] = at
        found.append(level)
    return found
