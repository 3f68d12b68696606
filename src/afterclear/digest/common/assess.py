"""One vehicle's rows -> what its faults and fixes show.  Pure."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

import polars as pl

from afterclear.digest.common import file_names
from afterclear.digest.common.attempt_reasons import attempt_reason, what_settles
from afterclear.digest.common.model import AttemptView, Fault, PresentFault, VehicleRef
from afterclear.digest.input.finding_rows import RecurringCode
from afterclear.digest.input.frames import FRAME_ROWS, Caution, DigestSettings
from afterclear.digest.input.mileage import (
    Limits,
    Line,
    Usual,
    due_of,
    estimated_line,
    odometer_line,
    usual_mileage,
)
from afterclear.digest.input.rises import Rises
from afterclear.digest.input.row_frames import RowsByVehicle
from afterclear.digest.input.row_types import (
    Attempt,
    ClearEvent,
    Episode,
    Evidence,
    Observation,
    OdometerReading,
    Repair,
    Sighting,
    Vehicle,
)
from afterclear.finding_tables.cures import Cure
from afterclear.finding_tables.parts import Part
from afterclear.wording.cells import Cells, Clock, Dash
from afterclear.wording.language import mark

_DONE: dict[str, str] = {
    "replace": mark("Replaced"),
    "repair": mark("Repaired"),
    "clean": mark("Cleaned"),
    "adjust": mark("Adjusted"),
    "software": mark("Software updated"),
    "inspect": mark("Inspected"),
}


@dataclass(frozen=True, slots=True)
class Setting:
    """Settings of every part of a digest."""

    as_of: datetime
    cells: Cells
    settings: DigestSettings
    cautions: Mapping[str, tuple[Caution, ...]]
    part_cautions: Mapping[str, tuple[Caution, ...]] = field(default_factory=dict)  # by kind
    short_lived: tuple[Part, ...] = ()  # parts and brands that fail sooner than others like them
    cures: Mapping[str, tuple[Cure, ...]] = field(default_factory=dict)  # by component with a fault
    rises: Rises = field(default_factory=Rises)
    forecast_holds: bool = False  # by its record of past quarters
    grounded: frozenset[str] = frozenset()  # vehicles that must not be driven

    def cautions_of(self, component: str) -> tuple[Caution, ...]:
        """Return the cautions for work on a component."""
        # a code without a known component is its own: "code:make:B1A41"
        code = component.rpartition(":")[2]
        return (*self.part_cautions.get(component, ()), *self.cautions.get(code, ()))

    def limits(self, vehicle_id: str, cells: Cells | None = None) -> Limits:
        """Return how far a vehicle's odometer is carried forward."""
        return Limits(
            self.as_of,
            self.settings.extrapolate_days,
            cells or self.cells,
            may_drive=vehicle_id not in self.grounded,
        )

    def on_clock(self, clock: Clock) -> "Setting":
        """Return the settings for a vehicle: with only an hour meter, distances are in hours."""
        if clock != "engine_hours":
            return self
        hour_km = self.settings.km_per_engine_hour
        return replace(self, cells=replace(self.cells, hour_km=hour_km))


@dataclass(frozen=True, slots=True)
class VehicleRows:
    """All rows of one vehicle."""

    vehicle: Vehicle
    attempts: list[Attempt]
    evidence: dict[str, list[Evidence]]  # by attempt, in order of time
    episodes: list[Episode]
    observations: list[Observation]
    sightings: list[Sighting]
    clears: list[ClearEvent]
    repairs: list[Repair]
    odometer: list[OdometerReading]

    def last_record_at(self) -> datetime | None:
        """Return the instant of the last thing on record; None: there is none."""
        instants = [
            *(row.seen_at for row in self.observations),
            *(row.repaired_at for row in self.repairs),
            *(row.cleared_at for row in self.clears),
            *(row.read_at for row in self.odometer),
        ]
        return max(instants, default=None)


# the order in which a vehicle's rows are returned
_ORDERS: dict[str, tuple[str, ...]] = {
    "vehicles": ("vehicle_id",),
    "attempts": ("attempted_at", "attempt_id"),
    "evidence": ("seen_at", "scan_id"),
    "episodes": ("onset_high_at", "ecu", "code"),
    "observations": ("seen_at", "scan_id", "ecu"),
    "sightings": ("seen_at", "scan_id", "code"),
    "clear_events": ("cleared_at", "ecu"),
    "repairs": ("repaired_at", "repair_id", "part_number"),
    "odometer": ("read_at", "reading_km"),
}


