"""Why a vehicle in stock is not ready, in the reader's words.  Pure."""

import json
from typing import Final

from afterclear.reasons import STOCK_PARAMETERS, Facts, StockReason
from afterclear.wording.cells import Cells
from afterclear.wording.facts import filled
from afterclear.wording.language import mark

R = StockReason

SAID: Final[dict[StockReason, tuple[str, ...]]] = {
    R.NO_SCAN: (mark("No scan of this vehicle is known."),),
    R.SCAN_PARTIAL: (
        mark("The last scan read only these units: {units}; not read: {unread}."),
        mark("The last scan read only these units: {units}."),
    ),
    R.SCAN_OLD: (mark("The last full scan was on {scanned_on}, {days} days ago."),),
    R.DRIVEN_SINCE_SCAN: (mark("About {driven_km} were driven since the last scan."),),
    R.UNIT_SILENT: (
        mark("The {unit} gave no answer in the last scan, so nothing is known of its codes."),
    ),
    R.RECENT_CLEAR_EXPLAINED: (
        mark(
            "The memory was cleared {since_clear_km} before the last scan, most likely at the "
            "work of {repaired_on}. No codes so soon means not tested yet."
        ),
        mark(
            "The memory was cleared {warmups} warm-ups before the last scan, most likely at the "
            "work of {repaired_on}. No codes so soon means not tested yet."
        ),
    ),
    R.RECENT_CLEAR_RECORDED: (
        mark(
            "The memory was cleared {since_clear_km} before the last scan, on record for "
            "{cleared_on}. No codes so soon means not tested yet."
        ),
        mark(
            "The memory was cleared {warmups} warm-ups before the last scan, on record for "
            "{cleared_on}. No codes so soon means not tested yet."
        ),
    ),
    R.RECENT_CLEAR_UNRECORDED: (
        mark(
            "The memory was cleared {since_clear_km} before the last scan, and "
            "no record or work order here mentions it. This is an observation, "
            "not an accusation: a repair, a battery change and a software "
            "update are usual causes. Ask what was done."
        ),
        mark(
            "The memory was cleared {warmups} warm-ups before the last scan, "
            "and no record or work order here mentions it. This is an "
            "observation, not an accusation: a repair, a battery change and a "
            "software update are usual causes. Ask what was done."
        ),
    ),
    R.MONITORS_INCOMPLETE_ALLOWED: (
        mark(
            "Self-tests not completed since the last clear: {monitors}. "
            "The programme {programme} allows it."
        ),
    ),
    R.MONITORS_INCOMPLETE: (
        mark(
            "Self-tests not completed since the last clear: {monitors}. "
            "We allow about {usual_km} more of mixed driving after the last scan; there is "
            "no published distance."
        ),
    ),
    R.PERMANENT_CODE_REPAIRED: (
        mark(
            "{code} in the {unit} is still listed as permanent. It was repaired on "
            "{repaired_on}; it leaves by itself once its self-test has passed."
        ),
    ),
    R.PERMANENT_CODE: (
        mark(
            "{code} in the {unit} is listed as permanent: the fault was confirmed before "
            "codes were cleared, its self-test has not passed since, and no repair is on record."
        ),
    ),
    R.OPEN_SAFETY_FAULT: (
        mark(
            "{code} in the {unit} ({meaning}) is unresolved, seen last on {seen_on}, and "
            "concerns safety."
        ),
    ),
    R.OPEN_FAULT: (
        mark("{code} in the {unit} ({meaning}) is unresolved, seen last on {seen_on}."),
    ),
    R.PENDING_CODE: (mark("{code} in the {unit} is pending: a sign, not yet a fault."),),
    R.FIX_UNCHECKED: (
        mark(
            "{code} in the {unit} was {deed} on {worked_on}, and no scan since could tell "
            "whether it held."
        ),
    ),
    R.FIX_ON_WATCH: (
        mark(
            "{code} in the {unit} was {deed} on {worked_on} and has not "
            "come back so far. It counts as fixed after another {to_go_km} "
            "without the code."
        ),
        mark(
            "{code} in the {unit} was {deed} on {worked_on} and has not "
            "come back so far, but has not been clean for long enough."
        ),
    ),
    R.CODE_GONE_WITHOUT_REPAIR: (
        mark(
            "{code} in the {unit} was seen since purchase, last on {seen_on}, and is gone "
            "without a repair on record."
        ),
    ),
    R.ODOMETER_CLUSTER_REPLACED: (
        mark(
            "The odometer showed {before_km} on {before_on} and {after_km} on {after_on}: the "
            "instrument cluster was replaced on {replaced_on}, as the work order says. The "
            "readings are joined across it."
        ),
    ),
    R.ODOMETER_DROPPED: (
        mark(
            "The odometer showed {before_km} on {before_on} and {after_km} on "
            "{after_on}, and no work order explains it. A replaced cluster, a "
            "wrong unit or a typing error would also explain it. Ask for papers."
        ),
    ),
    R.ODOMETER_READING_SET_ASIDE: (
        mark("One reading of {reading_km} on {read_on} does not fit the others ({why})."),
    ),
    R.ODOMETER_BELOW_UNIT_RECORD: (
        mark(
            "The {unit} stored the code {code} at {record_km}, more than "
            "the {odometer_km} the odometer showed on {seen_on}."
        ),
        mark(
            "The {unit} counts {record_km} since its last clear, more "
            "than the {odometer_km} the odometer showed on {seen_on}."
        ),
    ),
    R.VIN_DIFFERS_UNIT_REPLACED: (
        mark(
            "The {unit} reports a different VIN from the vehicle's: the "
            "work order says it was replaced on {replaced_on}, and the "
            "vehicle's VIN has not been written to it yet."
        ),
    ),
    R.VIN_DIFFERS: (
        mark(
            "The {unit} reports a different VIN from the vehicle's. The "
            "unit may come from another vehicle."
        ),
    ),
    R.READY: (
        mark(
            "Every control unit was read, no fault is unresolved, no code was cleared only "
            "recently, and no self-test speaks against it."
        ),
    ),
}


def stock_words(reason: StockReason, facts: Facts, cells: Cells) -> str:
    r"""Return a reason of the audit in the reader's language and units.

    >>> stock_words(R.DRIVEN_SINCE_SCAN, {"driven_km": 1609.344}, Cells("mi"))
    'About 1,000\xa0mi were driven since the last scan.'
    """
    return filled(SAID[reason], STOCK_PARAMETERS[reason], facts, cells)


def audit_words(reasons: str, cells: Cells) -> str:
    """Return what decided a verdict; ``reasons``: JSON, a list of reasons with their facts."""
    deciding = json.loads(reasons)
    return " ".join(stock_words(StockReason(name), facts, cells) for name, facts in deciding)
