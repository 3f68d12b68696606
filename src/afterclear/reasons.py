"""Reasons as codes with numbers, which SQL and rules write.

A reason is stored as its code beside its parameters; ``wording`` makes a sentence of it for one
reader.  Words are never read back.

So another unit or language needs no new analysis. Findings about vehicles, parts and sites are
numbers and codes too (``finding_tables``). The words of codes and of the worklist are still
English, marked ``lang="en"``.
"""

from collections.abc import Mapping, Sequence
from enum import StrEnum
from typing import Final, Literal


class EvidenceReason(StrEnum):
    """What one later scan shows of a fix attempt, and why (``histories/sql/80_evidence.sql``)."""

    READ_WITHOUT = "read_without"
    SHOWN_AGAIN = "shown_again"
    FIRST_SEEN_EARLIER = "first_seen_earlier"  # shown again, and the unit dates its beginning
    OTHER_CODE_SHOWN = "other_code_shown"  # of the same circuit, begun after the work: a return
    OTHER_CODE_LISTED = "other_code_listed"  # of the same circuit, there all along
    PENDING_ONCE = "pending_once"
    STILL_THERE_SAME_VISIT = "still_there_same_visit"
    STILL_THERE_UNCLEARED = "still_there_uncleared"  # neither a clear nor a scan without it since
    SAME_VISIT_NO_CLEAR = "same_visit_no_clear"
    NOT_DRIVEN_NO_CLEAR = "not_driven_no_clear"
    OLD_ENTRY = "old_entry"  # not active now, and no clear is known since
    TEST_NOT_COMPLETED = "test_not_completed"  # by the code's own status byte
    PERMANENT_ALONE = "permanent_alone"
    SAME_VISIT_NOT_DRIVEN = "same_visit_not_driven"
    NO_ANSWER = "no_answer"
    ACTIVE_ONLY = "active_only"
    DISTANCE_UNKNOWN = "distance_unknown"
    CLEAR_DISTANCE_UNKNOWN = "clear_distance_unknown"
    SELF_TEST_INCOMPLETE = "self_test_incomplete"  # monitor
    TOO_SOON_AFTER_CLEAR = "too_soon_after_clear"  # since_clear_km, needed_km


# a reason's parameters are columns of its row; a reason not named here has none
EVIDENCE_PARAMETERS: Final[dict[EvidenceReason, tuple[str, ...]]] = {
    EvidenceReason.SELF_TEST_INCOMPLETE: ("monitor",),
    EvidenceReason.TOO_SOON_AFTER_CLEAR: ("since_clear_km", "needed_km"),
}


class StockReason(StrEnum):
    """Why a vehicle in stock is not ready, or what is to be noted (``stock/stock_rules.py``)."""

    NO_SCAN = "no_scan"
    SCAN_PARTIAL = "scan_partial"
    SCAN_OLD = "scan_old"
    DRIVEN_SINCE_SCAN = "driven_since_scan"
    UNIT_SILENT = "unit_silent"
    RECENT_CLEAR_EXPLAINED = "recent_clear_explained"
    RECENT_CLEAR_RECORDED = "recent_clear_recorded"
    RECENT_CLEAR_UNRECORDED = "recent_clear_unrecorded"
    MONITORS_INCOMPLETE_ALLOWED = "monitors_incomplete_allowed"
    MONITORS_INCOMPLETE = "monitors_incomplete"
    PERMANENT_CODE_REPAIRED = "permanent_code_repaired"
    PERMANENT_CODE = "permanent_code"
    OPEN_SAFETY_FAULT = "open_safety_fault"
    OPEN_FAULT = "open_fault"
    PENDING_CODE = "pending_code"
    FIX_UNCHECKED = "fix_unchecked"
    FIX_ON_WATCH = "fix_on_watch"
    CODE_GONE_WITHOUT_REPAIR = "code_gone_without_repair"
    ODOMETER_CLUSTER_REPLACED = "odometer_cluster_replaced"
    ODOMETER_DROPPED = "odometer_dropped"
    ODOMETER_READING_SET_ASIDE = "odometer_reading_set_aside"
    ODOMETER_BELOW_UNIT_RECORD = "odometer_below_unit_record"
    VIN_DIFFERS_UNIT_REPLACED = "vin_differs_unit_replaced"
    VIN_DIFFERS = "vin_differs"
    READY = "ready"  # nothing speaks against it