@dataclass(frozen=True, slots=True)
class Faults:
    """One vehicle's faults and fixes as pages show them."""

    ref: VehicleRef
    attempts: tuple[AttemptView, ...]  # in order of time
    present: tuple[PresentFault, ...]


@dataclass(frozen=True, slots=True)
class Assessment:
    """The same, with the mileage and scans that its page shows."""

    ref: VehicleRef
    attempts: tuple[AttemptView, ...]  # in order of time
    present: tuple[PresentFault, ...]
    line: Line
    estimated: bool  # no odometer: the line comes from engine hours or days
    usual: Usual | Dash
    last_scan_at: datetime | None  # the last time a control unit was read


class FleetRows:
    """Some vehicles' rows, returned one vehicle at a time in the order asked for.

    ``tables``: frames by name, as from ``Details``; without a table no vehicle has rows of it.
    """

    def __init__(self, tables: Mapping[str, pl.DataFrame], vehicle_ids: Iterable[str]) -> None:
        self.vehicle_ids = tuple(vehicle_ids)
        self._rows: dict[str, RowsByVehicle[Any]] = {
            name: RowsByVehicle(tables[name].sort(_ORDERS[name], maintain_order=True), kind)
            for name, kind in FRAME_ROWS.items()
            if name in tables
        }

    def __iter__(self) -> Iterator[VehicleRows]:
        """Yield every vehicle's rows."""
        return (self.read(vehicle_id) for vehicle_id in self.vehicle_ids)

    def read(self, vehicle_id: str) -> VehicleRows:
        """Read one vehicle's rows; a vehicle known only from scans has rows too."""

        def own(name: str) -> list[Any]:
            return self._rows[name].read(vehicle_id) if name in self._rows else []

        evidence: dict[str, list[Evidence]] = {}
        for row in own("evidence"):
            evidence.setdefault(row.attempt_id, []).append(row)
        found = own("vehicles")
        return VehicleRows(
            vehicle=found[0] if found else Vehicle(vehicle_id),
            attempts=own("attempts"),
            evidence=evidence,
            episodes=own("episodes"),
            observations=own("observations"),
            sightings=own("sightings"),
            clears=own("clear_events"),
            repairs=own("repairs"),
            odometer=own("odometer"),
        )


def assess_vehicle(rows: VehicleRows, setting: Setting) -> Assessment:
    """Assess one vehicle's faults and fixes."""
    line = odometer_line(rows.odometer)
    estimated = not line.at
    if estimated:
        line = estimated_line(rows.observations)
    limits = setting.settings
    usual = usual_mileage(line, limits.usual_window_days, limits.usual_min_days, setting.cells)
    read_at = [row.seen_at for row in rows.observations if row.ecu is not None]
    faults = assess_faults(rows, usual, setting)
    return Assessment(
        ref=faults.ref,
        attempts=faults.attempts,
        present=faults.present,
        line=line,
        estimated=estimated,
        usual=usual,
        last_scan_at=max(read_at, default=None),
    )


def assess_faults(rows: VehicleRows, usual: Usual | Dash, setting: Setting) -> Faults:
    """Assess with a known usual mileage; needs no scans and no odometer."""
    ref = vehicle_ref(rows.vehicle)
    open_episodes = [episode for episode in rows.episodes if episode.ended_by == "open"]
    views = tuple(_view(attempt, rows, ref, setting, usual) for attempt in rows.attempts)
    views = tuple(_with_presence(view, open_episodes) for view in views)
    return Faults(ref, views, tuple(_present(e, views, setting) for e in open_episodes))


def vehicle_ref(vehicle: Vehicle) -> VehicleRef:
    """Name a vehicle for tables and links."""
    make_model = " ".join(part for part in (vehicle.make, vehicle.model) if part)
    year = str(vehicle.model_year) if vehicle.model_year else ""
    return VehicleRef(
        vehicle_id=vehicle.vehicle_id,
        plate=vehicle.plate,
        description=", ".join(part for part in (make_model, year) if part),
        site=vehicle.site,
        page=file_names.vehicle_page(vehicle.vehicle_id),
        sold=vehicle.stock_status == "sold",
    )


