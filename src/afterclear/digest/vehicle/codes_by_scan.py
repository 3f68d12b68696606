"""A vehicle's codes grouped by scan: the fault first, its consequential codes under it.  Pure."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from afterclear.finding_tables.roles import Leftover, Role
from afterclear.reasons import RoleReason

_MOST_SCANS = 12  # earlier scans with consequential codes that are shown; ``export roles`` has all


@dataclass(frozen=True, slots=True)
class RoleGroup:
    """One code and its consequential codes."""

    head: Role
    followers: tuple[Role, ...]


@dataclass(frozen=True, slots=True)
class ScanRoles:
    """What each code of one scan is."""

    scan_id: str
    at: datetime | None
    groups: tuple[RoleGroup, ...]  # those with consequential codes first

    @property
    def n_followers(self) -> int:
        """Count the codes that follow from another."""
        return sum(len(group.followers) for group in self.groups)


def scan_roles(roles: Sequence[Role]) -> tuple[ScanRoles, ...]:
    """Group the last scan that tells codes apart, then those with consequential codes before it.

    Latest first.  A code that is alone in its scan is told apart from nothing, and may be no more
    than a sign.
    """
    by_scan: dict[str, list[Role]] = defaultdict(list)
    for role in roles:
        by_scan[role.scan_id].append(role)
    scans = [_scan(scan_id, rows) for scan_id, rows in by_scan.items()]
    scans.sort(key=_time, reverse=True)
    scans = [scan for scan in scans if not _is_alone(scan)]
    return tuple(scan for i, scan in enumerate(scans) if i == 0 or scan.n_followers)[:_MOST_SCANS]


def untold(leftovers: Sequence[Leftover], scans: Sequence[ScanRoles]) -> tuple[Leftover, ...]:
    """Return the codes that stayed without their cause, but those the shown scan says that of."""
    told = {(g.head.ecu, g.head.code, g.head.reason) for scan in scans[:1] for g in scan.groups}
    return tuple(row for row in leftovers if (row.ecu, row.code, row.reason) not in told)


def _is_alone(scan: ScanRoles) -> bool:
    return [group.head.reason for group in scan.groups] == [RoleReason.ONLY_CODE]


def _time(scan: ScanRoles) -> tuple[float, str]:
    return (scan.at.timestamp() if scan.at else 0.0, scan.scan_id)


def _scan(scan_id: str, rows: Sequence[Role]) -> ScanRoles:
    known = {(row.ecu, row.code): row for row in rows}
    followers: dict[tuple[str, str], list[Role]] = defaultdict(list)
    heads: list[Role] = []
    for row in rows:
        head = _head(row, known)
        if head is row:
            heads.append(row)
        else:
            followers[head.ecu, head.code].append(row)
    groups = [RoleGroup(head, tuple(followers[head.ecu, head.code])) for head in heads]
    groups.sort(key=lambda g: (not g.followers, g.head.role != "primary", g.head.ecu, g.head.code))
    return ScanRoles(scan_id, next((row.seen_at for row in rows), None), tuple(groups))


def _head(row: Role, known: Mapping[tuple[str, str], Role]) -> Role:
    """Find the code of the same scan a row follows from; itself, if there is none."""
    if row.role != "consequential" or row.primary_code is None:
        return row
    found = known.get((row.primary_ecu or "", row.primary_code))
    return found if found is not None and found.role != "consequential" else row
