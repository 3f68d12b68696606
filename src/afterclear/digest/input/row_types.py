"""One frozen class per frame: which columns it has, what they hold, what None means.

Field names are the frames' column names, in any order; a field with a default may be missing from
its frame.  ``at`` columns are aware UTC instants, ``km`` columns lie on the vehicle's odometer line
and are None where the line has no value.
"""

from dataclasses import MISSING, dataclass, fields
from datetime import date, datetime
from typing import Any, Literal

from afterclear.reasons import EvidenceReason
from afterclear.wording.cells import Clock

Outcome = Literal["held", "came_back", "on_watch", "unchecked"]


@dataclass(frozen=True, slots=True)
class Vehicle:
    """A vehicle as the user's own lists describe it."""

    vehicle_id: str
    vin: str | None = None
    plate: str | None = None
    make: str | None = None
    model: str | None = None
    model_year: int | None = None
    powertrain: str | None = None
    site: str | None = None
    in_service_on: date | None = None
    stock_status: str | None = None  # in_fleet, in_stock, sold
    acquired_on: date | None = None


@dataclass(frozen=True, slots=True)
class Attempt:
    """A repair aimed at a code, or a bare clear of it, and what became of it.

    ``clean_km``, ``km_to_go``, ``needed_km`` and the two ``returned`` columns are km counted from
    the attempt; ``clock`` says what they were estimated from if there is no odometer.
    """

    attempt_id: str
    vehicle_id: str
    ecu: str
    code: str
    family: str | None
    family_label: str | None
    meaning: str | None
    kind: Literal["repair", "clear_only"]
    attempt_no: int  # 1: first attempt at this fault on this vehicle
    repair_id: str | None
    site: str | None
    technician: str | None
    attempted_at: datetime
    attempted_km: float | None
    outcome: Outcome
    stayed: bool  # still there right after the clear: never gone
    p_not_held: float | None  # given all that was seen; None for a return
    p_same_fault: float | None  # for returns: the work did not hold
    clean_km: float | None
    clean_days: float | None
    km_to_go: float | None  # for on watch
    returned_low_km: float | None
    returned_high_km: float | None
    related_code: str | None  # the return showed this code of the same family instead
    scans_used: int | None
    clock: Clock
    returned_at: datetime | None
    returned_scan_id: str | None
    last_clean_at: datetime | None
    last_clean_scan_id: str | None
    ended_at: datetime | None  # the fault was worked on again; None: still under observation
    action: str | None
    parts: str | None
    cost: float | None  # of the whole work order, parts and labour
    currency: str | None
    n_group: int | None  # attempts pooled with this one for the estimate
    group_returned: int | None
    needed_km: float | None = None  # evidenced clean distance that proves it; None: not known
    p_worn: float | None = None  # for returns: the part that was fitted has worn out
    p_new: float | None = None  # for returns: a new fault; the three add up to 1
    is_site_of_vehicle: bool = False  # no record says where it was done
    beside_repair_id: str | None = None  # the order, for something else, it was cleared with
    echo_codes: str | None = None  # codes that followed from it, with spaces; counted with it
    is_echo: bool = False  # not counted: its code followed, or is of the circuit of one that is
    followed_code: str | None = None  # work on a code that only followed from this one
    followed_ecu: str | None = None


@dataclass(frozen=True, slots=True)
class Evidence:
    """What one later scan of the control unit shows about one attempt."""

    attempt_id: str
    scan_id: str
    seen_at: datetime
    km: float | None
    finding: Literal["clean", "returned", "stayed", "sign", "no_evidence"]
    reason: EvidenceReason | None
    stretch_from_km: float | None  # odometer; None unless clean
    stretch_to_km: float | None
    monitor: str | None = None  # the self-test that has not completed
    since_clear_km: float | None = None  # driven since the clear, where that was too little
    needed_km: float | None = None


@dataclass(frozen=True, slots=True)
class Episode:
    """Consecutive scans showing a code.  It began in (onset_low, onset_high]."""

    vehicle_id: str
    ecu: str
    code: str
    family: str | None
    family_label: str | None
    meaning: str | None
    onset_low_at: datetime | None  # None: there at the first scan
    onset_high_at: datetime
    onset_low_km: float | None
    onset_high_km: float | None
    last_seen_at: datetime
    last_seen_km: float | None
    ended_by: Literal["clear", "clean_scan", "open"]
    ended_high_at: datetime | None
    ended_high_km: float | None
    n_scans: int


@dataclass(frozen=True, slots=True)
class Observation:
    """One control unit in one scan; ``ecu`` None: an odometer reading only."""

    vehicle_id: str
    scan_id: str
    ecu: str | None
    seen_at: datetime
    km: float | None
    scan_scope: str | None  # full, partial
    visit_reason: str | None
    answered: bool | None
    memory: str | None  # stored, active_only
    n_codes: int | None


@dataclass(frozen=True, slots=True)
class Sighting:
    """One code of one control unit in one scan."""

    vehicle_id: str
    scan_id: str
    ecu: str
    code: str
    seen_at: datetime
    km: float | None
    presence: Literal["present", "sign", "permanent", "not_tested"]
    status: str | None


@dataclass(frozen=True, slots=True)
class ClearEvent:
    """Codes cleared in one control unit, recorded or inferred."""

    vehicle_id: str
    ecu: str
    cleared_at: datetime
    cleared_low_at: datetime | None
    cleared_high_at: datetime | None
    km_low: float | None
    km_high: float | None
    origin: Literal["recorded", "counter", "status", "with_repair", "vanished"]
    reason: str | None


@dataclass(frozen=True, slots=True)
class Repair:
    """One part, or one job without parts, of a work order."""

    repair_id: str
    vehicle_id: str
    repaired_at: datetime
    km: float | None
    site: str | None
    technician: str | None
    codes: str | None
    action: str | None
    part_number: str | None
    part_brand: str | None
    part_family: str | None
    position: str | None
    part_cost: float | None
    labour_cost: float | None
    currency: str | None
    notes: str | None


@dataclass(frozen=True, slots=True)
class OdometerReading:
    """One reading, and where the vehicle's fitted line is at that moment."""

    vehicle_id: str
    read_at: datetime
    reading_km: float
    line_km: float | None
    set_aside: Literal["single", "units", "decimal", "jump", "lasting_drop"] | None
    origin: str | None
    origin_id: str | None


@dataclass(frozen=True, slots=True)
class Standing:
    """The state of one vehicle in figures: what lists of vehicles need of its whole history.

    The ends of its line are those of the stretch its usual mileage is taken from.
    """

    n_held: int
    n_on_watch: int
    n_unchecked: int
    n_came_back: int
    last_scan_at: datetime | None  # the last time a control unit was read
    line_first_at: datetime | None
    line_first_km: float | None
    line_last_at: datetime | None
    line_last_km: float | None
    line_n: int | None  # readings in that stretch, its ends among them


def required_columns(kind: type[Any]) -> tuple[str, ...]:
    """Return the columns a frame of this kind must have."""
    return tuple(f.name for f in fields(kind) if f.default is MISSING)
