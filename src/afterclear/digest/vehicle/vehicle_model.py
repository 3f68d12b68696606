"""Page model of one vehicle.  Frozen numbers and sentences; no HTML here."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from afterclear.digest.common.model import (
    AttemptView,
    Fault,
    PageHead,
    PresentFault,
    VehicleRef,
    WorkItem,
)
from afterclear.digest.input.finding_rows import StockReason
from afterclear.digest.input.findings_by_page import VehicleFindings
from afterclear.digest.input.frames import Caution
from afterclear.digest.input.mileage import Usual
from afterclear.digest.input.row_types import ClearEvent, Episode, OdometerReading, Repair, Vehicle
from afterclear.digest.vehicle.codes_by_scan import ScanRoles
from afterclear.finding_tables.cures import Cure
from afterclear.finding_tables.parts import Part
from afterclear.finding_tables.roles import Leftover
from afterclear.wording.cells import Dash
from afterclear.wording.stock_steps import Step

# momentary: no code active at that moment, stored codes not read
MarkKind = Literal["clean", "momentary", "code", "sign", "no_answer"]


@dataclass(frozen=True, slots=True)
class Mark:
    """What one scan read in one control unit."""

    at: float
    kind: MarkKind


@dataclass(frozen=True, slots=True)
class Span:
    """A code's presence along the axis.  It began in (low, first] and ended in [last, high)."""

    low: float | None  # None: there at the first scan
    first: float
    last: float
    high: float | None  # None: no end seen
    is_open: bool


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of evidence that the fault stayed away; shares are of what proves the fix."""

    start: float
    end: float
    share_before: float
    share_after: float


@dataclass(frozen=True, slots=True)
class Growth:
    """Evidence for one fix attempt along the axis."""

    start: float
    stretches: tuple[Stretch, ...]
    outcome: str
    verdict_at: float
    target: float | None  # where a clean scan would prove it; None: not on watch or not known


@dataclass(frozen=True, slots=True)
class CodeRow:
    """One code in a control unit's lane."""

    code: str
    meaning: str | None
    spans: tuple[Span, ...]
    growths: tuple[Growth, ...]


@dataclass(frozen=True, slots=True)
class ClearMark:
    """Codes cleared in one control unit, at ``at``, or somewhere in (low, high]."""

    at: float
    low: float | None
    high: float | None
    recorded: bool


@dataclass(frozen=True, slots=True)
class Lane:
    """One control unit (or all that never showed a code) along the axis."""

    name: str
    note: str
    marks: tuple[Mark, ...]
    clears: tuple[ClearMark, ...]
    codes: tuple[CodeRow, ...]
    n_hidden: int  # codes that have no room; they are in the table
    hidden: str = ""  # the same in words


@dataclass(frozen=True, slots=True)
class Flag:
    """A work order at its place on the axis, numbered as in the table."""

    at: float
    number: int


@dataclass(frozen=True, slots=True)
class Tick:
    """A labelled place on the axis."""

    at: float
    label: str
    under: str  # second line: the month the vehicle was there; may be empty


@dataclass(frozen=True, slots=True)
class TimeLine:
    """The vehicle's whole history along one axis: km, or days where there is no odometer."""

    axis: Literal["km", "date"]
    axis_name: str
    low: float
    high: float
    ticks: tuple[Tick, ...]
    flags: tuple[Flag, ...]
    lanes: tuple[Lane, ...]
    n_scans: int
    n_not_drawn: int  # scans without a place on the axis
    summary: str  # the picture in words

    def kinds(self) -> set[MarkKind]:
        """Return what scans read, of all lanes."""
        return {mark.kind for lane in self.lanes for mark in lane.marks}

    def spans(self) -> tuple[Span, ...]:
        """Return when codes were there, of all lanes."""
        return tuple(span for lane in self.lanes for code in lane.codes for span in code.spans)

    def growths(self) -> tuple[Growth, ...]:
        """Return the evidence for fixes, of all lanes."""
        return tuple(g for lane in self.lanes for code in lane.codes for g in code.growths)


@dataclass(frozen=True, slots=True)
class OdometerChart:
    """All readings over time, the line through them, and what was set aside."""

    line: tuple[tuple[float, float], ...]  # days since 1970, km
    kept: tuple[tuple[float, float], ...]
    aside: tuple[tuple[float, float], ...]
    day_ticks: tuple[Tick, ...]
    km_ticks: tuple[Tick, ...]
    summary: str


