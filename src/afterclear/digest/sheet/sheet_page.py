"""One vehicle's page model -> its workshop sheet.  Pure.

A sheet has room for a few faults: those for safety first, each with the codes that follow from it
under it. What does not fit is named, and the vehicle's page has it.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from afterclear.catalogue.component import component_of
from afterclear.digest.common import file_names
from afterclear.digest.common.model import AttemptView, Fault
from afterclear.digest.input.row_types import Repair
from afterclear.digest.sheet.cause_checks import check_words
from afterclear.digest.sheet.sheet_model import FaultToMend, Sheet
from afterclear.digest.sheet.tried_parts import Visit, not_to_fit, suspect_words, tried, visits_on
from afterclear.digest.vehicle.vehicle_model import EpisodeView, VehiclePage
from afterclear.finding_tables.roles import Role
from afterclear.wording.cells import Cells
from afterclear.wording.cures import fault_cures
from afterclear.wording.roles import role_sentence

MOST_FAULTS = 3  # on one side of A4 with room for findings
_MOST_VISITS = 4  # of one fault; more are on the vehicle's page

_Key = tuple[str, str]  # control unit, code


def build_sheet(page: VehiclePage, cells: Cells) -> Sheet | None:
    """Make the sheet of a vehicle; None: there is nothing to do about it."""
    if page.work is None:
        return None
    maker = _Maker(page, cells)
    faults = [*maker.present(), *maker.to_check()]
    hours = [line for line in page.log if line.kind == "scan" and line.km is not None]
    used = [r for r in page.readings if r.set_aside in {None, "lasting_drop"}]
    return Sheet(
        head=page.head,
        page=file_names.sheet_page(page.ref.vehicle_id),
        ref=page.ref,
        vehicle=page.vehicle,
        work=page.work,
        steps=page.steps,
        verdict=page.findings.stock.verdict if page.findings.stock else None,
        cautions=page.cautions,
        odometer=used[-1] if used else None,
        hours=hours[-1] if hours and page.head.hour_km is not None else None,
        joined=page.joined,
        coming=page.coming,
        faults=tuple(faults[:MOST_FAULTS]),
        further=tuple(found.fault for found in faults[MOST_FAULTS:]),
    )


@dataclass(frozen=True)
class _Maker:
    """Makes the parts of one sheet."""

    page: VehiclePage
    cells: Cells

    def present(self) -> Iterator[FaultToMend]:
        """Yield the faults that are there, those that follow from another under it."""
        open_now = {_key(e): e for e in self.page.episodes if e.row.ended_by == "open"}
        roles = _latest_roles(self.page.findings.roles)
        heads = {key: _head(key, roles, open_now) for key in open_now}
        for key in sorted(open_now, key=lambda k: self._place(open_now[k])):
            if heads[key] == key:
                own = [open_now[k].fault for k, head in heads.items() if head == key != k]
                yield self._fault(open_now[key], roles.get(key), own)

    def to_check(self) -> Iterator[FaultToMend]:
        """Yield the faults that are gone and of which a scan is to show whether the fix held."""
        named = {
            name
            for row in self.page.findings.work
            if row.audience in {"fleet", "stock"} and row.rank
            for name in (row.attempt_ids or "").split()
        }
        seen: set[_Key] = set()
        for view in self.page.attempts:
            key = (view.row.ecu, view.row.code)
            if view.row.attempt_id in named and not view.present and key not in seen:
                seen.add(key)
                yield self._described(view.fault, view.row.family, None, ())

    @staticmethod
    def _place(found: EpisodeView) -> tuple[bool, float]:
        return not found.fault.safety, found.row.onset_high_at.timestamp()

    def _fault(
        self, found: EpisodeView, role: Role | None, followers: Sequence[Fault]
    ) -> FaultToMend:
        checks = []
        if role is not None and role.role == "consequential":
            checks.append(role_sentence(role.reason, role.facts, self.cells))
        described = self._described(found.fault, found.row.family, found, followers)
        stays = [
            role_sentence(row.reason, row.facts, self.cells)
            for row in self.page.findings.leftovers
            if (row.ecu, row.code) == _key(found) and row.is_open
        ]
        # what stays without its cause is no longer a mere report of another unit
        return replace(described, checks=(*checks, *(stays or described.checks)))

    def _described(
        self,
        fault: Fault,
        family: str | None,
        found: EpisodeView | None,
        followers: Sequence[Fault],
    ) -> FaultToMend:
        views = [view for view in self.page.attempts if _is_about(view, fault, family)]
        visits = visits_on(views, self._repairs(), family)
        row = found.row if found else None
        went_away = found is None and _came_back(visits)
        is_there = found is not None or went_away  # as a loose contact comes and goes
        return FaultToMend(
            fault=fault,
            is_present=found is not None,
            went_away=went_away,
            began_after=found.first.onset_low_at if found else None,
            seen_at=row.last_seen_at if row else None,
            seen_km=row.last_seen_km if row else None,
            n_scans=found.n_scans if found else 0,
            followers=tuple(followers),
            tried=tuple(tried(visit, fault.code, self.cells) for visit in visits[:_MOST_VISITS]),
            n_earlier=max(0, len(visits) - _MOST_VISITS),
            cured=fault_cures(self.page.cures.get(component_of(family or ""), ()), self.cells)
            if found
            else (),
            not_again=tuple(not_to_fit(visits, self.page.short_lived, family, self.cells)),
            suspect=suspect_words(visits, self.cells) if is_there else None,
            checks=(check_words(fault, self.cells),) if is_there else (),
        )

    def _repairs(self) -> list[Repair]:
        return [line for order in self.page.orders for line in order.lines]


def _key(found: EpisodeView) -> _Key:
    return found.row.ecu, found.row.code


def _latest_roles(roles: Sequence[Role]) -> Mapping[_Key, Role]:
    return {(row.ecu, row.code): row for row in roles}  # earliest first: the last one stays


def _head(key: _Key, roles: Mapping[_Key, Role], open_now: Mapping[_Key, EpisodeView]) -> _Key:
    """Find the open fault a code follows from; itself, if there is none."""
    role = roles.get(key)
    if role is None or role.role != "consequential" or role.primary_code is None:
        return key
    cause = (role.primary_ecu or "", role.primary_code)
    above = roles.get(cause)
    is_head = above is None or above.role != "consequential"
    return cause if cause in open_now and is_head else key


def _came_back(visits: Sequence[Visit]) -> bool:
    """Whether the fault was seen again after the latest work."""
    return bool(visits) and visits[0].telling.row.outcome == "came_back"


def _is_about(view: AttemptView, fault: Fault, family: str | None) -> bool:
    """Whether an attempt was at this fault, or at another code of its component."""
    row = view.row
    if row.ecu == fault.ecu and fault.code in {row.code, row.related_code}:
        return True
    return family is not None and row.family == family
