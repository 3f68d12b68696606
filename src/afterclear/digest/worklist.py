"""Which vehicles to do something about, and why.  Pure.

A vehicle is to be brought in for a fault that is there in the last scan that could show it, and
to be scanned where only a scan can tell: a fault last seen long ago, a safety repair nobody has
checked, a fix that one more clean scan would prove.
"""

from datetime import timedelta

from afterclear.digest.assess import Assessment, Faults, Setting, cautions_of
from afterclear.digest.model import AttemptView, PresentFault, WorkItem, WorkReason
from afterclear.wording.cells import Cells
from afterclear.wording.language import mark

# ranks of reasons; lower first.  Safety comes before all of them.
_CAME_BACK, _NEVER_GONE, _NOT_WORKED_ON, _SCAN_OLD, _SCAN_UNCHECKED, _SCAN_DUE = range(6)
_FIRST_SCAN_RANK = _SCAN_OLD

_DEED_OF = {"repair": mark("the repair of {day}"), "clear_only": mark("the clear of {day}")}


def work_of(assessment: Assessment | Faults, setting: Setting) -> WorkItem | None:
    """Say what to do about one vehicle; None if there is nothing to do."""
    if assessment.ref.sold:
        return None
    reasons = [_present_reason(fault, setting) for fault in assessment.present]
    reasons += [
        reason
        for view in assessment.attempts
        if view.current and (reason := _scan_reason(view, setting.cells)) is not None
    ]
    if not reasons:
        return None
    reasons.sort(key=_reason_order)
    bring_in = [r for r in reasons if r.rank < _FIRST_SCAN_RANK]
    deciding = bring_in or reasons
    return WorkItem(
        vehicle=assessment.ref,
        action="bring_in" if bring_in else "scan",
        safety=any(reason.fault.safety for reason in deciding),
        reasons=tuple(reasons),
        cautions=cautions_of(reason.fault for reason in reasons),
    )


def work_order(item: WorkItem) -> tuple[bool, bool, int, float, str]:
    """Order items without a rank: bring in before scan, safety first, then by their reasons."""
    first = item.reasons[0]
    return (
        item.action != "bring_in",
        not item.safety,
        first.rank,
        -first.at.timestamp(),
        item.vehicle.vehicle_id,
    )


def _reason_order(reason: WorkReason) -> tuple[bool, bool, int, float, str]:
    return (
        reason.rank >= _FIRST_SCAN_RANK,
        not reason.fault.safety,
        reason.rank,
        -reason.at.timestamp(),
        reason.fault.code,
    )


def _present_reason(found: PresentFault, setting: Setting) -> WorkReason:
    cells = setting.cells
    last = cells.day(found.last_seen_at)
    quiet = setting.as_of - found.last_seen_at > timedelta(days=setting.settings.quiet_days)
    if found.failed is not None:
        rank, text = _failed_text(found.failed, cells)
    else:
        rank = _NOT_WORKED_ON
        text = _untouched_text(found, cells)
    if quiet:
        told = cells.t(
            "last seen on {day} and not scanned since; scan before booking work", day=last
        )
        return WorkReason(found.fault, told, _SCAN_OLD, found.last_seen_at)
    told = cells.t("{text}; last seen on {day}", text=text, day=last)
    return WorkReason(found.fault, told, rank, found.last_seen_at)


def _untouched_text(found: PresentFault, cells: Cells) -> str:
    first = cells.day(found.onset_high_at)
    if found.onset_low_at:
        return cells.tn(
            "seen since {day} in {n} scan, no repair or clear since",
            "seen since {day} in {n} scans, no repair or clear since",
            found.n_scans,
            day=first,
        )
    return cells.tn(
        "seen since the first scan on {day} in {n} scan, no repair or clear since",
        "seen since the first scan on {day} in {n} scans, no repair or clear since",
        found.n_scans,
        day=first,
    )


def _failed_text(view: AttemptView, cells: Cells) -> tuple[int, str]:
    row = view.row
    deed = cells.t(_DEED_OF[row.kind], day=cells.day(row.attempted_at))
    if row.stayed:
        return _NEVER_GONE, cells.t("never gone after {deed}", deed=deed)
    when = cells.between(row.returned_low_km, row.returned_high_km, row.clock)
    return _CAME_BACK, cells.t("came back {when} after {deed}", when=when, deed=deed)


def _scan_reason(view: AttemptView, cells: Cells) -> WorkReason | None:
    row = view.row
    if row.outcome == "unchecked" and view.fault.safety:
        day = cells.day(row.attempted_at)
        text = cells.t("worked on {day}, not checked by any scan since", day=day)
        return WorkReason(view.fault, text, _SCAN_UNCHECKED, row.attempted_at)
    if view.due is not None and view.due.passed:
        deed = cells.t(_DEED_OF[row.kind], day=cells.day(row.attempted_at))
        text = cells.t("one clean scan now would prove {deed}", deed=deed)
        return WorkReason(view.fault, text, _SCAN_DUE, row.attempted_at)
    return None