# How a parameter is written: ``km`` and ``day`` in the reader's way; ``km_to_drive`` rounded up,
# for it is an estimate that must be far enough; ``count`` a whole number;
# ``text`` as it is, ``texts`` some; ``unit`` a control unit's label, ``units`` some of them,
# ``phrase`` and ``meaning`` texts of the shipped tables (the latter of those of codes and
# components), all in the reader's language where it knows them; ``codes`` a list of codes with
# their units; ``component`` the key of one; the others by a table of words.
Kind = Literal[
    "km",
    "km_to_drive",
    "day",
    "count",
    "text",
    "texts",
    "component",
    "units",
    "unit",
    "phrase",
    "meaning",
    "codes",
    "relation",
    "monitors",
    "deed",
    "aside",
]
# days as ISO 8601; None: not known; a list in a list: a code and its unit
Fact = str | float | Sequence[str] | Sequence[Sequence[str]] | None
Facts = Mapping[str, Fact]

_FAULT: Final[dict[str, Kind]] = {"code": "text", "unit": "unit"}
_CLEARED: Final[dict[str, Kind]] = {"since_clear_km": "km", "warmups": "count"}  # one is known
_FELL: Final[dict[str, Kind]] = {
    "before_km": "km",
    "before_on": "day",
    "after_km": "km",
    "after_on": "day",
}
_FIX: Final[dict[str, Kind]] = {**_FAULT, "deed": "deed", "worked_on": "day"}

STOCK_PARAMETERS: Final[dict[StockReason, dict[str, Kind]]] = {
    StockReason.NO_SCAN: {},
    StockReason.SCAN_PARTIAL: {"units": "units", "unread": "units"},
    StockReason.SCAN_OLD: {"scanned_on": "day", "days": "count"},
    StockReason.DRIVEN_SINCE_SCAN: {"driven_km": "km"},
    StockReason.UNIT_SILENT: {"unit": "unit"},
    StockReason.RECENT_CLEAR_EXPLAINED: {**_CLEARED, "repaired_on": "day"},
    StockReason.RECENT_CLEAR_RECORDED: {**_CLEARED, "cleared_on": "day"},
    StockReason.RECENT_CLEAR_UNRECORDED: _CLEARED,
    StockReason.MONITORS_INCOMPLETE_ALLOWED: {"monitors": "monitors", "programme": "text"},
    StockReason.MONITORS_INCOMPLETE: {"monitors": "monitors", "usual_km": "km_to_drive"},
    StockReason.PERMANENT_CODE_REPAIRED: {**_FAULT, "repaired_on": "day"},
    StockReason.PERMANENT_CODE: _FAULT,
    StockReason.OPEN_SAFETY_FAULT: {**_FAULT, "meaning": "meaning", "seen_on": "day"},
    StockReason.OPEN_FAULT: {**_FAULT, "meaning": "meaning", "seen_on": "day"},
    StockReason.PENDING_CODE: _FAULT,
    StockReason.FIX_UNCHECKED: _FIX,
    StockReason.FIX_ON_WATCH: {**_FIX, "to_go_km": "km_to_drive"},
    StockReason.CODE_GONE_WITHOUT_REPAIR: {**_FAULT, "seen_on": "day"},
    StockReason.ODOMETER_CLUSTER_REPLACED: {**_FELL, "replaced_on": "day"},
    StockReason.ODOMETER_DROPPED: _FELL,
    StockReason.ODOMETER_READING_SET_ASIDE: {"reading_km": "km", "read_on": "day", "why": "aside"},
    StockReason.ODOMETER_BELOW_UNIT_RECORD: {
        **_FAULT,  # without a code: the unit's last clear
        "record_km": "km",
        "odometer_km": "km",
        "seen_on": "day",
    },
    StockReason.VIN_DIFFERS_UNIT_REPLACED: {"unit": "unit", "replaced_on": "day"},
    StockReason.VIN_DIFFERS: {"unit": "unit"},
    StockReason.READY: {},
}


