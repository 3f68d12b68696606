"""What is different since the digest before.  Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import polars as pl

from afterclear.digest.assess import Assessment, Setting, fault_of
from afterclear.digest.cells import Dash
from afterclear.digest.frames import HistoryFrames
from afterclear.digest.model import AttemptView, Change, Changes, VehicleRef
from afterclear.digest.rows import Episode, read_rows

_FAR = datetime.max.replace(tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class _Before:
    """The digest before this one."""

    outcomes: dict[str, str]
    at: datetime | None


def changes_since(
    frames: HistoryFrames,
    attempts: Sequence[AttemptView],
    assessments: Sequence[Assessment],
    setting: Setting,
) -> Changes | None:
    """Say what changed; None if there was no digest before."""
    if frames.previous is None:
        return None
    rows = frames.previous.select("attempt_id", "outcome").iter_rows()
    before = _Before(dict(rows), frames.previous_at)
    came_back = _became(attempts, before, "came_back")
    worked_on: dict[tuple[str, str, str], datetime] = {}
    for view in attempts:
        key = (view.vehicle.vehicle_id, view.row.ecu, view.row.code)
        worked_on[key] = min(view.row.attempted_at, worked_on.get(key, _FAR))
    refs = {a.ref.vehicle_id: a.ref for a in assessments}
    return Changes(
        since=before.at,
        came_back=came_back,
        proven=_became(attempts, before, "held"),
        new=_new(frames, before, refs, worked_on, setting),
        gone=_gone(frames, before, refs, setting),
    )


def _became(attempts: Sequence[AttemptView], before: _Before, outcome: str) -> tuple[Change, ...]:
    """List attempts that have a verdict now which they did not have before."""
    changed = [
        Change(view.vehicle, view.fault, view.reason, _decided_at(view))
        for view in attempts
        if view.row.outcome == outcome and before.outcomes.get(view.row.attempt_id) != outcome
    ]
    return tuple(sorted(changed, key=_change_order))


def _decided_at(view: AttemptView) -> datetime:
    row = view.row
    at = row.returned_at if row.outcome == "came_back" else row.last_clean_at
    return at or row.attempted_at


def _change_order(change: Change) -> tuple[bool, float, str]:
    return (not change.fault.safety, -change.at.timestamp(), change.vehicle.vehicle_id)


def _new(
    frames: HistoryFrames,
    before: _Before,
    refs: dict[str, VehicleRef],
    worked_on: dict[tuple[str, str, str], datetime],
    setting: Setting,
) -> tuple[Change, ...] | Dash:
    """List faults first seen since; the return of one worked on before is not new.

    ``worked_on``: first attempt at a fault, by vehicle, control unit and code.
    """
    if before.at is None:
        return Dash(setting.cells.t("time of the digest before not known"))
    found = read_rows(frames.episodes.filter(pl.col("onset_high_at") > before.at), Episode)
    changes = [
        Change(refs[e.vehicle_id], fault_of(e, setting), _new_text(e, setting), e.onset_high_at)
        for e in found
        if worked_on.get((e.vehicle_id, e.ecu, e.code), _FAR) >= e.onset_high_at
    ]
    return tuple(sorted(changes, key=_change_order))


def _new_text(episode: Episode, setting: Setting) -> str:
    cells = setting.cells
    first = cells.day(episode.onset_high_at)
    if episode.onset_low_at is not None:
        before = cells.day(episode.onset_low_at)
        return cells.t("first seen on {day}, not there on {before}", day=first, before=before)
    return cells.t("first seen on {day}, at the first look", day=first)


def _gone(
    frames: HistoryFrames, before: _Before, refs: dict[str, VehicleRef], setting: Setting
) -> tuple[Change, ...] | Dash:
    """List faults that were there and are absent now without anyone's work."""
    if before.at is None:
        return Dash(setting.cells.t("time of the digest before not known"))
    left = frames.episodes.filter(
        (pl.col("ended_by") == "clean_scan") & (pl.col("ended_high_at") > before.at)
    )
    changes = [
        Change(
            refs[e.vehicle_id],
            fault_of(e, setting),
            setting.cells.t(
                "last seen on {day}, absent on {gone} with no repair or clear between",
                day=setting.cells.day(e.last_seen_at),
                gone=setting.cells.day(e.ended_high_at),
            ),
            e.ended_high_at or e.last_seen_at,
        )
        for e in read_rows(left, Episode)
    ]
    return tuple(sorted(changes, key=_change_order))
