"""What has changed since the previous digest.  Pure."""

from collections.abc import Callable, Mapping

import polars as pl

from afterclear.digest.common.assess import Setting, fault_of
from afterclear.digest.common.choosing import MOST, Choice, Picked, change_order, with_safety
from afterclear.digest.common.model import AttemptView, Change, ChangeList, Changes
from afterclear.digest.common.roster import Roster
from afterclear.digest.input.frames import FleetFrames
from afterclear.digest.input.row_frames import read_rows
from afterclear.digest.input.row_types import Episode
from afterclear.wording.cells import Dash


def changes_since(
    frames: FleetFrames,
    choice: Choice,
    views: Mapping[str, AttemptView],
    roster: Roster,
    setting: Setting,
) -> Changes | None:
    """Return what changed; None if there was no previous digest."""
    if not frames.has_previous:
        return None
    new: ChangeList | Dash
    gone: ChangeList | Dash
    new = gone = Dash(setting.cells.t("the time of the last digest is not known"))
    if frames.previous_at is not None:
        new = _episodes(frames.new, "onset_high_at", _new_text, roster, setting)
        gone = _episodes(frames.gone, "ended_high_at", _gone_text, roster, setting)
    return Changes(
        since=frames.previous_at,
        came_back=_attempts(choice.came_back, views),
        proven=_attempts(choice.proven, views),
        new=new,
        gone=gone,
    )


def _attempts(picked: Picked, views: Mapping[str, AttemptView]) -> ChangeList:
    """List attempts that have a verdict now which they did not have before."""
    shown = tuple(
        Change(view.vehicle, view.fault, view.reason) for view in map(views.__getitem__, picked.ids)
    )
    return ChangeList(shown, picked.n)


def _episodes(
    frame: pl.DataFrame,
    at: str,
    text: Callable[[Episode, Setting], str],
    roster: Roster,
    setting: Setting,
) -> ChangeList:
    """List faults first seen since, or gone since, by when that was."""
    if frame.is_empty():
        return ChangeList((), 0)
    ordered = change_order(with_safety(frame.with_columns(at=pl.col(at)), setting))
    shown = tuple(
        Change(roster.ref(row.vehicle_id), fault_of(row, setting), text(row, setting))
        for row in read_rows(ordered.head(MOST), Episode)
    )
    return ChangeList(shown, frame.height)


def _new_text(episode: Episode, setting: Setting) -> str:
    cells = setting.cells
    first = cells.day(episode.onset_high_at)
    if episode.onset_low_at is not None:
        before = cells.day(episode.onset_low_at)
        return cells.t("first seen on {day}, not present on {before}", day=first, before=before)
    return cells.t("first seen on {day}, in the first scan", day=first)


def _gone_text(episode: Episode, setting: Setting) -> str:
    return setting.cells.t(
        "last seen on {day}, not present on {gone}, with no repair or clear on record in between",
        day=setting.cells.day(episode.last_seen_at),
        gone=setting.cells.day(episode.ended_high_at),
    )
