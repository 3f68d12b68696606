"""What there is to do on a vehicle, one item a matter, in words.  Pure: rows in, items out."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final, Literal

from afterclear.findings.common.told import Voice
from afterclear.findings.work.decided import Matter

Kind = Literal["repair", "scan"]
Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Item:
    """One thing to do."""

    matter: Matter
    kind: Kind
    action: str
    because: str
    component: str
    family: str
    p_not_fixed: float
    units_to_scan: tuple[str, ...]
    after_km: float
    site: str | None  # where the work was done that this is about; None: nobody worked on it
    cautions: tuple[str, ...]  # ids; none: no matter of safety
    codes: tuple[str, ...]


@dataclass(frozen=True)
class VehicleWork:
    """What is known of one vehicle, as far as work is concerned; rows as the store has them."""

    open_faults: Sequence[Row]
    roles: Mapping[tuple[str, str], Row]  # by control unit and code: the latest role
    attempts: Sequence[Row]  # each fault's latest, with its verdict
    related: Sequence[Row]
    leftovers: Mapping[tuple[str, str], Row]
    silent: Sequence[Row]
    km_now: float | None


@dataclass(frozen=True, slots=True)
class ItemRules:
    """What the items need to know beside the rows."""

    voice: Voice
    now: datetime
    quiet_days: float
    silent_scans: int
    proof_km: Mapping[str, float]  # by component: evidenced km that usually prove a fresh repair


_RATHER: Final = 0.5  # a cause likelier than all others together
_NO_PROOF: Final = 1000.0  # km, where no attempt tells: own judgement


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
    key, voice = (row["ecu"], row["code"]), rules.voice
    role = work.roles.get(key)
    if role and role["role"] == "consequential":
        cause = (role["primary_ecu"], role["primary_code"])
        if cause in present:
            return  # told with its cause
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
    named = voice.at(row["code"], row["unit"])
    attempts = tuple(a["attempt_id"] for a in (*([attempt] if attempt else []), *related))
    component = row["component"]
    units = dict.fromkeys((row["ecu"], *(ecu for ecu, _ in echoes)))
    item = Item(
        matter=_matter(row, attempts, attempt),
        kind="repair",
        action=f"{_what_to_do(attempt)} {named}",
        because=_why_open(row, work, rules, attempt, related, [code for _, code in echoes]),
        component=component,
        family=row["family"],
        p_not_fixed=1.0,
        units_to_scan=tuple(units),
        after_km=rules.proof_km.get(component, _NO_PROOF),
        site=attempt["site"] if attempt else None,
        cautions=row["cautions"],
        codes=(row["code"], *(code for _, code in echoes)),
    )
    if (rules.now - row["last_seen_at"]).total_seconds() > rules.quiet_days * 86400:
        last = voice.told.day(row["last_seen_at"])
        item = replace(
            item,
            kind="scan",
            after_km=0.0,
            action=f"Scan the {voice.label(row['unit'])} unit before booking work on {row['code']}",
            because=f"{item.because} That unit was not read since {last}.",
        )
    yield item


def _why_open(
    row: Row,
    work: VehicleWork,
    rules: ItemRules,
    attempt: Row | None,
    related: Sequence[Row],
    echoes: Sequence[str],
) -> str:
    day, km = rules.voice.told.day, rules.voice.told.distance
    named = f"{rules.voice.at(row['code'], row['unit'])} ({row['meaning']})"
    left = work.leftovers.get((row["ecu"], row["code"]))
    parts = []
    if left is not None and left["is_open"]:
        parts.append(left["why"])
    elif attempt is not None:
        deed = "repair" if attempt["kind"] == "repair" else "clear without a repair"
        nth = f", attempt {attempt['attempt_no']}" if attempt["attempt_no"] > 1 else ""
        when = f"after the {deed} of {day(attempt['attempted_at'])}{nth}"
        if attempt["outcome"] == "came_back" and attempt["stayed"]:
            parts.append(f"{named} never left {when}.")
        elif attempt["outcome"] == "came_back":
            parts.append(f"{named} came back {_distance(attempt, km)} {when}.")
            parts += _cause(attempt, km)
        else:
            parts.append(f"{named} is open {when}.")
    else:
        n = row["n_scans"]
        seen = "one scan" if n == 1 else f"{n} scans"
        parts.append(
            f"{named} is open: seen in {seen}, last on {day(row['last_seen_at'])}, and no work on "
            "it is known."
        )
    parts += [r["why"] for r in related]
    if echoes:
        follow = "follows" if len(echoes) == 1 else "follow"
        parts.append(f"{', '.join(dict.fromkeys(echoes))} elsewhere {follow} from it.")
    return " ".join(parts)


def _what_to_do(attempt: Row | None) -> str:
    """Replace a worn part, diagnose a failed repair again, look for all else."""
    if attempt is None or attempt["outcome"] != "came_back" or attempt["kind"] != "repair":
        return "Find and repair"
    if (attempt["p_worn"] or 0.0) >= _RATHER:
        return "Replace the worn part behind"
    if attempt["stayed"] or (attempt["p_same_fault"] or 0.0) >= _RATHER:
        return "Diagnose anew and repair"
    return "Find and repair"


def _cause(attempt: Row, km: Callable[[float | None], str]) -> list[str]:
    """Say what a come-back of a repair most likely comes from."""
    if attempt["kind"] != "repair" or attempt["p_same_fault"] is None:
        return []
    if (attempt["p_worn"] or 0.0) >= _RATHER:
        usual = attempt["usual_life_km"]
        life = f"; half of such parts last {km(usual)}" if usual is not None else ""
        return [f"The part that was fitted has most likely worn out{life}."]
    if attempt["p_same_fault"] >= _RATHER:
        return ["The repair most likely did not hold: the cause may be another one."]
    return ["It is most likely a new fault."]


def _distance(attempt: Row, km: Callable[[float | None], str]) -> str:
    low, high = attempt["returned_low_km"], attempt["returned_high_km"]
    if high is None:
        return "again"
    return f"between {km(low)} and {km(high)}" if low else f"within {km(high)}"


def _echo_alone(row: Row, role: Row, rules: ItemRules) -> Item:
    """Ask to read the unit an echo points at, or to look again where its cause is gone."""
    voice = rules.voice
    target = role["to_scan"] or row["ecu"]
    label = voice.label(role["to_scan"] or row["unit"])
    return Item(
        matter=_matter(row, (), None),
        kind="scan",
        action=f"Scan the {label} unit before any work on {row['code']}",
        because=role["why"],
        component=row["component"],
        family=row["family"],
        p_not_fixed=1.0,
        units_to_scan=tuple(dict.fromkeys((target, row["ecu"]))),
        after_km=0.0,
        site=None,
        cautions=row["cautions"],
        codes=(row["code"],),
    )


def _check(row: Row, work: VehicleWork, rules: ItemRules) -> Iterator[Item]:
    """Ask for the scan that would tell whether a fix held, where one is due."""
    if row["outcome"] not in {"unchecked", "on_watch"} or row["is_echo"]:
        return
    voice = rules.voice
    named = voice.at(row["code"], row["unit"])
    to_drive = _to_drive(row, row["km_to_go"], work.km_now)
    deed = "repaired" if row["kind"] == "repair" else "cleared without a repair"
    day = voice.told.day(row["attempted_at"])
    if row["outcome"] == "unchecked":
        if row["kind"] != "repair" and not row["cautions"]:
            return
        text = f"{named} was {deed} on {day}, and no scan since could tell whether that held."
        if to_drive > 0:
            text += f" Clean for {voice.told.distance(to_drive)} more, it is proven."
        # any scan tells something once silence counts; proof may take far longer
        to_drive = _to_drive(row, row["evidence_km"], work.km_now)
    elif to_drive > 0:
        return
    else:
        text = f"{named} was {deed} on {day}, and is clean since; one more clean scan proves it."
    yield Item(
        matter=Matter(
            row["vehicle_id"],
            row["ecu"],
            row["code"],
            (row["attempt_id"],),
            row["attempted_at"],
            None,
        ),
        kind="scan",
        action=f"Scan the {voice.label(row['unit'])} unit",
        because=text,
        component=row["component"],
        family=row["family"],
        p_not_fixed=row["p_not_held"] if row["p_not_held"] is not None else 1.0,
        units_to_scan=(row["ecu"],),
        after_km=to_drive,
        site=row["site"],
        cautions=row["cautions"],
        codes=(row["code"],),
    )


def _to_drive(row: Row, needed_km: float | None, km_now: float | None) -> float:
    """Km still to drive before a scan has what is needed; 0 where they are driven."""
    if needed_km is None:
        return 0.0
    since = row["watched_to_km"]
    driven = max(km_now - since, 0.0) if km_now is not None and since is not None else 0.0
    return float(max(needed_km - driven, 0.0))


def _silent(row: Row, rules: ItemRules) -> Item:
    voice = rules.voice
    label, since = voice.label(row["unit"]), voice.told.day(row["since_at"])
    return Item(
        matter=Matter(row["vehicle_id"], row["ecu"], None, (), row["since_at"], None),
        kind="scan",
        action=f"Find out why the {label} unit gives no answer",
        because=f"The {label} unit gave no answer in the last {row['n_silent']} scans, since "
        f"{since}. Nothing is known of its codes as long as it is silent.",
        component=f"control_unit:{row['unit']}",
        family=f"control_unit:{row['unit']}",
        p_not_fixed=1.0,
        units_to_scan=(row["ecu"],),
        after_km=0.0,
        site=None,
        cautions=row["cautions"],
        codes=(),
    )


def _attempt(key: tuple[str, str], work: VehicleWork) -> Row | None:
    return next((a for a in work.attempts if (a["ecu"], a["code"]) == key), None)


def _matter(row: Row, attempts: tuple[str, ...], attempt: Row | None) -> Matter:
    began = row["onset_high_at"]
    if attempt is not None and attempt["returned_at"] is not None:
        began = max(began, attempt["returned_at"])
    return Matter(row["vehicle_id"], row["ecu"], row["code"], attempts, began, row["last_seen_at"])