class RoleReason(StrEnum):
    """Why a code is the fault or follows from another, and what became of it (``roles/``)."""

    FOLLOWS_FAULT = "follows_fault"  # it points at a unit, and that has a fault
    FOLLOWS_THROUGH = "follows_through"  # ... which has it from a third
    FOLLOWS_SUPPLY = "follows_supply"
    FOLLOWS_BUS = "follows_bus"
    FOLLOWS_HARM = "follows_harm"
    FOLLOWS_BY_FLEET = "follows_by_fleet"  # no rule says so, the fleet's own data do
    HAS_FOLLOWERS = "has_followers"
    ONLY_CODE = "only_code"
    UNRELATED = "unrelated"
    MUTUAL = "mutual"  # two units report each other
    TARGET_UNREAD = "target_unread"
    TARGET_SILENT = "target_silent"
    TARGET_CLEAN = "target_clean"
    NOT_CLEARED_SINCE = "not_cleared_since"  # its cause was repaired, its own memory not cleared
    OUTLIVED_CAUSE = "outlived_cause"
    WORK_ON_FOLLOWER = "work_on_follower"
    WORK_ON_FOLLOWER_UNREAD = "work_on_follower_unread"  # its cause was read only afterwards
    RELATED_RETURN = "related_return"


_MEANT: Final[dict[str, Kind]] = {**_FAULT, "meaning": "meaning"}
_CAUSE: Final[dict[str, Kind]] = {"cause_code": "text", "cause_unit": "unit"}
_CAUSE_MEANT: Final[dict[str, Kind]] = {**_CAUSE, "cause_meaning": "meaning"}
_POINTS: Final[dict[str, Kind]] = {**_FAULT, "relation": "relation", "target": "unit"}
_POINTED: Final[dict[str, Kind]] = {**_POINTS, "n_pointing": "count"}
# what the fleet's own scans and repairs show of a code and its cause
FLEET_COUNTS: Final[dict[str, Kind]] = {
    "n_both": "count",
    "effect_gone": "count",
    "n_cause_repaired": "count",
    "cause_gone": "count",
    "n_effect_repaired": "count",
    "cause_first": "count",
    "effect_first": "count",
}
_FOLLOWER_WORK: Final[dict[str, Kind]] = {
    **_FAULT,
    **_CAUSE,
    "worked_on": "day",
    "parts": "text",
    "cost": "count",
    "currency": "text",
}

ROLE_PARAMETERS: Final[dict[RoleReason, dict[str, Kind]]] = {
    RoleReason.FOLLOWS_FAULT: {**_POINTS, **_CAUSE_MEANT, **FLEET_COUNTS},
    RoleReason.FOLLOWS_THROUGH: {
        **_POINTS,
        "through_code": "text",
        "through_unit": "unit",
        **_CAUSE_MEANT,
        **FLEET_COUNTS,
    },
    RoleReason.FOLLOWS_SUPPLY: {**_FAULT, **_CAUSE_MEANT, **FLEET_COUNTS},
    RoleReason.FOLLOWS_BUS: {**_FAULT, **_CAUSE_MEANT, **FLEET_COUNTS},
    RoleReason.FOLLOWS_HARM: {**_FAULT, **_CAUSE_MEANT, "harm": "phrase", **FLEET_COUNTS},
    RoleReason.FOLLOWS_BY_FLEET: {**_FAULT, **_CAUSE_MEANT, **FLEET_COUNTS},
    RoleReason.HAS_FOLLOWERS: {**_MEANT, "followers": "codes"},
    RoleReason.ONLY_CODE: _MEANT,
    RoleReason.UNRELATED: _MEANT,
    RoleReason.MUTUAL: _POINTS,
    RoleReason.TARGET_UNREAD: _POINTS,
    RoleReason.TARGET_SILENT: _POINTED,
    RoleReason.TARGET_CLEAN: _POINTED,
    RoleReason.NOT_CLEARED_SINCE: {**_FAULT, **_CAUSE, "repaired_on": "day"},
    RoleReason.OUTLIVED_CAUSE: {
        **_FAULT,
        **_CAUSE,
        "repaired_on": "day",
        "cleared_on": "day",
    },
    RoleReason.WORK_ON_FOLLOWER: _FOLLOWER_WORK,
    RoleReason.WORK_ON_FOLLOWER_UNREAD: {**_FOLLOWER_WORK, "read_on": "day"},
    RoleReason.RELATED_RETURN: {
        **_FAULT,
        "worked_on": "day",
        "related_code": "text",
        "component": "meaning",
        "seen_on": "day",
        "km_after": "km",
    },
}