@dataclass(frozen=True, slots=True)
class Reading:
    """What one scan read in one control unit, in words."""

    unit: str
    kind: MarkKind | Literal["not_read"]
    text: str


@dataclass(frozen=True, slots=True)
class LogLine:
    """One thing that happened, in order: a scan, a clear or a work order."""

    at: datetime
    km: float | None
    kind: Literal["scan", "clear", "gone", "repair"]  # gone: codes, perhaps by themselves
    name: str  # scan or work order number; otherwise empty
    text: str
    readings: tuple[Reading, ...]
    # in words if neither is known exactly: an inferred clear
    when: str = ""
    distance: str = ""
    is_after_scan: bool = False  # of an inferred clear: not before the scan of its instant
    km_low: float | None = None  # of an inferred clear: ``km`` is the upper end of its place

    @property
    def telling(self) -> list[Reading]:
        """Return the readings that say more than that there was no code."""
        return [reading for reading in self.readings if reading.kind != "clean"]

    @property
    def clean_units(self) -> str:
        """Name the control units that showed no code."""
        return ", ".join(reading.unit for reading in self.readings if reading.kind == "clean")

    def is_of_all(self, units: Collection[str]) -> bool:
        """Whether it says something of each of these control units."""
        return {reading.unit for reading in self.readings} == set(units)


@dataclass(frozen=True, slots=True)
class WorkOrder:
    """All lines of one work order."""

    number: int  # as flagged in the picture
    repair_id: str
    at: datetime
    km: float | None
    site: str | None
    technician: str | None
    codes: tuple[str, ...]  # those it names
    lines: tuple[Repair, ...]
    cost: float | None
    currency: str | None


@dataclass(frozen=True, slots=True)
class EpisodeView:
    """An episode with what its code is about.

    ``first``: the episode it goes on from, where clears in between did not end it; itself, if none
    did. ``n_scans`` counts the scans since then.
    """

    row: Episode
    fault: Fault
    first: Episode
    n_scans: int

    @property
    def goes_on(self) -> bool:
        """Whether it was there before a clear that did not end it."""
        return self.first is not self.row


@dataclass(frozen=True, slots=True)
class CuredFault:
    """A fault that is there, and what cured such faults in the fleet, in words."""

    fault: Fault
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class VehiclePage:
    """Everything known of one vehicle."""

    head: PageHead
    ref: VehicleRef
    vehicle: Vehicle
    work: WorkItem | None
    cautions: tuple[Caution, ...]  # of work to do, or of faults there although set aside
    present: tuple[PresentFault, ...]
    attempts: tuple[AttemptView, ...]  # latest first
    timeline: TimeLine | Dash
    log: tuple[LogLine, ...]  # earliest first
    units: tuple[str, ...]  # names of the control units its scans speak of
    orders: tuple[WorkOrder, ...]
    clears: tuple[ClearEvent, ...]
    episodes: tuple[EpisodeView, ...]
    never_present: tuple[str, ...]  # codes read as permanent or as a sign, never as present
    odometer: OdometerChart | Dash
    readings: tuple[OdometerReading, ...]
    readings_unsaid: tuple[OdometerReading, ...]  # which the log does not show as they were read
    readings_apart: bool  # some reading is not where the line is
    usual: Usual | Dash
    last_scan_at: datetime | None
    n_scans: int
    estimated: bool  # no odometer: distances come from engine hours or days
    joined: datetime | None  # when the odometer fell for good, the last time; None: never
    findings: VehicleFindings
    roles: tuple[ScanRoles, ...]  # the last scan that tells codes apart first
    leftovers: tuple[Leftover, ...] = ()  # codes that stayed without their cause, not said there
    stock_further: tuple[StockReason, ...] = ()  # of the stock audit, beside what is to be done
    steps: tuple[Step, ...] = ()  # in stock: what would make it ready
    cured: tuple[CuredFault, ...] = ()  # of the faults that are there
    cures: Mapping[str, tuple[Cure, ...]] = field(default_factory=dict)  # of the whole fleet
    coming: tuple[str, ...] = ()  # what to expect in the next 90 days
    short_lived: tuple[Part, ...] = ()  # parts and brands of the whole fleet
