"""What to do about a vehicle, why, and what to scan, in the reader's words.  Pure."""

import json
from typing import Final

from afterclear.reasons import WORK_PARAMETERS, Facts, RoleReason, StockReason, Urgency, WorkReason
from afterclear.wording.cells import Cells
from afterclear.wording.facts import filled
from afterclear.wording.language import mark
from afterclear.wording.roles import SAID as ROLE_SAID
from afterclear.wording.roles import role_words
from afterclear.wording.stock import stock_words

W = WorkReason

# beside "do not drive": codes are known here, not the vehicle
ASK_FIRST: Final = mark(
    "Ask someone qualified before it is moved; what its maker says comes before this list."
)

URGENCY_WORDS: Final[dict[str, str]] = {
    Urgency.DO_NOT_DRIVE: mark("Do not drive"),
    Urgency.BOOK_THIS_WEEK: mark("Book this week"),
    Urgency.NEXT_VISIT: mark("At the next visit"),
}

SAID: Final[dict[WorkReason, tuple[str, ...]]] = {
    W.HOLD: (mark("Hold"),),
    W.SCAN_IN_FULL: (
        mark("Scan in full again after {after_km}"),
        mark("Scan in full again"),
    ),
    W.FIND_AND_REPAIR: (mark("Find and repair {code} in the {unit}"),),
    W.DIAGNOSE_ANEW: (mark("Diagnose anew and repair {code} in the {unit}"),),
    W.REPLACE_WORN_PART: (mark("Replace the worn part behind {code} in the {unit}"),),
    W.SCAN_BEFORE_BOOKING: (mark("Scan the {unit} before booking work on {code}"),),
    W.SCAN_BEFORE_WORK: (mark("Scan the {unit} before any work on {code}"),),
    W.SCAN_UNIT: (mark("Scan the {unit}"),),
    W.READ_STORED: (mark("Have the stored codes of the {unit} read, not only the active ones"),),
    W.FIND_WHY_SILENT: (mark("Find out why the {unit} gives no answer"),),
    W.NEVER_LEFT_AFTER_REPAIR: (
        mark("{code} in the {unit} ({meaning}) never left after the repair of {worked_on}."),
    ),
    W.NEVER_LEFT_AFTER_CLEAR: (
        mark("{code} in the {unit} ({meaning}) never left after the clear of {worked_on}."),
    ),
    W.CAME_BACK_AFTER_REPAIR: (
        mark(
            "{code} in the {unit} ({meaning}) came back between {low_km} and {high_km} after "
            "the repair of {worked_on}."
        ),
        mark(
            "{code} in the {unit} ({meaning}) came back within {high_km} after the repair of "
            "{worked_on}."
        ),
        mark("{code} in the {unit} ({meaning}) came back after the repair of {worked_on}."),
    ),
    W.CAME_BACK_AFTER_CLEAR: (
        mark(
            "{code} in the {unit} ({meaning}) came back between {low_km} and {high_km} after "
            "the clear of {worked_on}."
        ),
        mark(
            "{code} in the {unit} ({meaning}) came back within {high_km} after the clear "
            "of {worked_on}."
        ),
        mark("{code} in the {unit} ({meaning}) came back after the clear of {worked_on}."),
    ),
    W.OPEN_AFTER_REPAIR: (
        mark("{code} in the {unit} ({meaning}) is present after the repair of {worked_on}."),
    ),
    W.OPEN_AFTER_CLEAR: (
        mark("{code} in the {unit} ({meaning}) is present after the clear of {worked_on}."),
    ),
    W.NOT_FIRST_ATTEMPT: (mark("That was attempt no. {attempt_no}."),),
    W.GONE_WITHOUT_WORK: (
        mark(
            "It is gone again with no work on record. Cleared without a record or gone by itself, "
            "it does not count as repaired."
        ),
    ),
    W.LIKELY_WORN_OUT: (mark("The part that was fitted has most likely worn out."),),
    W.LIKELY_NOT_HELD: (
        mark("The repair most likely did not hold: the cause may be another one."),
    ),
    W.LIKELY_NEW_FAULT: (mark("It is most likely a new fault."),),
    W.CAUSE_NOT_CLEAR: (mark("Its cause is not clear."),),
    W.OPEN_SEEN_ONCE: (
        mark(
            "{code} in the {unit} ({meaning}) is present: seen in one scan, on {seen_on}, and "
            "no work on it is known."
        ),
    ),
    W.OPEN_SEEN_OFTEN: (
        mark(
            "{code} in the {unit} ({meaning}) is present: seen in {scans} scans, last on "
            "{seen_on}, and no work on it is known."
        ),
    ),
    W.FOLLOWED_BY_ONE: (mark("{codes} follows from it."),),
    W.FOLLOWED_BY_MORE: (mark("{codes} follow from it."),),
    W.UNIT_NOT_READ_SINCE: (mark("That unit has not been read since {seen_on}."),),
    W.PROVEN_AFTER: (mark("Counts as fixed after {to_go_km} more without the code."),),
    W.ONLY_ACTIVE_READ: (
        mark(
            "The last scan read only the codes active at that moment: a fault that comes and goes "
            "does not show there."
        ),
    ),
    W.ONE_SCAN_TO_PROOF: (
        mark(
            "{code} in the {unit} was {deed} on {worked_on} and is clean since; one more "
            "clean scan proves it."
        ),
    ),
    W.SILENT_FOR_SCANS: (
        mark(
            "The {unit} gave no answer in the last {scans} scans, since {since}. Nothing is "
            "known of its codes as long as it is silent."
        ),
    ),
    W.SCAN_AROUND_WORK: (
        mark("Scan the {unit} before and after the work, and again after about {again_km}."),
        mark(
            "Scan these units before and after the work, and again after about {again_km}: {units}."
        ),
        mark("Scan all units before and after the work, and again after about {again_km}."),
    ),
    W.SCAN_NOW: (
        mark("Scan the {unit} now."),
        mark("Scan these units now: {units}."),
        mark("Scan all units now."),
    ),
    W.SCAN_LATER: (
        mark(
            "Scan the {unit} as soon as {after_km} have been driven since the last odometer "
            "reading."
        ),
        mark(
            "Scan these units as soon as {after_km} have been driven since the last odometer "
            "reading: {units}."
        ),
        mark(
            "Scan all units as soon as {after_km} have been driven since the last odometer reading."
        ),
    ),
    W.TRACE_UNIT: (
        mark("Find out where the control unit comes from, and check the vehicle's papers."),
    ),
    W.DECIDED_TO_WAIT: (
        mark("Decided on {decided_on} to wait until {until_on} or until {until_km}"),
        mark("Decided on {decided_on} to wait until {until_on}"),
        mark("Decided on {decided_on} to wait until {until_km}"),
    ),
    W.DECIDED_TO_ACCEPT: (mark("Decided on {decided_on}: accepted as it is"),),
    W.DECIDED_NO_FAULT: (mark("Decided on {decided_on}: not a fault"),),
    W.DECIDED_REPAIRED_ELSEWHERE: (mark("Decided on {decided_on}: repaired elsewhere"),),
    W.COST_OF_COMPONENT: (mark("median of {orders} work orders on {component}"),),
    W.COST_OF_ALL_ORDERS: (mark("median of all {orders} orders in {currency}"),),
    W.COST_SET: (mark("the setting {setting}"),),
}

