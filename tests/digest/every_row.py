"""A small fleet told by every row -> its digest, through the code that makes everyone's.

A store sums up what the audiences' pages are chosen from
(``store/queries/exports_digest.py``) and gives single vehicles' rows.  Here both come from frames
that have every row; a test holds the two against each other
(``tests/commands/test_page_frames.py``).
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime, timedelta
from typing import Literal

import polars as pl

from afterclear.commands.pages.page_workers import rendered
from afterclear.digest.build_digests import DigestModel, build_fleet_digest
from afterclear.digest.input.frames import (
    FRAME_ROWS,
    VEHICLE_FINDINGS,
    Details,
    DigestContext,
    FleetFrames,
)
from afterclear.digest.input.row_types import Clock, Outcome, Vehicle

# a column of a few rows may hold nothing that tells its type
_AT = pl.Datetime("us", "UTC")
_TYPES: dict[str, pl.DataType] = {
    **dict.fromkeys(("ended_at", "returned_at", "last_clean_at", "attempted_at"), _AT),
    **dict.fromkeys(("last_scan_at", "line_first_at", "line_last_at"), _AT),
    **dict.fromkeys(("line_first_km", "line_last_km", "clean_until_km", "km_to_go"), pl.Float64()),
    **dict.fromkeys(("p_same_fault", "cost"), pl.Float64()),
    "changed": pl.Boolean(),
}
_OUTCOMES = ("held", "on_watch", "unchecked", "came_back")


@dataclass(frozen=True, slots=True)
class Open:
    """An attempt a page may speak of, in the few columns that choose and order it."""

    attempt_id: str
    vehicle_id: str
    ecu: str
    code: str
    family: str | None
    related_code: str | None
    kind: Literal["repair", "clear_only"]
    outcome: Outcome
    clock: Clock
    repair_id: str | None
    attempted_at: datetime
    ended_at: datetime | None
    returned_at: datetime | None
    last_clean_at: datetime | None
    clean_until_km: float | None  # where its clean distance ends, on the vehicle's line
    km_to_go: float | None
    p_same_fault: float | None
    cost: float | None
    currency: str | None
    changed: bool  # came back or held, and the digest before did not say so


@dataclass(frozen=True, kw_only=True)
class HistoryFrames(DigestContext):
    """Every row of every vehicle; ``row_types.py`` says what each column means."""

    vehicles: pl.DataFrame
    attempts: pl.DataFrame
    evidence: pl.DataFrame
    episodes: pl.DataFrame
    observations: pl.DataFrame
    sightings: pl.DataFrame
    clear_events: pl.DataFrame
    repairs: pl.DataFrame
    odometer: pl.DataFrame
    previous: pl.DataFrame | None = None  # attempt_id, outcome; None: this is the first digest


def build_digest(frames: HistoryFrames) -> DigestModel:
    """Work out everything a digest says, from every row of every vehicle."""
    return build_fleet_digest(fleet_frames(frames), details_of(frames))


def render_digest(model: DigestModel) -> dict[str, str]:
    """Render the whole digest: HTML by file name, relative to the digest's folder."""
    return dict(rendered(model))


def fleet_frames(frames: HistoryFrames) -> FleetFrames:
    """Sum up what the audiences' pages need."""
    shared = {f.name: getattr(frames, f.name) for f in fields(DigestContext)}
    look_back = frames.as_of - timedelta(days=frames.settings.look_back_days)
    back_at = pl.coalesce("returned_at", "attempted_at")
    counted = _counted(frames.attempts)
    back = counted.filter(pl.col("outcome") == "came_back")
    scans = _scans(frames.observations)
    new, gone = _changed_episodes(frames)
    return FleetFrames(
        **shared,
        fleet=_fleet(frames),
        attempts=_open_attempts(frames, back_at >= look_back),
        open_faults=frames.episodes.filter(pl.col("ended_by") == "open").select(
            "vehicle_id", "ecu", "code", "family"
        ),
        new=new,
        gone=gone,
        tallies=counted.group_by("kind", "outcome").agg(pl.len().alias("n")),
        year=_of_the_year(counted, frames.as_of),
        n_failed_before=0 if back.is_empty() else back.filter(back_at < look_back).height,
        set_aside=frames.odometer.filter(pl.col("set_aside").is_not_null())
        .group_by("set_aside")
        .agg(pl.len().alias("n"), pl.col("vehicle_id").n_unique().alias("vehicles")),
        n_scans=scans.height,
        n_partial=int(scans["partial"].sum() or 0),
        has_previous=frames.previous is not None,
    )


