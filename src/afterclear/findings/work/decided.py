"""People's decisions, applied to the work to do. Pure.

A decision hides a line, never evidence; it ends when its time is over or the fault shows again.
Lines that concern safety are not hidden: they stay, below the others, with the decision.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from afterclear.findings.common.facts_json import as_json, iso
from afterclear.reasons import Fact, WorkReason


@dataclass(frozen=True, slots=True)
class Decided:
    """A decision in force, as the store keeps it; instants without an offset are UTC."""

    decision_id: int
    vehicle_id: str
    attempt_id: str | None
    ecu: str | None
    code: str | None
    word: str
    until_at: datetime | None
    until_km: float | None
    note: str | None
    decided_at: datetime


@dataclass(frozen=True, slots=True)
class Matter:
    """What a line is about, for decisions."""

    vehicle_id: str
    ecu: str | None
    code: str | None
    attempt_ids: tuple[str, ...]
    began_at: datetime  # when the matter began: onset, return or work
    last_seen_at: datetime | None  # of a code that is there; None: no code is seen


def decision_on(
    matter: Matter, decisions: Sequence[Decided], now: datetime, km_now: float | None
) -> Decided | None:
    """Find the latest decision that still holds for a matter."""
    holding = [d for d in decisions if _is_about(d, matter) and _holds(d, matter, now, km_now)]
    return max(holding, key=lambda d: (d.decided_at, d.decision_id)) if holding else None


def _is_about(decision: Decided, matter: Matter) -> bool:
    if decision.vehicle_id != matter.vehicle_id:
        return False
    if decision.attempt_id is not None:
        return decision.attempt_id in matter.attempt_ids
    if decision.code is not None:
        return decision.code == matter.code and decision.ecu in (None, matter.ecu)
    return True


def _holds(decision: Decided, matter: Matter, now: datetime, km_now: float | None) -> bool:
    if decision.word == "wait":
        until_at, until_km = decision.until_at, decision.until_km
        early = until_at is not None and now < until_at
        near = until_km is not None and (km_now is None or km_now < until_km)
        # whichever of date and km comes first ends the wait
        return (until_at is None or early) and (until_km is None or near)
    if decision.word == "not_a_fault":
        return True
    if decision.word == "repaired_elsewhere":
        return matter.last_seen_at is None or matter.last_seen_at <= decision.decided_at
    return matter.began_at <= decision.decided_at


# what each word in the table of decisions means
_DECIDED: Final = {
    "wait": WorkReason.DECIDED_TO_WAIT,
    "accept": WorkReason.DECIDED_TO_ACCEPT,
    "not_a_fault": WorkReason.DECIDED_NO_FAULT,
    "repaired_elsewhere": WorkReason.DECIDED_REPAIRED_ELSEWHERE,
}


def decision_reason(decision: Decided) -> str:
    """Return what was decided (JSON: its code with its facts); the note is separate.

    Who decided is in the table of decisions only.
    """
    facts: dict[str, Fact] = {"decided_on": iso(decision.decided_at)}
    if decision.word == "wait":
        until = decision.until_at
        facts |= {"until_on": iso(until) if until else None, "until_km": decision.until_km}
    return as_json([_DECIDED[decision.word], facts])
