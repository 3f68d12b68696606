"""Consequential codes that outlive their cause, and work done on them. Pure: rows in, rows out.

A consequential code is left over when its primary was repaired and is absent in a scan that read
its unit, the memory of its own unit was cleared since, and the code is there all the same. Then it
is a separate fault. If the memory was not cleared, the code may be only an old entry.
"""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from afterclear.findings.common.facts_json import as_json, iso
from afterclear.reasons import Fact, RoleReason

_STILL_SURE: Final = 0.8  # that a left-over code is a separate fault: own judgement
_NOT_CLEARED: Final = 0.7

Label = Callable[[str], str]  # a control unit's function -> its name for people
Fault = tuple[str, str, str]  # vehicle, control unit (function), code


@dataclass(frozen=True, slots=True)
class RoleRow:
    """A role with its scan."""

    scan_id: str
    vehicle_id: str
    ecu: str
    code: str
    seen_at: datetime
    role: str
    primary_ecu: str | None
    primary_code: str | None
    confidence: float
    basis: str
    source: str | None
    to_scan: str | None
    reason: str
    facts: str  # JSON: the parameters of ``reason``
    unit: str  # the control unit's function, whatever name the scan uses
    primary_unit: str | None

    @property
    def fault(self) -> Fault:
        """The fault whose role it is."""
        return (self.vehicle_id, self.unit, self.code)

    @property
    def primary(self) -> Fault | None:
        """The named cause; None if there is none."""
        if self.role != "consequential" or self.primary_unit is None or self.primary_code is None:
            return None
        return (self.vehicle_id, self.primary_unit, self.primary_code)


@dataclass(frozen=True, slots=True)
class Repair:
    """A repair aimed at a code: one fix attempt."""

    attempt_id: str
    fault: Fault
    ecu: str  # as spelled in the rows
    at: datetime
    repair_id: str | None
    site: str | None
    parts: str | None
    cost: float | None
    currency: str | None
    returned_scan_id: str | None


@dataclass(frozen=True, slots=True)
class Leftover:
    """A consequential code that is still there although its cause was repaired."""

    vehicle_id: str
    ecu: str
    code: str
    primary_ecu: str
    primary_code: str
    repair_id: str | None
    repaired_at: datetime
    first_scan_id: str
    first_seen_at: datetime
    last_seen_at: datetime
    n_scans: int
    is_open: bool
    reason: str
    facts: str  # JSON: the parameters of ``reason``


@dataclass(frozen=True, slots=True)
class EchoWork:
    """A repair aimed at a consequential code."""

    repair: Repair
    role: RoleRow
    reason: str
    facts: str  # JSON: the parameters of ``reason``


@dataclass(frozen=True)
class Histories:
    """What is known of the vehicles beside their roles."""

    repairs: Sequence[Repair]
    clears: Mapping[tuple[str, str], Sequence[datetime]]  # by vehicle and unit, in order
    reads: frozenset[tuple[str, str, str]]  # vehicle, scan, unit whose stored memory was read
    shown: frozenset[tuple[str, str, str, str]]  # vehicle, scan, unit, code
    open_now: frozenset[Fault]
    visit: timedelta  # work and scans within this time are one visit


def find_leftovers(
    rows: Iterable[RoleRow], known: Histories, label: Label
) -> tuple[list[RoleRow], list[Leftover]]:
    """Return the roles with left-over codes corrected, and one row for each of these.

    ``rows``: in the order of their scans, vehicle by vehicle.
    """
    by_fault: dict[Fault, list[Repair]] = defaultdict(list)
    for work in sorted(known.repairs, key=lambda r: (r.at, r.attempt_id)):
        by_fault[work.fault].append(work)
    last_cause: dict[Fault, RoleRow] = {}
    mended: list[RoleRow] = []
    found: dict[tuple[Fault, Fault], list[tuple[RoleRow, Repair]]] = defaultdict(list)
    for row in rows:
        before = last_cause.get(row.fault)
        now = row
        if row.primary is not None:
            last_cause[row.fault] = row
        elif (
            row.role == "stands_alone"
            and before is not None
            and (repair := _repaired(before, row, by_fault, known))
        ):
            now = _outlived(row, before, repair, known, label)
            if now.role == "stands_alone" and before.primary is not None:
                found[(row.fault, before.primary)].append((now, repair))
        mended.append(now)
    return mended, [_leftover(fault, cause, seen, known) for (fault, cause), seen in found.items()]


def _repaired(
    before: RoleRow, row: RoleRow, repairs: Mapping[Fault, Sequence[Repair]], known: Histories
) -> Repair | None:
    """Find the latest repair of the cause, if this scan shows that the cause is gone."""
    cause = before.primary
    if cause is None or (row.vehicle_id, row.scan_id, cause[1]) not in known.reads:
        return None
    if (row.vehicle_id, row.scan_id, cause[1], cause[2]) in known.shown:
        return None
    since = [
        r for r in repairs.get(cause, ()) if before.seen_at - known.visit <= r.at <= row.seen_at
    ]
    return since[-1] if since else None