def details_of(frames: HistoryFrames) -> Details:
    """Give the rows of chosen vehicles out of frames that have everyone's."""
    owners = frames.attempts.select("attempt_id", "vehicle_id")
    evidence = frames.evidence.select(pl.exclude("vehicle_id")).join(owners, on="attempt_id")
    tables = {name: getattr(frames, name) for name in FRAME_ROWS} | {"evidence": evidence}
    tables |= {name: frames.findings[name] for name in VEHICLE_FINDINGS if name in frames.findings}

    def details(vehicle_ids: Sequence[str], wanted: Collection[str]) -> Mapping[str, pl.DataFrame]:
        own = pl.col("vehicle_id").is_in(list(vehicle_ids))
        return {name: frame.filter(own) for name, frame in tables.items() if name in wanted}

    return details


def _of_the_year(counted: pl.DataFrame, as_of: datetime) -> pl.DataFrame:
    """Count by quarter, from the same quarter of the year before."""
    at = pl.col("attempted_at")
    quarter = pl.format("{}-Q{}", at.dt.year(), at.dt.quarter()).alias("quarter")
    first = datetime(as_of.year - 1, as_of.month - (as_of.month - 1) % 3, 1, tzinfo=UTC)
    if counted.is_empty():
        return pl.DataFrame(schema={"quarter": pl.String, "outcome": pl.String, "n": pl.UInt32})
    recent = counted.filter(at >= first)
    return recent.group_by(quarter, "outcome").agg(pl.len().alias("n"))


def _counted(attempts: pl.DataFrame) -> pl.DataFrame:
    """Leave out what is counted with the fix of the fault it followed from."""
    if attempts.is_empty() or "is_echo" not in attempts.columns:
        return attempts
    return attempts.filter(~pl.col("is_echo"))


def _fleet(frames: HistoryFrames) -> pl.DataFrame:
    """Give every vehicle any row speaks of, with how it stands."""
    named = ("vehicles", "attempts", "episodes", "observations", "repairs", "clear_events")
    met = [getattr(frames, name).select("vehicle_id") for name in (*named, "odometer")]
    known = {f.name for f in fields(Vehicle)} & set(frames.vehicles.columns)
    fixes = (
        _counted(frames.attempts)
        .group_by("vehicle_id")
        .agg((pl.col("outcome") == name).sum().alias(f"n_{name}") for name in _OUTCOMES)
    )
    scanned = (
        frames.observations.filter(pl.col("ecu").is_not_null())
        .group_by("vehicle_id")
        .agg(pl.col("seen_at").max().alias("last_scan_at"))
    )
    every = pl.concat(met).unique()
    for more in (frames.vehicles.select(sorted(known)), fixes, scanned, _lines(frames)):
        every = every.join(more, on="vehicle_id", how="left")
    return _typed(every.with_columns(pl.col(f"n_{name}").fill_null(0) for name in _OUTCOMES))


def _lines(frames: HistoryFrames) -> pl.DataFrame:
    """Take the ends of each vehicle's line within the time its usual mileage is taken from."""
    read = frames.odometer.filter(
        pl.col("line_km").is_not_null() & pl.col("set_aside").is_null()
    ).select("vehicle_id", at="read_at", km="line_km")
    estimated = (
        frames.observations.filter(pl.col("km").is_not_null())
        .sort("seen_at", "scan_id", "ecu")
        .select("vehicle_id", at="seen_at", km="km")
        .join(read, on="vehicle_id", how="anti")
    )
    told = [
        read.group_by("vehicle_id", "at").agg(pl.col("km").max()),
        estimated.group_by("vehicle_id", "at", maintain_order=True).agg(pl.col("km").last()),
    ]
    typed = (pl.col("at").cast(_AT), pl.col("km").cast(pl.Float64))
    points = pl.concat(part.with_columns(typed) for part in told).sort("vehicle_id", "at")
    window = timedelta(days=frames.settings.usual_window_days)
    within = points.filter(pl.col("at") >= pl.col("at").max().over("vehicle_id") - window)
    return within.group_by("vehicle_id").agg(
        pl.col("at").first().alias("line_first_at"),
        pl.col("km").first().alias("line_first_km"),
        pl.col("at").last().alias("line_last_at"),
        pl.col("km").last().alias("line_last_km"),
        pl.len().alias("line_n"),
    )


