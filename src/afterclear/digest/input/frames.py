"""What the digest is built from: frozen frames of results, and how to show them.

This module has only the shapes. ``commands/pages/page_frames.py`` fills them, and
``build_digests.py`` builds pages from them.  All instants are aware UTC; all distances are
kilometres on the vehicle's odometer line, unless a column says "after the attempt".
"""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

import polars as pl

from afterclear.digest.input import row_types

Units = Literal["km", "mi"]
Audience = Literal["fleet", "garage", "stock"]
VehiclePagesOf = Literal["all", "named"]

CHUNK = 500  # vehicles whose faults and fixes are in memory at once


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
    """How a digest is shown and its few limits."""

    fleet_name: str = ""
    zone: str = "UTC"  # IANA zone dates are shown in
    language: str = "en"
    held_below: float = 0.05  # verdict "held" under this chance of not having held
    look_back_days: int = 365  # older come-backs are on the vehicle pages only
    usual_window_days: int = 365  # usual mileage: readings of this long before the last one
    usual_min_days: int = 28  # ... which must lie at least this far apart
    extrapolate_days: int = 90  # an odometer is carried forward no further
    urgent_days: int = 30  # come-backs of safety faults count as urgent this long
    quiet_days: int = 90  # a vehicle not scanned for longer is named as such
    km_per_engine_hour: float = 35.0  # km that equal one hour if there is no odometer
    vehicle_pages: VehiclePagesOf = "all"  # named: of vehicles on an audience's page
    technicians: bool = False  # people are compared by name


@dataclass(frozen=True, kw_only=True)
class DigestContext:
    """What all pages share: as of when, for whom, and the previous digest."""

    as_of: datetime
    loads: pl.DataFrame = field(default_factory=pl.DataFrame)
    previous_at: datetime | None = None  # as-of time of the previous digest
    # other marks of the previous digest: kind, subject, mark
    said_before: Mapping[tuple[str, str], str] = field(default_factory=dict)
    units: Units = "km"
    settings: DigestSettings = field(default_factory=DigestSettings)
    # by code; a caution marks the fault as a safety fault
    cautions: Mapping[str, tuple[Caution, ...]] = field(default_factory=dict)
    # by kind of part; kinds without any are left out
    part_cautions: Mapping[str, tuple[Caution, ...]] = field(default_factory=dict)
    n_rejections: int | None = 0  # rows refused and not yet mended; None: not known, nor sources
    n_refused_orders: int = 0  # of these, rows of work orders
    stale_sources: tuple[StaleSource, ...] = ()
    findings: Mapping[str, pl.DataFrame]  # tables of findings by name (finding_rows.py)
    audiences: tuple[Audience, ...] = ("fleet", "garage", "stock")
    public: bool = False  # personal data are removed
    # a dossier names its vehicle, and the files it rests on: not where names are hidden
    has_dossiers: bool = True
    tables_beside: frozenset[str] = frozenset()  # whose rows are in files beside the pages


@dataclass(frozen=True, kw_only=True)
class FleetFrames(DigestContext):
    """What the audiences' pages are chosen from: a row a vehicle, and what is still open.

    Nothing here grows with the number of scans.  Of ``findings`` the large tables have only the
    columns of ``findings_by_page.SLIM``; their full rows come with their vehicles (``Details``).
    """

    fleet: pl.DataFrame  # one row for each vehicle: row_types.Vehicle and row_types.Standing
    attempts: pl.DataFrame  # on watch, unchecked, came back lately, changed since
    open_faults: pl.DataFrame  # vehicle_id, ecu, code, family of open episodes
    new: pl.DataFrame  # row_types.Episode: first seen since the previous digest
    gone: pl.DataFrame  # row_types.Episode: absent since then without anyone's work
    tallies: pl.DataFrame  # kind, outcome, n: all attempts of all time
    year: pl.DataFrame  # quarter, outcome, n: attempts since the same quarter a year ago
    n_failed_before: int  # came back longer ago than pages look back
    set_aside: pl.DataFrame  # set_aside, n, vehicles: odometer readings by cause, most first
    n_scans: int  # that read a control unit
    n_partial: int
    has_previous: bool = False  # there was a previous digest


# Returns a few vehicles' rows of some tables (``FRAME_ROWS``, ``VEHICLE_FINDINGS``) by table name,
# complete, from any store.
Details = Callable[[Sequence[str], Collection[str]], Mapping[str, pl.DataFrame]]


def in_chunks(
    details: Details, vehicle_ids: Iterable[str], tables: Collection[str]
) -> Iterator[Mapping[str, pl.DataFrame]]:
    """Return the rows of any number of vehicles, each once, some vehicles at a time."""
    every = tuple(dict.fromkeys(vehicle_ids))
    for start in range(0, len(every), CHUNK):
        yield details(every[start : start + CHUNK], tables)


# tables of findings that a vehicle's page uses
VEHICLE_FINDINGS: tuple[str, ...] = (
    *("recurring", "worsening", "roles", "stock", "stock_reasons", "worklist"),
    *("leftovers", "echo_work", "decisions", "costs", "forecast"),
)
# Another history of a vehicle has another mark (vehicle_id, mark): where its page did not change,
# the long tables of its history need not be read to see it.  ``Details`` may have no such table.
HISTORY_MARKS = "history_marks"
HISTORY_TABLES = ("evidence", "observations", "sightings", "clear_events", "odometer")
FRAME_ROWS: dict[str, type] = {
    "vehicles": row_types.Vehicle,
    "attempts": row_types.Attempt,
    "evidence": row_types.Evidence,
    "episodes": row_types.Episode,
    "observations": row_types.Observation,
    "sightings": row_types.Sighting,
    "clear_events": row_types.ClearEvent,
    "repairs": row_types.Repair,
    "odometer": row_types.OdometerReading,
}
