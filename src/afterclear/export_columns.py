"""What every exported column holds, for views, workbooks and help.

The plain layout and the findings are declared elsewhere with their own texts; the rest is here.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from afterclear.finding_tables.declaration import Column, columns_of
from afterclear.finding_tables.registry import BY_NAME
from afterclear.plain import TABLES

_SENTENCE: Final = "the row in words"


@dataclass(frozen=True, slots=True)
class Holds:
    """What a table holds, and each of its columns, in their order."""

    about: str
    columns: Mapping[str, str]


_VEHICLE: Final = "which vehicle: your own number"
_WORK: Final[Mapping[str, str]] = {
    "vehicle_id": _VEHICLE + "; empty: the line is for a site",
    "rank": "place in its list; empty: set aside by a decision",
    "action": "what to do",
    "because": "why, in words",
    "safety": "whether a caution stands beside it",
    "attempt_ids": "fix attempts it rests on, with blanks between",
    "audience": "whose list: fleet, garage or stock",
    "kind": "kind of line",
    "site": "where",
    "units_to_scan": "control units to read, with blanks between",
    "after_km": "read them after so much driving, km",
    "evidence": "what it rests on",
    "p_not_fixed": "chance that the fault is not fixed, share of 1",
    "expected_loss": "expected cost of leaving it, in its currency",
    "currency": "of that cost",
    "loss_basis": "what that cost is reckoned from",
    "codes": "codes it is about, with blanks between",
    "cautions": "cautions that stand beside it",
    "decided": "what a person decided, in words",
    "decision": "which decision set it aside",
    "note": "what was noted with it",
    "deeds": "what to do, as codes with their numbers",
    "grounds": "why, as codes with their numbers",
    "looks": "what to read and when, as codes with their numbers",
    "cost_grounds": "what the cost is reckoned from, as a code with its numbers",
    "urgency": "how soon: do_not_drive (ask someone qualified before it is moved), "
    "book_this_week or next_visit; rules in urgency.csv",
    "since_at": "since when, UTC: of the most urgent fault, its return or the work on it",
    "meaning": "what its code means",
    "usual_cost": "usual cost of the repairs it asks for, in its currency; 0: it asks for none",
}

_OTHERS: Final[Mapping[str, Holds]] = {
    "attempts": Holds(
        "Fix attempts: what was done against a code, and what became of it",
        {
            "attempt_id": "which attempt",
            "vehicle_id": _VEHICLE,
            "ecu": "control unit whose code it is",
            "code": "the code",
            "family": "component and kind of fault the code stands for",
            "kind": "repair, or clear alone",
            "attempt_no": "1 for the first attempt at this fault of the vehicle",
            "repair_id": "its work order",
            "site": "where it was done",
            "technician": "who did it",
            "attempted_at": "when, UTC",
            "attempted_km": "at which distance, km",
            "outcome": "held, came_back, on_watch or unchecked",
            "stayed": "whether the code was still there in the visit of the work",
            "p_not_held": "chance that the fix did not hold or will not, share of 1",
            "p_same_fault": "of a return: chance that it is the same fault, share of 1",
            "clean_km": "proven clean since, km",
            "clean_days": "proven clean since, days",
            "km_to_go": "clean km it still needs to count as fixed",
            "returned_low_km": "of a return: driven at least so far before it, km",
            "returned_high_km": "of a return: driven at most so far before it, km",
            "related_code": "code by which it returned, where it is another",
            "scans_used": "scans that say something of it",
            "returned_at": "when the return was seen, UTC",
            "returned_scan_id": "the scan that showed it",
            "last_clean_at": "last scan without it, UTC",
            "last_clean_scan_id": "that scan",
            "ended_at": "when a later attempt took over, UTC",
            "action": "what was done",
            "parts": "with which parts",
            "cost": "what the order cost, in its currency",
            "currency": "of that cost",
            "clock": "what its distances rest on: odometer, hours of the engine or days",
            "n_group": "attempts it is compared with",
            "group_returned": "of these, how many came back",
            "p_worn": "of a return: chance that a part wore out, share of 1",
            "p_new": "of a return: chance that it is a new fault, share of 1",
            "usual_life_km": "how long such parts usually live, km",
            "beside_repair_id": "work order for something else in the same visit",
            "is_echo": "whether its code only followed from another that was worked on",
            "echo_codes": "codes that followed from it, with blanks between",
            "is_site_of_vehicle": "no record says where; site is the one of its vehicle",
        },
    ),
    "episodes": Holds(
        "Episodes: from when to when a code was there",
        {
            "vehicle_id": _VEHICLE,
            "ecu": "control unit",
            "code": "the code",
            "onset_low_at": "last scan without it, UTC",
            "onset_high_at": "first scan with it, UTC",
            "onset_low_km": "distance at the last scan without it, km",
            "onset_high_km": "distance at the first scan with it, km",
            "last_seen_at": "last scan with it, UTC",
            "ended_by": "what ended it, or open",
            "n_scans": "scans that showed it",
            "family": "component and kind of fault the code stands for",
            "last_seen_km": "distance at the last scan with it, km",
            "ended_high_at": "when it was surely over, UTC",
            "ended_high_km": "distance by then, km",
        },
    ),
    "evidence": Holds(
        "What each scan says of each fix attempt",
        {
            "attempt_id": "which attempt",
            "vehicle_id": _VEHICLE,
            "scan_id": "which scan",
            "seen_at": "when it was read, UTC",
            "km": "distance then, km",
            "finding": "clean, returned, stayed (it never went), or why it says nothing",
            "why": "why, in words",
            "reason": "why, as a code",
            "stretch_from_km": "proven clean from, km",
            "stretch_to_km": "proven clean to, km",
            "monitor": "self-test that was not done",
            "since_clear_km": "driven since the last clear, km",
            "needed_km": "distance the rule asks for, km",
        },
    ),
    "odometer": Holds(
        "Odometer readings, and which were set aside",
        {
            "vehicle_id": _VEHICLE,
            "read_at": "when, UTC",
            "reading_km": "as shown, km",
            "line_km": "as joined over replaced instruments, km",
            "set_aside": "why it is not used; empty: it is",
            "origin": "what it came with: scan, clear or repair",
            "origin_id": "which one",
        },
    ),
    "order_texts": Holds(
        "What was read from the notes of work orders",
        {
            "vehicle_id": _VEHICLE,
            "repaired_at": "when, UTC",
            "repair_id": "which work order",
            "notes": "as written",
            "part": "the component, in words",
            "family": "the component and position",
            "action": "what was done with it",
            "why": "why nothing was read",
            "named": "what is named without being worked on",
        },
    ),
    "rejections": Holds(
        "Rows that were refused",
        {
            "load_id": "which load",
            "file_name": "which file",
            "line": "its line",
            "table_name": "for which table",
            "column_name": "which cell",
            "value": "what stood there",
            "expected": "what was expected",
            "row_json": "the whole row",
        },
    ),
    "loads": Holds(
        "Files that were loaded",
        {
            "load_id": "which load",
            "source": "where it came from",
            "file_name": "its name",
            "sha256": "hash of its bytes",
            "reader": "what read it",
            "outcome": "stored, known or refused",
            "rows_read": "rows in it",
            "rows_stored": "of these, stored",
            "rows_duplicate": "known before",
            "rows_rejected": "refused",
            "rows_corrected": "stored in place of others",
            "note": "what else is to be said",
            "started_at": "UTC",
            "finished_at": "UTC",
        },
    ),
    "identity_conflicts": Holds(
        "VINs, plates and numbers that contradict each other",
        {
            "kind": "what contradicts itself",
            "mark": "the VIN, plate or number",
            "vehicle_ids": "vehicles it stands with, with blanks between",
            "says": "how, in words",
        },
    ),
    "stock": Holds(
        "Audit of vehicles for sale",
        {
            "vehicle_id": _VEHICLE,
            "verdict": "what the audit says",
            "reasons": "why, as codes with blanks between",
            "km_to_rescan": "read again after so much driving, km",
            "last_full_scan_at": "last scan that asked every control unit, UTC",
            "because": "the deciding reason in words",
            "deciding": "the deciding reason with its numbers",
            "safety": "whether a caution stands beside it",
        },
    ),
    "stock_reasons": Holds(
        "All reasons of that audit",
        {
            "vehicle_id": _VEHICLE,
            "position": "order of the reasons of a vehicle",
            "reason": "as a code",
            "weight": "how heavily it counts",
            "subject": "what it is about",
            "km_to_rescan": "read again after so much driving, km",
            "source": "where the rule comes from",
            "because": "in words",
            "facts": "its numbers",
        },
    ),
    "worklist": Holds("What to do next, most urgent first", _WORK),
    "worklist_set_aside": Holds("What a person set aside", _WORK),
    "decisions": Holds(
        "What people decided",
        {
            "decision_id": "which decision",
            "vehicle_id": _VEHICLE,
            "attempt_id": "on which attempt",
            "ecu": "on which control unit",
            "code": "on which code",
            "word": "the decision",
            "until_at": "until when, UTC",
            "until_km": "until which distance, km",
            "decided_by": "who",
            "note": "any words",
            "decided_at": "when, UTC",
            "undone_by": "who took it back",
            "undone_at": "when, UTC",
        },
    ),
    "digests": Holds(
        "Digests that were made",
        {
            "digest_id": "which digest",
            "as_of": "what it knew, UTC",
            "told_at": "when it was made, UTC",
            "version": "by which version",
            "audiences": "for whom",
            "is_public": "whether names were left out",
            "previous_digest": "what its changes are told against",
            "settings": "settings it was made with",
            "n_pages": "pages",
        },
    ),
    "sent": Holds(
        "Messages that were sent",
        {
            "way": "mail or webhook",
            "subject": "about what",
            "recipient": "to whom",
            "as_of": "which digest, UTC",
            "begun_at": "UTC",
            "sent_at": "empty: not yet, UTC",
            "failure": "why not",
        },
    ),
}

_PLAIN: Final = {
    "vehicles": "Vehicles, as delivered",
    "scans": "Readings of fault memories, a row for each code or clean control unit",
    "clears": "Clears, as delivered",
    "repairs": "Rows of work orders, as delivered",
}


def holds(table: str) -> Holds:
    """Say what an exported table and its columns hold.

    Raises:
        KeyError: there is no such table.

    """
    if table in BY_NAME:
        return _finding(table)
    if table in TABLES:
        columns = {c.name: c.means for c in TABLES[table].columns if c.name != "failure_type"}
        return Holds(_PLAIN[table], columns)
    return _OTHERS[table]


def dictionary_of_others() -> str:
    """Write the tables that are neither findings nor of the plain layout, as Markdown."""
    head = "# Other tables that can be taken out\n"
    return "\n".join([head, *(_section(name, told) for name, told in _OTHERS.items())])


def _section(name: str, told: Holds) -> str:
    rows = [f"| `{column}` | {means} |" for column, means in told.columns.items()]
    return "\n".join(
        [f"## {name}", "", f"{told.about}.", "", "| column | holds |", "|---|---|", *rows, ""]
    )


def _finding(table: str) -> Holds:
    finding = BY_NAME[table]
    columns: dict[str, str] = {}
    for column in columns_of(finding.row):
        if column.name in finding.without:
            continue
        if finding.reason and column.name == "reason":
            columns[finding.reason] = _SENTENCE
        columns[finding.called.get(column.name, column.name)] = _meaning(column)
    if finding.method:
        columns["method"] = finding.method
    if finding.says:
        columns["sentence"] = _SENTENCE
    return Holds(finding.about, columns)


def _meaning(column: Column) -> str:
    said = "; ".join(f"{word}: {words}" for word, words in column.means.words.items())
    return "; ".join(part for part in (column.means.meaning, column.means.unit_words, said) if part)