# of a vehicle without odometer
_BY_THE_HOUR_METER: Final[dict[WorkReason, tuple[str, ...]]] = {
    W.SCAN_LATER: (
        mark("Scan the {unit} as soon as the hour meter shows {after_km} more."),
        mark("Scan these units as soon as the hour meter shows {after_km} more: {units}."),
        mark("Scan all units as soon as the hour meter shows {after_km} more."),
    ),
}


def work_words(reason: WorkReason, facts: Facts, cells: Cells) -> str:
    r"""Return a reason of the worklist in the reader's language and units.

    >>> work_words(W.SCAN_AROUND_WORK, {"unit": "brakes", "again_km": 1609.344}, Cells("mi"))
    'Scan the brake control unit before and after the work, and again after about 1,000\xa0mi.'
    """
    said = SAID[reason]
    if cells.hour_km is not None:
        said = _BY_THE_HOUR_METER.get(reason, said)
    return filled(said, WORK_PARAMETERS[reason], facts, cells)


def deed_words(reasons: str, cells: Cells) -> str:
    """Say what to do; ``reasons``: JSON, a list of reasons with their facts."""
    first, *more = _each(reasons, cells)
    # the deeds of an English line begin with verbs; elsewhere a noun may stand first
    small = [f"{deed[:1].lower()}{deed[1:]}" for deed in more] if cells.language == "en" else more
    return "; ".join((first, *small)) + "."


def ground_words(reasons: str, cells: Cells) -> str:
    """Return why, or what to scan; reasons of the stock audit and of roles may be among them."""
    return " ".join(_each(reasons, cells))


def cost_words(reasons: str, cells: Cells) -> str:
    """Return the basis of a come-back's cost."""
    return "; ".join(_each(reasons, cells))


def decision_words(reason: str, note: str | None, cells: Cells) -> str:
    """Return what was decided; ``reason``: JSON, its code with its facts."""
    name, facts = json.loads(reason)
    said = work_words(WorkReason(name), facts, cells)
    return f"{said}: {note}" if note else said


def _each(reasons: str, cells: Cells) -> list[str]:
    return [_said(name, facts, cells) for name, facts in json.loads(reasons)]


def _said(name: str, facts: Facts, cells: Cells) -> str:
    if name in SAID:
        return work_words(WorkReason(name), facts, cells)
    if name in ROLE_SAID:
        return role_words(RoleReason(name), facts, cells)
    return stock_words(StockReason(name), facts, cells)
