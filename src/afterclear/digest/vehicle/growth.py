"""Evidence for a fix attempt as stretches that add up to what proves it.  Pure."""

from collections.abc import Callable, Iterable
from datetime import datetime

from afterclear.digest.common.model import AttemptView
from afterclear.digest.input.row_types import Attempt
from afterclear.digest.vehicle.vehicle_model import Growth, Stretch

Place = Callable[[float | None, datetime | None], float | None]


def growth_of(view: AttemptView, place: Place, axis: str) -> Growth | None:
    """Lay one attempt's evidence along the axis; None if the attempt has no place there."""
    row = view.row
    start = place(row.attempted_km, row.attempted_at)
    if start is None:
        return None
    clean = _stretches_by_date(view, place, start) if axis == "date" else _stretches_by_km(view)
    needed = _needed(row, sum(high - low for low, high in clean))
    grown: list[Stretch] = []
    total = 0.0
    for low, high in clean:
        before = min(1.0, total / needed)
        total += high - low
        grown.append(Stretch(low, high, before, min(1.0, total / needed)))
    end = grown[-1].end if grown else start
    if row.outcome == "came_back":
        end = _returned_at(view, place) or end
    target = None
    if axis == "km" and row.outcome == "on_watch" and row.ended_at is None and needed > total > 0:
        target = end + needed - total
    return Growth(start, tuple(grown), row.outcome, max(start, end), target)


def merge_intervals(intervals: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    """Join overlapping and touching intervals; empty ones vanish.

    >>> merge_intervals([(0, 5), (3, 8), (9, 12), (8, 8)])
    [(0, 8), (9, 12)]
    """
    merged: list[tuple[float, float]] = []
    for low, high in sorted(intervals):
        if high <= low:
            continue
        if merged and low <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(high, merged[-1][1]))
        else:
            merged.append((low, high))
    return merged


def _stretches_by_km(view: AttemptView) -> list[tuple[float, float]]:
    return merge_intervals(
        (row.stretch_from_km, row.stretch_to_km)
        for row in view.evidence
        if row.stretch_from_km is not None and row.stretch_to_km is not None
    )


def _stretches_by_date(view: AttemptView, place: Place, start: float) -> list[tuple[float, float]]:
    """Without an odometer a clean scan's stretch goes back to the scan before it."""
    stretches = []
    before = start
    for row in view.evidence:
        at = place(None, row.seen_at)
        if at is None:
            continue
        if row.finding == "clean":
            stretches.append((before, at))
        before = at
    return merge_intervals(stretches)


def _needed(row: Attempt, seen: float) -> float:
    """Length of clean stretches, on the axis, that proves the fix.

    Computed as a share, so that it also works on an axis of days for a fix counted in km: the
    attempt's own clean distance over the distance it needs.  If that distance is not known, a fix
    that held has grown to its full height by its last clean scan, any other to half.
    """
    clean = row.clean_km
    if clean and row.needed_km:
        return (seen * row.needed_km / clean) or 1.0
    if row.outcome == "on_watch" and clean and row.km_to_go is not None:
        return (seen * (clean + row.km_to_go) / clean) or 1.0
    return (seen if row.outcome == "held" else 2 * seen) or 1.0


def _returned_at(view: AttemptView, place: Place) -> float | None:
    row = view.row
    km = next(
        (e.km for e in view.evidence if e.scan_id == row.returned_scan_id and e.km is not None),
        None,
    )
    return place(km, row.returned_at)
