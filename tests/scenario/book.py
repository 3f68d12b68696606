"""What the garages wrote down, before any site's own spelling; and what was true beside it."""

from dataclasses import dataclass, field
from datetime import datetime

from tests.scenario.catalogue import Sign


@dataclass(frozen=True, slots=True)
class Reading:
    """One row of a scan: a code of a control unit, or that it has none, or did not answer."""

    ecu: str
    answered: bool = True
    sign: Sign | None = None
    status: str = ""
    occurrences: int | None = None
    first_seen_km: int | None = None
    distance_km: int | None = None  # since the unit was cleared
    warmups: int | None = None  # since the unit was cleared
    monitors: str = ""
    ecu_vin: str = ""


@dataclass(slots=True)
class Scan:
    """One reading of a vehicle at one moment."""

    site: str  # letter
    vehicle_id: str
    at: datetime
    km: float | None  # as the instrument showed it
    hours: float | None
    full: bool
    reason: str
    lamps: str
    rows: list[Reading]
    memory: str = "stored"
    late: bool = False  # delivered long after it was made
    scan_id: str = ""


@dataclass(frozen=True, slots=True)
class Line:
    """One part of a work order, or the work where no part was fitted."""

    action: str
    family: str
    number: str = ""
    brand: str = ""
    grade: str = ""
    position: str = ""
    quantity: int = 1
    cost: float = 0.0
    removal: str = "failure"


@dataclass(slots=True)
class Order:
    """One work order."""

    site: str
    vehicle_id: str
    at: datetime
    km: float | None
    technician: str
    codes: tuple[Sign, ...]
    labour: float
    lines: list[Line]
    notes: str = ""
    repair_id: str = ""


@dataclass(frozen=True, slots=True)
class Clear:
    """One recorded clear.  ``ecu`` empty: all control units."""

    site: str
    vehicle_id: str
    at: datetime
    km: float | None
    ecu: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Truth:
    """What a fix attempt really did; no file tells this."""

    vehicle_id: str
    site: str
    at: datetime
    fault: str
    kind: str  # repair | clear_only
    cured: bool


@dataclass(frozen=True, slots=True)
class BusMoment:
    """What a recorded bus was told: the odometer, the hours, and each unit's active codes."""

    vehicle_id: str
    vin: str
    at: datetime
    km: float
    hours: float
    active: dict[str, tuple[tuple[str, int], ...]]  # unit -> codes with occurrences


@dataclass(slots=True)
class Book:
    """Everything of the whole fleet."""

    scans: list[Scan] = field(default_factory=list)
    orders: list[Order] = field(default_factory=list)
    clears: list[Clear] = field(default_factory=list)
    truths: list[Truth] = field(default_factory=list)
    recorded: list[BusMoment] = field(default_factory=list)

    def number(self) -> None:
        """Give scans and work orders their numbers, by site and time."""
        order = sorted(self.scans, key=lambda s: (s.at, s.vehicle_id, s.reason))
        counts = dict.fromkeys("ABCD", 0)
        for scan in order:
            counts[scan.site] += 1
            scan.scan_id = f"{scan.site}S-{scan.at:%y}{counts[scan.site]:04d}"
        self.scans = order
        self.orders.sort(key=lambda o: (o.at, o.vehicle_id))
        counts = dict.fromkeys("ABCD", 0)
        for work in self.orders:
            counts[work.site] += 1
            work.repair_id = f"{work.site}W-{work.at:%y}{counts[work.site]:04d}"
        self.clears.sort(key=lambda c: (c.at, c.vehicle_id, c.ecu))
