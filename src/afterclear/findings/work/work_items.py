"""What there is to do on a vehicle, one item for each matter. Pure: rows in, items out."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final, Literal

from afterclear.findings.common.facts_json import as_json, iso
from afterclear.findings.work.decided import Matter
from afterclear.findings.work.urgency import UrgencyRule
from afterclear.reasons import CLEAR_CAUSE, Fact, StockReason, WorkReason

Kind = Literal["repair", "scan"]
Row = dict[str, Any]
Reason = str  # JSON: a reason's code with its facts (``wording/work.py`` has the sentence)
R = WorkReason


@dataclass(frozen=True, slots=True)
class Item:
    """One thing to do."""

    matter: Matter
    kind: Kind
    deed: Reason
    grounds: tuple[Reason, ...]
    component: str
    family: str
    p_not_fixed: float
    units_to_scan: tuple[str, ...]
    after_km: float
    site: str | None  # where the work in question was done; None: nobody worked on it
    cautions: tuple[str, ...]  # ids; none: not about safety
    codes: tuple[str, ...]  # the fault's own first, then those that follow from it
    meaning: str | None  # of its own code; None: it is about no code


@dataclass(frozen=True)
class VehicleWork:
    """What is known of one vehicle, for the work to do; rows as in the store."""

    open_faults: Sequence[Row]
    roles: Mapping[tuple[str, str], Row]  # by control unit and code: the latest role
    attempts: Sequence[Row]  # each fault's latest, with its verdict
    related: Sequence[Row]
    leftovers: Mapping[tuple[str, str], Row]
    silent: Sequence[Row]
    km_now: float | None


@dataclass(frozen=True, slots=True)
class ItemRules:
    """What the items need beside the rows."""

    label: Callable[[str], str]  # a control unit's function -> its name for people
    now: datetime
    quiet_days: float
    silent_scans: int
    proof_km: Mapping[str, float]  # by component: evidenced km that usually prove a fresh repair
    urgency: tuple[UrgencyRule, ...] = ()


_RATHER: Final = 0.5  # a cause more likely than all others together
_NO_PROOF: Final = 1000.0  # km, if no attempt shows one: own judgement


def reason(name: WorkReason | StockReason, **facts: Fact) -> Reason:
    """Write a reason with its facts."""
    return as_json([name, facts])


def kept(row: Row) -> Reason:
    """Quote the stored reason of a role."""
    return f"[{as_json(row['reason'])}, {row['facts']}]"


def items_of(work: VehicleWork, rules: ItemRules) -> Iterator[Item]:
    """List what there is to do on a vehicle: faults, fixes to be checked, silent units."""
    present = {(row["ecu"], row["code"]) for row in work.open_faults}
    for row in work.open_faults:
        yield from _fault(row, present, work, rules)
    for row in work.attempts:
        if (row["ecu"], row["code"]) not in present:
            yield from _check(row, work, rules)
    for row in work.silent:
        if row["n_silent"] >= rules.silent_scans:
            yield _silent(row, rules)


def _fault(
    row: Row, present: set[tuple[str, str]], work: VehicleWork, rules: ItemRules
) -> Iterator[Item]:
    key = (row["ecu"], row["code"])
    role = work.roles.get(key)
    if role and role["role"] == "consequential":
        cause = (role["primary_ecu"], role["primary_code"])
        if cause in present:
            return  # included with its cause
        yield _echo_alone(row, role, rules)
        return
    attempt = _attempt(key, work)
    related = [r for r in work.related if (r["related_ecu"], r["related_code"]) == key]
    echoes = [
        (e["ecu"], e["code"])
        for e in work.open_faults
        if (r := work.roles.get((e["ecu"], e["code"]))) is not None
        and (r["primary_ecu"], r["primary_code"]) == key
    ]
    fault = _named(row, rules)
    attempts = tuple(a["attempt_id"] for a in (*([attempt] if attempt else []), *related))
    component = row["component"]
    units = dict.fromkeys((row["ecu"], *(ecu for ecu, _ in echoes)))
    item = Item(
        matter=_matter(row, attempts, attempt),
        kind="repair",
        deed=reason(_what_to_do(attempt), **fault),
        grounds=tuple(_why_open(row, work, rules, related, [code for _, code in echoes])),
        component=component,
        family=row["family"],
        p_not_fixed=1.0,
        units_to_scan=tuple(units),
        after_km=rules.proof_km.get(component, _NO_PROOF),
        site=attempt["site"] if attempt else None,
        cautions=row["cautions"],
        codes=(row["code"], *(code for _, code in echoes)),
        meaning=row["meaning"],
    )
    if (rules.now - row["last_seen_at"]).total_seconds() > rules.quiet_days * 86400:
        unread = reason(R.UNIT_NOT_READ_SINCE, seen_on=iso(row["last_seen_at"]))
        item = replace(
            item,
            kind="scan",
            after_km=0.0,
            deed=reason(R.SCAN_BEFORE_BOOKING, **fault),
            grounds=(*item.grounds, unread),
        )
    yield item


def _named(row: Row, rules: ItemRules) -> dict[str, Fact]:
    return {"code": row["code"], "unit": rules.label(row["unit"])}


def _why_open(
    row: Row, work: VehicleWork, rules: ItemRules, related: Sequence[Row], echoes: Sequence[str]
) -> Iterator[Reason]:
    left = work.leftovers.get((row["ecu"], row["code"]))
    attempt = _attempt((row["ecu"], row["code"]), work)
    fault = {**_named(row, rules), "meaning": row["meaning"]}
    if left is not None and left["is_open"]:
        yield kept(left)
    elif attempt is not None:
        # work on another code of the component is told with that code
        if attempt["attempt_id"] not in {found["attempt_id"] for found in related}:
            yield _after_attempt(attempt, fault)
        else:
            yield from map(kept, related)
            related = ()
        if attempt["attempt_no"] > 1:
            yield reason(R.NOT_FIRST_ATTEMPT, attempt_no=attempt["attempt_no"])
        yield from _likely_cause(attempt)
    else:
        seen = {**fault, "seen_on": iso(row["last_seen_at"])}
        n = row["n_scans"]
        yield (
            reason(R.OPEN_SEEN_ONCE, **seen)
            if n == 1
            else reason(R.OPEN_SEEN_OFTEN, **seen, scans=n)
        )
    for found in related:
        yield kept(found)
    if echoes:
        codes = list(dict.fromkeys(echoes))
        yield reason(R.FOLLOWED_BY_ONE if len(codes) == 1 else R.FOLLOWED_BY_MORE, codes=codes)


def _what_to_do(attempt: Row | None) -> WorkReason:
    """Replace a worn part, diagnose a failed repair again, search for any other cause."""
    if attempt is None or attempt["outcome"] != "came_back" or attempt["kind"] != "repair":
        return R.FIND_AND_REPAIR
    if (attempt["p_worn"] or 0.0) >= _RATHER:
        return R.REPLACE_WORN_PART
    if attempt["stayed"] or (attempt["p_same_fault"] or 0.0) >= _RATHER:
        return R.DIAGNOSE_ANEW
    return R.FIND_AND_REPAIR


def _likely_cause(attempt: Row) -> Iterator[Reason]:
    """Return the most likely cause of a come-back."""
    came_back = attempt["outcome"] == "came_back" and not attempt["stayed"]
    if not came_back or attempt["kind"] != "repair" or attempt["p_same_fault"] is None:
        return
    chances = {
        R.LIKELY_WORN_OUT: attempt["p_worn"] or 0.0,
        R.LIKELY_NOT_HELD: attempt["p_same_fault"],
        R.LIKELY_NEW_FAULT: attempt["p_new"] or 0.0,
    }
    first = max(chances, key=chances.__getitem__)
    yield reason(first if chances[first] >= CLEAR_CAUSE else R.CAUSE_NOT_CLEAR)


_NEVER_LEFT: Final = {"repair": R.NEVER_LEFT_AFTER_REPAIR, "clear_only": R.NEVER_LEFT_AFTER_CLEAR}
_CAME_BACK: Final = {"repair": R.CAME_BACK_AFTER_REPAIR, "clear_only": R.CAME_BACK_AFTER_CLEAR}
_STILL_OPEN: Final = {"repair": R.OPEN_AFTER_REPAIR, "clear_only": R.OPEN_AFTER_CLEAR}


def _after_attempt(attempt: Row, fault: Mapping[str, Fact]) -> Reason:
    """Describe the state of a fault after the latest work on it."""
    facts = {**fault, "worked_on": iso(attempt["attempted_at"])}
    kind = attempt["kind"]
    if attempt["outcome"] != "came_back":
        return reason(_STILL_OPEN[kind], **facts)
    if attempt["stayed"]:
        return reason(_NEVER_LEFT[kind], **facts)
    low, high = attempt["returned_low_km"], attempt["returned_high_km"]
    return reason(_CAME_BACK[kind], **facts, low_km=low or None, high_km=high)


def _echo_alone(row: Row, role: Row, rules: ItemRules) -> Item:
    """Ask to read the unit a code points at, or to scan again where its cause is gone."""
    target = role["to_scan"] or row["ecu"]
    label = rules.label(role["to_scan"] or row["unit"])
    return Item(
        matter=_matter(row, (), None),
        kind="scan",
        deed=reason(R.SCAN_BEFORE_WORK, code=row["code"], unit=label),
        grounds=(kept(role),),
        component=row["component"],
        family=row["family"],
        p_not_fixed=1.0,
        units_to_scan=tuple(dict.fromkeys((target, row["ecu"]))),
        after_km=0.0,
        site=None,
        cautions=row["cautions"],
        codes=(row["code"],),
        meaning=row["meaning"],
    )


def _check(row: Row, work: VehicleWork, rules: ItemRules) -> Iterator[Item]:
    """Ask for the scan that would show whether a fix held, if one is due."""
    if row["is_echo"]:
        return
    if row["is_gone"]:
        yield from _gone_again(row, work, rules)
    if row["outcome"] not in {"unchecked", "on_watch"}:
        return
    deed = "clear_beside" if row["beside_repair_id"] else row["kind"]
    fix = {**_named(row, rules), "deed": deed, "worked_on": iso(row["attempted_at"])}
    to_drive = _to_drive(row, row["km_to_go"], work.km_now)
    deed_asked = R.SCAN_UNIT
    if row["outcome"] == "unchecked":
        if row["kind"] != "repair" and not row["cautions"]:
            return
        grounds = [reason(StockReason.FIX_UNCHECKED, **fix)]
        if to_drive > 0:
            grounds.append(reason(R.PROVEN_AFTER, to_go_km=to_drive))
        if row["is_active_only"]:
            grounds.append(reason(R.ONLY_ACTIVE_READ))
            deed_asked = R.READ_STORED
        # any scan is informative once silence counts; proof may need far more km
        to_drive = _to_drive(row, row["evidence_km"], work.km_now)
    elif to_drive > 0:
        return
    else:
        grounds = [reason(R.ONE_SCAN_TO_PROOF, **fix)]
    p_not_fixed = row["p_not_held"] if row["p_not_held"] is not None else 1.0
    yield _scan_for(row, reason(deed_asked, unit=fix["unit"]), grounds, to_drive, p_not_fixed)


def _gone_again(row: Row, work: VehicleWork, rules: ItemRules) -> Iterator[Item]:
    """Ask for another scan if a fault came back and went without work, until it is proven gone."""
    clean = row["since_gone_km"]
    if clean is not None and clean >= rules.proof_km.get(row["component"], _NO_PROOF):
        return
    fault = {**_named(row, rules), "meaning": row["meaning"]}
    grounds = [_after_attempt(row, fault)]
    if row["attempt_no"] > 1:
        grounds.append(reason(R.NOT_FIRST_ATTEMPT, attempt_no=row["attempt_no"]))
    grounds.append(reason(R.GONE_WITHOUT_WORK))
    to_drive = _to_drive(row, row["evidence_km"], work.km_now)
    scan = reason(R.SCAN_UNIT, unit=fault["unit"])
    yield _scan_for(row, scan, grounds, to_drive, 1.0)


def _scan_for(
    row: Row, deed: Reason, grounds: Sequence[Reason], after_km: float, p_not_fixed: float
) -> Item:
    """Ask for a scan that adds evidence about an attempt."""
    return Item(
        matter=Matter(
            row["vehicle_id"],
            row["ecu"],
            row["code"],
            (row["attempt_id"],),
            row["returned_at"] or row["attempted_at"],
            None,
        ),
        kind="scan",
        deed=deed,
        grounds=tuple(grounds),
        component=row["component"],
        family=row["family"],
        p_not_fixed=p_not_fixed,
        units_to_scan=(row["ecu"],),
        after_km=after_km,
        site=row["site"],
        cautions=row["cautions"],
        codes=(row["code"],),
        meaning=row["meaning"],
    )


def _to_drive(row: Row, needed_km: float | None, km_now: float | None) -> float:
    """Km still to drive before a scan has what is needed; 0 if they are driven."""
    if needed_km is None:
        return 0.0
    since = row["watched_to_km"]
    driven = max(km_now - since, 0.0) if km_now is not None and since is not None else 0.0
    return float(max(needed_km - driven, 0.0))


def _silent(row: Row, rules: ItemRules) -> Item:
    label, since = rules.label(row["unit"]), iso(row["since_at"])
    return Item(
        matter=Matter(row["vehicle_id"], row["ecu"], None, (), row["since_at"], None),
        kind="scan",
        deed=reason(R.FIND_WHY_SILENT, unit=label),
        grounds=(reason(R.SILENT_FOR_SCANS, unit=label, scans=row["n_silent"], since=since),),
        component=f"control_unit:{row['unit']}",
        family=f"control_unit:{row['unit']}",
        p_not_fixed=1.0,
        units_to_scan=(row["ecu"],),
        after_km=0.0,
        site=None,
        cautions=row["cautions"],
        codes=(),
        meaning=None,
    )


def _attempt(key: tuple[str, str], work: VehicleWork) -> Row | None:
    found = (a for a in work.attempts if (a["ecu"], a["shown_code"]) == key)
    return max(found, key=lambda a: a["attempted_at"], default=None)


def _matter(row: Row, attempts: tuple[str, ...], attempt: Row | None) -> Matter:
    began = row["first_at"]
    # what no work ever ended has gone on since it was first seen
    if attempt is not None and attempt["returned_at"] is not None and not attempt["stayed"]:
        began = max(began, attempt["returned_at"])
    return Matter(row["vehicle_id"], row["ecu"], row["code"], attempts, began, row["last_seen_at"])
