"""The lanes of a vehicle's chart: one per control unit, one row per code.  Pure numbers."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from afterclear.digest.common.assess import Assessment, VehicleRows
from afterclear.digest.input.row_types import ClearEvent, Episode, Observation
from afterclear.digest.vehicle.axis_position import Axis
from afterclear.digest.vehicle.growth import growth_of
from afterclear.digest.vehicle.vehicle_model import ClearMark, CodeRow, Lane, Mark, MarkKind, Span
from afterclear.wording.cells import Cells
from afterclear.wording.code_words import code_text

_MOST_CODES = 8  # rows in one lane; further codes are in the table
_MOST_LANES = 12  # control units with a lane of their own


@dataclass(frozen=True, slots=True)
class _Looks:
    """The rows the lanes are drawn from."""

    rows: VehicleRows
    assessment: Assessment
    axis: Axis
    kinds: dict[tuple[str, str], MarkKind]  # by scan and control unit
    n_scans: int
    cells: Cells


def build_lanes(
    rows: VehicleRows, assessment: Assessment, axis: Axis, cells: Cells
) -> tuple[Lane, ...]:
    """Lay out the lanes: faults that are there first, then those worked on, then the rest.

    Control units that never showed a code share a last lane.
    """
    scans = {row.scan_id for row in rows.observations if row.ecu is not None}
    looks = _Looks(rows, assessment, axis, _mark_kinds(rows), len(scans), cells)
    n_codes = Counter(row.ecu for row in rows.episodes)
    # a work order may name a code that was never seen, in an unknown unit
    n_codes.update(row.ecu for row in rows.attempts if row.ecu is not None)
    n_codes.update(row.ecu for row in rows.sightings)
    there = {row.ecu for row in rows.episodes if row.ended_by == "open"}
    worked_on = {row.ecu for row in rows.attempts if row.ecu is not None}
    ordered = sorted(n_codes, key=lambda ecu: (ecu not in there, ecu not in worked_on, ecu))
    lanes = [_lane(ecu, looks) for ecu in ordered[:_MOST_LANES]]
    rest = ordered[_MOST_LANES:]
    if rest:
        name = cells.tn("{n} more with codes", "{n} more with codes", len(rest))
        lanes.append(_shared_lane(rest, name, cells.t("in the table"), looks))
    read = {row.ecu for row in rows.observations if row.ecu is not None}
    quiet = sorted(read.union(row.ecu for row in rows.clears) - set(n_codes))
    if quiet:
        name = cells.unit_name(quiet[0])
        if len(quiet) > 1 and lanes:
            name = cells.t("{n} other control units", n=len(quiet))
        elif len(quiet) > 1:
            name = cells.t("{n} control units", n=len(quiet))
        note = cells.t("never a code: {units}", units=", ".join(map(cells.unit_name, quiet)))
        lanes.append(_shared_lane(quiet, name, note, looks))
    return tuple(lanes)


def _mark_kinds(rows: VehicleRows) -> dict[tuple[str, str], MarkKind]:
    """Return what each scan read in each control unit; the most important mark wins."""
    kinds: dict[tuple[str, str], MarkKind] = {}
    for row in rows.observations:
        if row.ecu is not None:
            kinds[row.scan_id, row.ecu] = _silent_kind(row)
    for sighting in rows.sightings:
        key = (sighting.scan_id, sighting.ecu)
        if sighting.presence == "present":
            kinds[key] = "code"
        elif sighting.presence != "not_tested" and kinds.get(key) != "code":
            kinds[key] = "sign"
    return kinds


def _silent_kind(row: Observation) -> MarkKind:
    """Return the mark of a reading without a code."""
    if not row.answered:
        return "no_answer"
    return "momentary" if row.memory == "active_only" else "clean"


def _lane(ecu: str, looks: _Looks) -> Lane:
    rows, axis = looks.rows, looks.axis
    read = [row for row in rows.observations if row.ecu == ecu]
    answered = len({row.scan_id for row in read if row.answered})
    codes = _code_rows(ecu, looks)
    n_hidden = max(0, len(codes) - _MOST_CODES)
    return Lane(
        name=looks.cells.unit_name(ecu),
        note=looks.cells.tn(
            "answered in {answered} of {n} scan",
            "answered in {answered} of {n} scans",
            looks.n_scans,
            answered=looks.cells.number(answered),
        ),
        marks=_marks(read, axis, looks.kinds),
        clears=_clear_marks((row for row in rows.clears if row.ecu == ecu), axis),
        codes=codes[:_MOST_CODES],
        n_hidden=n_hidden,
        hidden=looks.cells.t("and {n} more, in the table", n=n_hidden),
    )


def _shared_lane(ecus: Sequence[str], name: str, note: str, looks: _Looks) -> Lane:
    wanted, rows = set(ecus), looks.rows
    return Lane(
        name=name,
        note=note,
        marks=_marks((r for r in rows.observations if r.ecu in wanted), looks.axis, looks.kinds),
        clears=_clear_marks((r for r in rows.clears if r.ecu in wanted), looks.axis),
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
    marks: dict[ClearMark, None] = {}  # a clear of several control units is one mark
    for clear in clears:
        low = axis.place(clear.km_low, clear.cleared_low_at)
        high = axis.place(clear.km_high, clear.cleared_high_at)
        at = _within(axis.place(None, clear.cleared_at), low, high)
        if at is not None:
            recorded = clear.origin in {"recorded", "with_repair"}
            marks[ClearMark(at, low, high, recorded)] = None
    return tuple(marks)


def _within(at: float | None, low: float | None, high: float | None) -> float | None:
    """Keep an interpolated place inside its interval; the interval's end if there is none."""
    if at is None or high is None:
        return high if at is None else at
    return min(high, at if low is None else max(low, at))


def _code_rows(ecu: str, looks: _Looks) -> tuple[CodeRow, ...]:
    """One row a code: those somebody worked on first, then those there now, then the rest."""
    rows, assessment, axis = looks.rows, looks.assessment, looks.axis
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
            meaning=(said := meanings[code]) and code_text(said, looks.cells.words),
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