def _outlived(
    row: RoleRow, before: RoleRow, repair: Repair, known: Histories, label: Label
) -> RoleRow:
    """Judge a consequential code whose cause was repaired: now separate, or just not cleared."""
    cleared = known.clears.get((row.vehicle_id, row.unit), ())
    n_before = bisect_right(cleared, row.seen_at)
    last = cleared[n_before - 1] if n_before else None
    facts: dict[str, Fact] = {
        "code": row.code,
        "unit": label(row.unit),
        "cause_code": repair.fault[2],
        "cause_unit": label(repair.fault[1]),
        "repaired_on": iso(repair.at),
    }
    if last is None or last < repair.at - known.visit:
        return replace(
            row,
            role="consequential",
            primary_ecu=before.primary_ecu,
            primary_code=before.primary_code,
            primary_unit=before.primary_unit,
            confidence=_NOT_CLEARED,
            basis=before.basis,
            source=before.source,
            to_scan=None,
            reason=RoleReason.NOT_CLEARED_SINCE,
            facts=as_json(facts),
        )
    return replace(
        row,
        role="stands_alone",
        primary_ecu=None,
        primary_code=None,
        primary_unit=None,
        confidence=_STILL_SURE,
        basis=before.basis,
        to_scan=None,
        reason=RoleReason.OUTLIVED_CAUSE,
        facts=as_json(facts | {"cleared_on": iso(last)}),
    )


def _leftover(
    fault: Fault, cause: Fault, seen: Sequence[tuple[RoleRow, Repair]], known: Histories
) -> Leftover:
    first, repair = seen[0]
    last = seen[-1][0]
    return Leftover(
        vehicle_id=fault[0],
        ecu=last.ecu,
        code=fault[2],
        primary_ecu=cause[1],
        primary_code=cause[2],
        repair_id=repair.repair_id,
        repaired_at=repair.at,
        first_scan_id=first.scan_id,
        first_seen_at=first.seen_at,
        last_seen_at=last.seen_at,
        n_scans=len(seen),
        is_open=fault in known.open_now,
        reason=last.reason,
        facts=last.facts,
    )


def work_on_consequential(
    rows: Iterable[RoleRow], known: Histories, label: Label
) -> list[EchoWork]:
    """List repairs aimed at a consequential code, with the cause they did not repair.

    The last scan before the work counts; if that did not read the unit the code points at, the scan
    in which the code came back.
    """
    by_fault: dict[Fault, list[RoleRow]] = defaultdict(list)
    for row in rows:
        by_fault[row.fault].append(row)
    worked_on: dict[Fault, list[Repair]] = defaultdict(list)
    for repair in known.repairs:
        worked_on[repair.fault].append(repair)
    found = []
    for repair in known.repairs:
        role, late = _role_at(by_fault.get(repair.fault, ()), repair, known.visit)
        cause = role.primary if role else None
        if role is None or cause is None:
            continue
        if any(_same_visit(work, repair, known.visit) for work in worked_on.get(cause, ())):
            continue
        found.append(EchoWork(repair, role, *_consequential_reason(repair, role, label, late=late)))
    return found


def _same_visit(one: Repair, other: Repair, visit: timedelta) -> bool:
    same_order = one.repair_id is not None and one.repair_id == other.repair_id
    return same_order or abs(one.at - other.at) <= visit


def _role_at(
    rows: Sequence[RoleRow], repair: Repair, visit: timedelta
) -> tuple[RoleRow | None, bool]:
    """Return a code's role when work on it began; True: known only since it came back."""
    before = [row for row in rows if row.seen_at <= repair.at + visit]
    role = before[-1] if before else None
    if role is not None and role.role == "consequential" and role.primary is None:
        back = [row for row in rows if row.scan_id == repair.returned_scan_id]
        return (back[0], True) if back else (role, False)
    return role, False


def _consequential_reason(
    repair: Repair, role: RoleRow, label: Label, *, late: bool
) -> tuple[RoleReason, str]:
    facts: dict[str, Fact] = {
        "code": role.code,
        "unit": label(role.unit),
        "cause_code": role.primary_code,
        "cause_unit": label(role.primary_unit or ""),
        "worked_on": iso(repair.at),
        "parts": repair.parts,
        "cost": repair.cost,
        "currency": repair.currency,
    }
    if late:
        facts["read_on"] = iso(role.seen_at)
        return RoleReason.WORK_ON_FOLLOWER_UNREAD, as_json(facts)
    return RoleReason.WORK_ON_FOLLOWER, as_json(facts)
