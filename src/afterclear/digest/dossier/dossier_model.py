"""Page model of a dossier: frozen numbers and sentences; no HTML here."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from afterclear.digest.common.model import PageHead, VehicleRef
from afterclear.digest.common.stock_state import InStock
from afterclear.digest.input.finding_rows import Stock, StockReason
from afterclear.digest.input.frames import Caution
from afterclear.digest.input.row_types import OdometerReading, Vehicle
from afterclear.digest.vehicle.vehicle_model import WorkOrder
from afterclear.wording.stock_steps import Step


@dataclass(frozen=True, slots=True)
class RecordFile:
    """The delivered file one record was read from."""

    vehicle_id: str
    kind: str  # scan, repair, clear, vehicle
    record_id: str
    load_id: int
    file_name: str
    sha256: str


@dataclass(frozen=True, slots=True)
class UnitReport:
    """What one control unit reported of itself in one scan."""

    vehicle_id: str
    scan_id: str
    ecu: str
    seen_at: datetime
    ecu_vin: str | None
    since_clear_km: float | None
    warmups: int | None
    monitors_incomplete: str | None  # names with blanks between; "none": all completed


@dataclass(frozen=True, slots=True)
class SourceFile:
    """A delivered file as a dossier cites it, by its number."""

    number: int
    name: str
    sha256: str


@dataclass(frozen=True, slots=True)
class ScanLine:
    """One scan, as read and as placed on the vehicle's odometer line."""

    scan_id: str
    at: datetime
    scope: str
    shown_km: float | None  # as the instrument showed it
    line_km: float | None  # as joined
    aside: str | None  # why the reading does not fit the others
    read: tuple[str, ...]
    silent: tuple[str, ...]
    codes: tuple[str, ...]  # with what a code is, where it is not simply present
    n_present: int
    files: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ClearLine:
    """Codes cleared: when, where, how it is known, and how far the vehicle went since."""

    when: str
    text: str
    order: str | None  # of the same day; of an inferred clear, the one it was most likely part of
    is_inferred: bool
    since: str
    files: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class OrderLine:
    """A work order, with the files it was read from."""

    order: WorkOrder
    files: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class VinLine:
    """An identification number, and the control units that last reported it."""

    vin: str
    units: tuple[str, ...]
    scan_ids: tuple[str, ...]
    differs: bool


@dataclass(frozen=True, slots=True)
class SelfTests:
    """What the last report says of self-tests since the last clear."""

    scan_id: str
    at: datetime
    incomplete: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class OdometerNow:
    """The last odometer reading, as shown and as joined."""

    last: OdometerReading
    joined: bool  # the instrument shows another figure than the line


@dataclass(frozen=True, slots=True)
class OddReading:
    """A reading that does not fit the others."""

    row: OdometerReading
    before: OdometerReading | None  # the reading before it; None: it is the first
    order_id: str | None  # the order for an instrument cluster that explains it


@dataclass(frozen=True, slots=True)
class Dossier:
    """Everything the records show of one vehicle, for whoever buys or sells it."""

    head: PageHead
    ref: VehicleRef
    vehicle: Vehicle
    made_at: datetime | None  # None: with the digest of ``head.as_of``
    cautions: tuple[Caution, ...]  # of every code in it, whenever it was read
    audit: Stock | None  # None: not in stock
    in_stock: InStock | None
    reasons: Sequence[StockReason]
    steps: Sequence[Step]
    vins: tuple[VinLine, ...]
    odometer: OdometerNow | None
    odd_readings: tuple[OddReading, ...]
    uncounted_km: float | None  # a new instrument may have shown before it was first read
    has_drop: bool  # the instrument showed less than before
    scans: tuple[ScanLine, ...]
    orders: tuple[OrderLine, ...]
    clears: tuple[ClearLine, ...]
    self_tests: SelfTests | None  # None: no scan reported any
    gaps: tuple[str, ...]  # what the records do not show
    files: tuple[SourceFile, ...]
    vehicle_files: tuple[int, ...]

    @property
    def shows_joined(self) -> bool:
        """Whether the joined line ever differs from what the instrument showed."""
        return any(
            scan.shown_km is None
            or scan.line_km is None
            or round(scan.shown_km) != round(scan.line_km)
            for scan in self.scans
        )