# a cause of a come-back with this chance is called the likely one; own judgement
CLEAR_CAUSE: Final = 0.6


class Urgency(StrEnum):
    """How soon there is something to do, the most urgent first (``config/urgency.csv``)."""

    DO_NOT_DRIVE = "do_not_drive"
    BOOK_THIS_WEEK = "book_this_week"
    NEXT_VISIT = "next_visit"


class WorkReason(StrEnum):
    """What to do about a vehicle, why, and what to scan (``findings/work``)."""

    # what to do
    HOLD = "hold"
    SCAN_IN_FULL = "scan_in_full"
    FIND_AND_REPAIR = "find_and_repair"
    DIAGNOSE_ANEW = "diagnose_anew"
    REPLACE_WORN_PART = "replace_worn_part"
    SCAN_BEFORE_BOOKING = "scan_before_booking"
    SCAN_BEFORE_WORK = "scan_before_work"
    SCAN_UNIT = "scan_unit"
    READ_STORED = "read_stored"
    FIND_WHY_SILENT = "find_why_silent"
    # why; with those of the audit and the roles, which are quoted as they are
    NEVER_LEFT_AFTER_REPAIR = "never_left_after_repair"
    NEVER_LEFT_AFTER_CLEAR = "never_left_after_clear"
    CAME_BACK_AFTER_REPAIR = "came_back_after_repair"
    CAME_BACK_AFTER_CLEAR = "came_back_after_clear"
    OPEN_AFTER_REPAIR = "open_after_repair"
    OPEN_AFTER_CLEAR = "open_after_clear"
    NOT_FIRST_ATTEMPT = "not_first_attempt"
    GONE_WITHOUT_WORK = "gone_without_work"
    LIKELY_WORN_OUT = "likely_worn_out"
    LIKELY_NOT_HELD = "likely_not_held"
    LIKELY_NEW_FAULT = "likely_new_fault"
    CAUSE_NOT_CLEAR = "cause_not_clear"
    OPEN_SEEN_ONCE = "open_seen_once"
    OPEN_SEEN_OFTEN = "open_seen_often"
    FOLLOWED_BY_ONE = "followed_by_one"
    FOLLOWED_BY_MORE = "followed_by_more"
    UNIT_NOT_READ_SINCE = "unit_not_read_since"
    PROVEN_AFTER = "proven_after"
    ONLY_ACTIVE_READ = "only_active_read"
    ONE_SCAN_TO_PROOF = "one_scan_to_proof"
    SILENT_FOR_SCANS = "silent_for_scans"
    # what to scan, and when: one unit, several, or (neither known) all
    SCAN_AROUND_WORK = "scan_around_work"
    SCAN_NOW = "scan_now"
    SCAN_LATER = "scan_later"
    TRACE_UNIT = "trace_unit"  # nothing to scan: the vehicle is held for a foreign unit alone
    # what people decided
    DECIDED_TO_WAIT = "decided_to_wait"
    DECIDED_TO_ACCEPT = "decided_to_accept"
    DECIDED_NO_FAULT = "decided_no_fault"
    DECIDED_REPAIRED_ELSEWHERE = "decided_repaired_elsewhere"
    # what the cost of a come-back is taken from
    COST_OF_COMPONENT = "cost_of_component"
    COST_OF_ALL_ORDERS = "cost_of_all_orders"
    COST_SET = "cost_set"