def _open_attempts(frames: HistoryFrames, came_back_lately: pl.Expr) -> pl.DataFrame:
    names = [f.name for f in fields(Open)]
    if frames.attempts.is_empty():
        return _typed(pl.DataFrame(schema=names))
    ends = frames.evidence.group_by("attempt_id").agg(pl.col("stretch_to_km").max())
    outcome = pl.col("outcome")
    changed = pl.lit(value=False)
    attempts = _counted(frames.attempts).join(ends, on="attempt_id", how="left")
    if frames.previous is not None:
        before = frames.previous.select("attempt_id", outcome_before="outcome")
        attempts = attempts.join(before, on="attempt_id", how="left")
        changed = outcome.is_in(["came_back", "held"]) & outcome.ne_missing(
            pl.col("outcome_before")
        )
    attempts = attempts.with_columns(
        changed.alias("changed"),
        pl.coalesce(
            "stretch_to_km", pl.col("attempted_km") + pl.col("clean_km").fill_null(0.0)
        ).alias("clean_until_km"),
    )
    still = pl.col("ended_at").is_null() & outcome.is_in(["on_watch", "unchecked"])
    lately = (outcome == "came_back") & came_back_lately
    return _typed(attempts.filter(lately | still | pl.col("changed")).select(names))


def _typed(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.with_columns(
        pl.col(name).cast(_TYPES.get(name, pl.String()))
        for name in frame.columns
        if name in _TYPES or frame.schema[name] == pl.Null
    )


def _changed_episodes(frames: HistoryFrames) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Give the faults first seen since the digest before, and those absent without work.

    The return of a fault somebody had worked on is not new, under whatever code, nor is what
    follows from another fault.
    """
    episodes, since = frames.episodes, frames.previous_at
    if frames.previous is None or since is None or episodes.is_empty():
        return episodes.clear(), episodes.clear()
    keys = ["vehicle_id", "ecu", "code"]
    first = frames.attempts.group_by(keys).agg(pl.col("attempted_at").min().alias("_first_at"))
    new = episodes.filter(pl.col("onset_high_at") > since).join(
        first, on=keys, how="left", maintain_order="left"
    )
    new = new.filter(
        pl.col("_first_at").is_null() | (pl.col("_first_at") >= pl.col("onset_high_at"))
    )
    place = [*keys, "onset_high_at"]
    new = new.join(_told_otherwise(frames).select(place), on=place, how="anti")
    gone = episodes.filter((pl.col("ended_by") == "clean_scan") & (pl.col("ended_high_at") > since))
    last = [*keys, "last_seen_at"]
    follows = _consequential(frames, "last_seen_at")
    if follows is not None:
        gone = gone.join(follows.select(last), on=last, how="anti", maintain_order="left")
    return new.drop("_first_at"), gone


def _told_otherwise(frames: HistoryFrames) -> pl.DataFrame:
    """Give where codes follow from another, and where they show a fix's fault again."""
    at = frames.episodes.schema["onset_high_at"]
    back = frames.attempts.filter(pl.col("outcome") == "came_back").select(
        "vehicle_id",
        "ecu",
        code=pl.col("related_code").cast(pl.String),
        onset_high_at=pl.col("returned_at").cast(at),
    )
    follows = _consequential(frames, "onset_high_at")
    return back if follows is None else pl.concat([back, follows])


def _consequential(frames: HistoryFrames, at: str) -> pl.DataFrame | None:
    """Give the codes that follow from another, each with its scan's time as column ``at``."""
    roles = frames.findings.get("roles")
    if roles is None or roles.is_empty():
        return None
    seen_at = pl.col("seen_at").cast(frames.episodes.schema[at]).alias(at)
    return roles.filter(pl.col("role") == "consequential").select(
        "vehicle_id", "ecu", "code", seen_at
    )


def _scans(observations: pl.DataFrame) -> pl.DataFrame:
    """Give the scans that read a control unit, each once, and whether it was partial."""
    return (
        observations.filter(pl.col("ecu").is_not_null())
        .group_by("vehicle_id", "scan_id")
        .agg((pl.col("scan_scope") == "partial").any().alias("partial"))
    )


def empty_frame(name: str) -> pl.DataFrame:
    """Make a frame of no rows with all columns of its kind, all text."""
    return pl.DataFrame(schema={f.name: pl.String for f in fields(FRAME_ROWS[name])})
