"""One vehicle's rows -> where everything stands in the picture of its history.  Pure numbers.

The axis is the odometer line in km; where most scans have none, days since 1970.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal

from afterclear.digest.assess import Assessment, VehicleRows
from afterclear.digest.axes import date_ticks, distance_ticks
from afterclear.digest.cells import Cells, Dash, count, unit_name
from afterclear.digest.growth import growth_of
from afterclear.digest.mileage import Line
from afterclear.digest.rows import ClearEvent, Episode, Observation
from afterclear.digest.vehicle_model import (
    ClearMark,
    CodeRow,
    Flag,
    Lane,
    Mark,
    MarkKind,
    Span,
    Tick,
    TimeLine,
)

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MOST_CODES = 8  # rows in one lane; further codes stand in the table
_MOST_LANES = 12  # control units with a lane of their own
_AHEAD = 0.35  # the axis is drawn out for a fix on watch by up to this share of itself


@dataclass(frozen=True, slots=True)
class Axis:
    """Turns an instant and an odometer into a place on the axis."""

    kind: Literal["km", "date"]
    line: Line

    def place(self, km: float | None, at: datetime | None) -> float | None:
        """Find the place of something; None if it has none."""
        if self.kind == "date":
            return None if at is None else days_of(at)
        if km is not None:
            return km
        return None if at is None else self.line.km_at(at)


def days_of(at: datetime) -> float:
    """Count days since 1970."""
    return (at - _EPOCH) / timedelta(days=1)


def build_timeline(
    rows: VehicleRows, assessment: Assessment, order_numbers: dict[str, int], cells: Cells
) -> TimeLine | Dash:
    """Lay out the picture; a dash if nothing was ever read."""
    scans = [row for row in rows.observations if row.ecu is not None]
    if not scans and not rows.repairs:
        return Dash("no scan has read a control unit of this vehicle")
    axis = _axis_of(scans, assessment.line)
    lanes = _lanes(rows, assessment, axis)
    flags = _flags(rows, order_numbers, axis)
    low, high = _range(lanes, flags)
    if low is None or high is None:
        return Dash("nothing has an odometer reading or a date to stand at")
    ticks = _ticks(axis, low, high, cells)
    n_scans = len({row.scan_id for row in scans})
    placed = {row.scan_id for row in scans if axis.place(row.km, row.seen_at) is not None}
    return TimeLine(
        axis=axis.kind,
        axis_name=f"{cells.units} on the odometer" if axis.kind == "km" else "date",
        low=low,
        high=high,
        ticks=ticks,
        flags=flags,
        lanes=lanes,
        n_scans=n_scans,
        n_not_drawn=n_scans - len(placed),
        summary=_summary(lanes, flags, n_scans),
    )


def _axis_of(scans: Sequence[Observation], line: Line) -> Axis:
    with_km = sum(row.km is not None for row in scans)
    return Axis("km" if 2 * with_km >= len(scans) and (with_km or line.km) else "date", line)


def _lanes(rows: VehicleRows, assessment: Assessment, axis: Axis) -> tuple[Lane, ...]:
    read: dict[str, list[Observation]] = defaultdict(list)
    for row in rows.observations:
        if row.ecu is not None:
            read[row.ecu].append(row)
    n_codes = Counter(row.ecu for row in rows.episodes)
    n_codes.update(row.ecu for row in rows.attempts)
    n_codes.update(row.ecu for row in rows.sightings)
    n_scans = len({row.scan_id for row in rows.observations if row.ecu is not None})
    with_codes = sorted(n_codes, key=lambda ecu: (-n_codes[ecu], ecu))[:_MOST_LANES]
    quiet = sorted(set(read) - set(with_codes))
    kinds = _mark_kinds(rows)
    lanes = [_lane(ecu, rows, assessment, axis, kinds) for ecu in sorted(with_codes)]
    lanes = [
        _with_note(lane, read[ecu], n_scans)
        for lane, ecu in zip(lanes, sorted(with_codes), strict=True)
    ]
    if quiet:
        lanes.append(_quiet_lane(quiet, rows, axis, kinds))
    return tuple(lanes)


def _mark_kinds(rows: VehicleRows) -> dict[tuple[str, str], MarkKind]:
    """Say what each scan read in each control unit; the most telling wins."""
    kinds: dict[tuple[str, str], MarkKind] = {}
    for row in rows.observations:
        if row.ecu is not None:
            kinds[row.scan_id, row.ecu] = "clean" if row.answered else "no_answer"
    for sighting in rows.sightings:
        key = (sighting.scan_id, sighting.ecu)
        if sighting.presence == "present":
            kinds[key] = "code"
        elif sighting.presence != "not_tested" and kinds.get(key) != "code":
            kinds[key] = "sign"
    return kinds


def _lane(
    ecu: str,
    rows: VehicleRows,
    assessment: Assessment,
    axis: Axis,
    kinds: dict[tuple[str, str], MarkKind],
) -> Lane:
    codes = _code_rows(ecu, rows, assessment, axis)
    return Lane(
        name=unit_name(ecu),
        note="",
        marks=_marks((row for row in rows.observations if row.ecu == ecu), axis, kinds),
        clears=_clear_marks((row for row in rows.clears if row.ecu == ecu), axis),
        codes=codes[:_MOST_CODES],
        n_hidden=max(0, len(codes) - _MOST_CODES),
    )


def _with_note(lane: Lane, read: Sequence[Observation], n_scans: int) -> Lane:
    answered = len({row.scan_id for row in read if row.answered})
    note = f"answered in {answered:,} of {count(n_scans, 'scan')}"
    return Lane(lane.name, note, lane.marks, lane.clears, lane.codes, lane.n_hidden)


def _quiet_lane(
    ecus: Sequence[str],
    rows: VehicleRows,
    axis: Axis,
    kinds: dict[tuple[str, str], MarkKind],
) -> Lane:
    wanted = set(ecus)
    name = unit_name(ecus[0]) if len(ecus) == 1 else f"{len(ecus)} other control units"
    return Lane(
        name=name,
        note="never a code: " + ", ".join(unit_name(ecu) for ecu in ecus),
        marks=_marks((row for row in rows.observations if row.ecu in wanted), axis, kinds),
        clears=(),
        codes=(),
        n_hidden=0,
    )


def _marks(
    observations: Iterable[Observation], axis: Axis, kinds: dict[tuple[str, str], MarkKind]
) -> tuple[Mark, ...]:
    marks: set[tuple[float, MarkKind]] = set()
    for row in observations:
        at = axis.place(row.km, row.seen_at)
        if at is not None and row.ecu is not None:
            marks.add((at, kinds[row.scan_id, row.ecu]))
    return tuple(Mark(at, kind) for at, kind in sorted(marks))


def _clear_marks(clears: Iterable[ClearEvent], axis: Axis) -> tuple[ClearMark, ...]:
    marks = []
    for clear in clears:
        low = axis.place(clear.km_low, clear.cleared_low_at)
        high = axis.place(clear.km_high, clear.cleared_high_at)
        at = axis.place(None, clear.cleared_at)
        at = high if at is None else at
        if at is not None:
            recorded = clear.origin in {"recorded", "with_repair"}
            marks.append(ClearMark(at, low, high, recorded))
    return tuple(marks)


def _code_rows(
    ecu: str, rows: VehicleRows, assessment: Assessment, axis: Axis
) -> tuple[CodeRow, ...]:
    """One row a code: those somebody worked on first, then those there now, then the rest."""
    episodes = [row for row in rows.episodes if row.ecu == ecu]
    views = [view for view in assessment.attempts if view.row.ecu == ecu]
    meanings = {row.code: row.meaning for row in episodes}
    meanings |= {view.row.code: view.row.meaning for view in views}
    worked_on = {view.row.code for view in views}
    there = {row.code for row in episodes if row.ended_by == "open"}
    ordered = sorted(meanings, key=lambda c: (c not in there, c not in worked_on, c))
    return tuple(
        CodeRow(
            code=code,
            meaning=meanings[code],
            spans=tuple(
                span
                for row in episodes
                if row.code == code and (span := _span(row, axis)) is not None
            ),
            growths=tuple(
                growth
                for view in views
                if view.row.code == code
                and (growth := growth_of(view, axis.place, axis.kind)) is not None
            ),
        )
        for code in ordered
    )


def _span(episode: Episode, axis: Axis) -> Span | None:
    first = axis.place(episode.onset_high_km, episode.onset_high_at)
    last = axis.place(episode.last_seen_km, episode.last_seen_at)
    if first is None or last is None:
        return None
    is_open = episode.ended_by == "open"
    return Span(
        low=axis.place(episode.onset_low_km, episode.onset_low_at),
        first=first,
        last=last,
        high=None if is_open else axis.place(episode.ended_high_km, episode.ended_high_at),
        is_open=is_open,
    )


def _flags(rows: VehicleRows, numbers: dict[str, int], axis: Axis) -> tuple[Flag, ...]:
    places: dict[int, float] = {}
    for repair in rows.repairs:
        at = axis.place(repair.km, repair.repaired_at)
        if at is not None:
            places.setdefault(numbers[repair.repair_id], at)
    return tuple(Flag(at, number) for number, at in sorted(places.items()))


def _range(lanes: Sequence[Lane], flags: Sequence[Flag]) -> tuple[float, float] | tuple[None, None]:
    places = [flag.at for flag in flags]
    targets: list[float] = []
    for lane in lanes:
        places += [mark.at for mark in lane.marks] + [clear.at for clear in lane.clears]
        for code in lane.codes:
            places += [place for span in code.spans for place in (span.first, span.last)]
            places += [growth.verdict_at for growth in code.growths]
            targets += [growth.target for growth in code.growths if growth.target is not None]
    if not places:
        return None, None
    low, high = min(places), max(places)
    if high <= low:
        low, high = low - 0.5, low + 0.5
    reach = high + _AHEAD * (high - low)
    return low, max([high, *(target for target in targets if target <= reach)])


def _ticks(axis: Axis, low: float, high: float, cells: Cells) -> tuple[Tick, ...]:
    if axis.kind == "date":
        return date_ticks(low, high, cells)
    return distance_ticks(low, high, axis.line, cells)


def _summary(lanes: Sequence[Lane], flags: Sequence[Flag], n_scans: int) -> str:
    """Say the picture in words, for who cannot see it."""
    parts = [f"{count(n_scans, 'scan')}, {count(len(flags), 'work order')}."]
    for lane in lanes:
        n_present = sum(span.is_open for code in lane.codes for span in code.spans)
        codes = ", ".join(code.code for code in lane.codes) or "no code"
        now = f"; {n_present} present now" if n_present else ""
        parts.append(f"{lane.name}: {codes}{now}.")
    return " ".join(parts)
