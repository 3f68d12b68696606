"""What the digest is built from: frozen frames of results, and how they are to be shown.

Only shapes stand here.  Who fills them (``runs.py``) and what is made of them (``build.py``)
stands elsewhere.  All instants are aware UTC; all distances are kilometres on the vehicle's
odometer line, unless a column says "after the attempt".
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import datetime
from typing import Literal

import polars as pl

from afterclear.digest import rows

Units = Literal["km", "mi"]
Audience = Literal["fleet", "garage", "stock"]


@dataclass(frozen=True, slots=True)
class Caution:
    """A general caution for a family of faults; defers to the maker's procedure."""

    title: str
    text: str


@dataclass(frozen=True, slots=True)
class StaleSource:
    """A source that has delivered nothing for longer than it should."""

    name: str
    since: datetime | None  # None: it never delivered


@dataclass(frozen=True, slots=True)
class DigestSettings:
    """How a digest is shown and where its few limits lie."""

    fleet_name: str = ""
    zone: str = "UTC"  # IANA zone dates are shown in
    language: str = "en"
    held_below: float = 0.05  # verdict "held" under this chance of not having held
    look_back_days: int = 365  # older come-backs stand on the vehicle pages only
    usual_window_days: int = 365  # usual mileage: readings of this long before the last one
    usual_min_days: int = 28  # ... which must lie at least this far apart
    extrapolate_days: int = 90  # an odometer is carried forward no further (design 6.7)
    urgent_days: int = 30  # come-backs of safety faults are told at once for so long
    quiet_days: int = 90  # a vehicle not scanned for longer is named as such


@dataclass(frozen=True)
class HistoryFrames:
    """Everything a digest may say, as frames; ``rows.py`` says what each column means."""

    as_of: datetime
    vehicles: pl.DataFrame
    attempts: pl.DataFrame
    evidence: pl.DataFrame
    episodes: pl.DataFrame
    observations: pl.DataFrame
    sightings: pl.DataFrame
    clear_events: pl.DataFrame
    repairs: pl.DataFrame
    odometer: pl.DataFrame
    loads: pl.DataFrame = field(default_factory=pl.DataFrame)
    previous: pl.DataFrame | None = None  # attempt_id, outcome; None: this is the first digest
    previous_at: datetime | None = None  # as-of time of the digest before
    units: Units = "km"
    settings: DigestSettings = field(default_factory=DigestSettings)
    # by code (tried first) or by family; a caution marks the fault as a matter of safety
    cautions: Mapping[str, tuple[Caution, ...]] = field(default_factory=dict)
    n_rejections: int = 0  # rows refused and not yet mended
    stale_sources: tuple[StaleSource, ...] = ()
    # tables of findings by name (finding_rows.py); one that is not there was not judged
    findings: Mapping[str, pl.DataFrame] = field(default_factory=dict)
    # what the digest before said of other things: kind, subject, mark
    previous_marks: Mapping[tuple[str, str], str] = field(default_factory=dict)
    audiences: tuple[Audience, ...] = ("fleet", "garage", "stock")
    public: bool = False  # personal data were taken out


FRAME_ROWS: dict[str, type] = {
    "vehicles": rows.Vehicle,
    "attempts": rows.Attempt,
    "evidence": rows.Evidence,
    "episodes": rows.Episode,
    "observations": rows.Observation,
    "sightings": rows.Sighting,
    "clear_events": rows.ClearEvent,
    "repairs": rows.Repair,
    "odometer": rows.OdometerReading,
}


def check_frames(frames: HistoryFrames) -> None:
    """Refuse frames that lack a column, naming every one that is missing."""
    missing = [
        f"{name}.{column}"
        for name, kind in FRAME_ROWS.items()
        for column in rows.required_columns(kind)
        if column not in getattr(frames, name).columns
    ]
    if missing:
        raise ValueError(f"The digest's frames lack these columns: {', '.join(missing)}.")


def empty_frame(name: str) -> pl.DataFrame:
    """Make a frame of no rows with all columns of its kind, all text."""
    return pl.DataFrame(schema={f.name: pl.String for f in fields(FRAME_ROWS[name])})