_AFTER: Final[dict[str, Kind]] = {**_MEANT, "worked_on": "day"}
_BACK: Final[dict[str, Kind]] = {**_AFTER, "low_km": "km", "high_km": "km"}  # as far as known
_UNITS: Final[dict[str, Kind]] = {"unit": "unit", "units": "units"}
_DECIDED: Final[dict[str, Kind]] = {"decided_on": "day"}

WORK_PARAMETERS: Final[dict[WorkReason, dict[str, Kind]]] = {
    WorkReason.HOLD: {},
    WorkReason.SCAN_IN_FULL: {"after_km": "km_to_drive"},
    WorkReason.FIND_AND_REPAIR: _FAULT,
    WorkReason.DIAGNOSE_ANEW: _FAULT,
    WorkReason.REPLACE_WORN_PART: _FAULT,
    WorkReason.SCAN_BEFORE_BOOKING: _FAULT,
    WorkReason.SCAN_BEFORE_WORK: _FAULT,
    WorkReason.SCAN_UNIT: {"unit": "unit"},
    WorkReason.READ_STORED: {"unit": "unit"},
    WorkReason.FIND_WHY_SILENT: {"unit": "unit"},
    WorkReason.NEVER_LEFT_AFTER_REPAIR: _AFTER,
    WorkReason.NEVER_LEFT_AFTER_CLEAR: _AFTER,
    WorkReason.CAME_BACK_AFTER_REPAIR: _BACK,
    WorkReason.CAME_BACK_AFTER_CLEAR: _BACK,
    WorkReason.OPEN_AFTER_REPAIR: _AFTER,
    WorkReason.OPEN_AFTER_CLEAR: _AFTER,
    WorkReason.NOT_FIRST_ATTEMPT: {"attempt_no": "count"},
    WorkReason.GONE_WITHOUT_WORK: {},
    WorkReason.LIKELY_WORN_OUT: {},
    WorkReason.LIKELY_NOT_HELD: {},
    WorkReason.LIKELY_NEW_FAULT: {},
    WorkReason.CAUSE_NOT_CLEAR: {},
    WorkReason.OPEN_SEEN_ONCE: {**_MEANT, "seen_on": "day"},
    WorkReason.OPEN_SEEN_OFTEN: {**_MEANT, "scans": "count", "seen_on": "day"},
    WorkReason.FOLLOWED_BY_ONE: {"codes": "texts"},
    WorkReason.FOLLOWED_BY_MORE: {"codes": "texts"},
    WorkReason.UNIT_NOT_READ_SINCE: {"seen_on": "day"},
    WorkReason.PROVEN_AFTER: {"to_go_km": "km_to_drive"},
    WorkReason.ONLY_ACTIVE_READ: {},
    WorkReason.ONE_SCAN_TO_PROOF: _FIX,
    WorkReason.SILENT_FOR_SCANS: {"unit": "unit", "scans": "count", "since": "day"},
    WorkReason.SCAN_AROUND_WORK: {**_UNITS, "again_km": "km_to_drive"},
    WorkReason.SCAN_NOW: _UNITS,
    WorkReason.SCAN_LATER: {**_UNITS, "after_km": "km_to_drive"},
    WorkReason.TRACE_UNIT: {},
    WorkReason.DECIDED_TO_WAIT: {**_DECIDED, "until_on": "day", "until_km": "km"},  # one is known
    WorkReason.DECIDED_TO_ACCEPT: _DECIDED,
    WorkReason.DECIDED_NO_FAULT: _DECIDED,
    WorkReason.DECIDED_REPAIRED_ELSEWHERE: _DECIDED,
    WorkReason.COST_OF_COMPONENT: {"orders": "count", "component": "component"},
    WorkReason.COST_OF_ALL_ORDERS: {"orders": "count", "currency": "text"},
    WorkReason.COST_SET: {"setting": "text"},
}
