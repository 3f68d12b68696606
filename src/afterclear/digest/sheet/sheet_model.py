"""Page model of a workshop sheet: what somebody who is to repair a vehicle needs on one page."""

from dataclasses import dataclass
from datetime import datetime

from afterclear.digest.common.model import Fault, PageHead, VehicleRef, WorkItem
from afterclear.digest.input.frames import Caution
from afterclear.digest.input.row_types import OdometerReading, Vehicle
from afterclear.digest.vehicle.vehicle_model import LogLine
from afterclear.wording.cells import Clock
from afterclear.wording.stock_steps import Step


@dataclass(frozen=True, slots=True)
class Tried:
    """One visit in which somebody worked on a fault, and what became of it."""

    at: datetime
    km: float | None  # on the odometer line
    clock: Clock  # what ``km`` was estimated from
    done: str  # in words, with part number and brand
    repair_id: str | None
    site: str | None
    codes: tuple[str, ...]  # worked on; empty: just the one the sheet names
    result: str  # in words


@dataclass(frozen=True, slots=True)
class FaultToMend:
    """A fault to work on, or one whose fix is to be checked."""

    fault: Fault
    is_present: bool
    went_away: bool  # it came back after the latest work, and is not there now
    began_after: datetime | None  # None: there at the first scan, or not there now
    seen_at: datetime | None  # last; None: not there now
    seen_km: float | None
    n_scans: int
    followers: tuple[Fault, ...]  # codes that follow from it
    tried: tuple[Tried, ...]  # latest first
    n_earlier: int  # visits before those
    cured: tuple[str, ...]  # what cured such faults in the fleet
    not_again: tuple[str, ...]  # what not to fit again, and why
    suspect: str | None  # if parts of one kind did not cure it twice
    checks: tuple[str, ...]  # what tells its causes apart


@dataclass(frozen=True, slots=True)
class Sheet:
    """One vehicle's sheet."""

    head: PageHead
    page: str  # file name relative to the digest's folder
    ref: VehicleRef
    vehicle: Vehicle
    work: WorkItem
    steps: tuple[Step, ...]  # in stock: what would make it ready, as the stock page says it
    verdict: str | None  # in stock: hold, rescan or ready
    cautions: tuple[Caution, ...]
    odometer: OdometerReading | None  # the last one used, as displayed
    hours: LogLine | None  # the last scan with a reading, of a vehicle without odometer
    joined: datetime | None  # when the odometer fell for good, the last time; None: never
    coming: tuple[str, ...]  # what to expect in the next 90 days
    faults: tuple[FaultToMend, ...]  # safety first, codes that follow from another under it
    further: tuple[Fault, ...]  # present faults for which the sheet has no room