def fault_of(row: Attempt | Episode | RecurringCode, setting: Setting) -> Fault:
    """Return what a code is about, with its cautions."""
    cautions = setting.cautions.get(row.code, ())
    return Fault(row.ecu, row.code, row.meaning, row.family_label, cautions)


def cautions_of(faults: Iterable[Fault]) -> tuple[Caution, ...]:
    """Gather cautions, each once, in the order of the faults."""
    return tuple(dict.fromkeys(c for fault in faults for c in fault.cautions))


def work_done(attempt: Attempt, cells: Cells) -> str:
    """Return what was done, e.g. "Replaced: ignition coil"."""
    if attempt.kind == "clear_only":
        if attempt.beside_repair_id is None:
            return cells.t("Codes cleared, no repair")
        return cells.t("Codes cleared with other work ({order})", order=attempt.beside_repair_id)
    deeds = action_words(attempt.action, cells) or cells.t("Work order")
    return ": ".join(part for part in (deeds, attempt.parts) if part)


def where_done(attempt: Attempt, cells: Cells) -> str:
    """Return where it was done; where no record says that, of which site the vehicle is."""
    if attempt.site and attempt.is_site_of_vehicle:
        return cells.t("vehicle of {site}", site=attempt.site)
    return attempt.site or ""


def action_words(actions: str | None, cells: Cells) -> str:
    """Return the actions of a work order, e.g. "Replaced and cleaned"."""
    words = (actions or "").replace(",", " ").split()
    return cells.t(" and ").join(
        text if i == 0 else text[:1].lower() + text[1:]
        for i, text in enumerate(cells.t(_DONE[w]) if w in _DONE else w for w in words)
    )


def _view(
    attempt: Attempt,
    rows: VehicleRows,
    ref: VehicleRef,
    setting: Setting,
    usual: Usual | Dash,
) -> AttemptView:
    on_watch = attempt.outcome == "on_watch" and attempt.ended_at is None and not ref.sold
    cells = setting.on_clock(attempt.clock).cells
    limits = setting.limits(ref.vehicle_id, cells)
    evidence = tuple(rows.evidence.get(attempt.attempt_id, ()))
    related = _related_episode(attempt, rows.episodes)
    return AttemptView(
        row=attempt,
        vehicle=ref,
        fault=fault_of(attempt, setting),
        done=work_done(attempt, cells),
        where=where_done(attempt, cells),
        reason=attempt_reason(attempt, evidence, cells, related, is_sold=ref.sold),
        evidence=evidence,
        current=attempt.ended_at is None,
        present=False,
        due=due_of(attempt, evidence, usual, limits) if on_watch else None,
        settled_by=cells.t(what_settles(evidence)) if attempt.outcome == "unchecked" else None,
    )


def _related_episode(attempt: Attempt, episodes: list[Episode]) -> Episode | None:
    """Find where another code of the same component first showed up since the attempt."""
    if attempt.related_code is None or attempt.related_code == attempt.code:
        return None
    return next(
        (
            episode
            for episode in episodes
            if episode.code == attempt.related_code and episode.onset_high_at > attempt.attempted_at
        ),
        None,
    )


def _with_presence(view: AttemptView, open_episodes: list[Episode]) -> AttemptView:
    present = view.current and any(_same_fault(view.row, episode) for episode in open_episodes)
    return replace(view, present=True) if present else view


def _same_fault(attempt: Attempt, episode: Episode) -> bool:
    return attempt.ecu == episode.ecu and episode.code in {attempt.code, attempt.related_code}


def _present(episode: Episode, views: tuple[AttemptView, ...], setting: Setting) -> PresentFault:
    failed = [
        view
        for view in views
        if view.current and view.row.outcome == "came_back" and _same_fault(view.row, episode)
    ]
    return PresentFault(
        fault=fault_of(episode, setting),
        onset_low_at=episode.onset_low_at,
        onset_high_at=episode.onset_high_at,
        last_seen_at=episode.last_seen_at,
        last_seen_km=episode.last_seen_km,
        n_scans=episode.n_scans,
        failed=failed[-1] if failed else None,
    )
