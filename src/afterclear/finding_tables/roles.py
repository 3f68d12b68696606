"""Which code is the fault and which follows from it, and what became of work on them."""

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Final, Literal

from afterclear.finding_tables.declaration import Finding, Means

_FACTS = "the numbers and names of the reason, as JSON"


@dataclass(frozen=True, slots=True)
class Role:
    """What one code of one scan is: the fault, a consequence of one, or neither."""

    scan_id: Annotated[str, Means("the scan")]
    vehicle_id: Annotated[str, Means("the vehicle")]
    ecu: Annotated[str, Means("the control unit, as the scan spells it")]
    code: Annotated[str, Means("the fault code")]
    role: Annotated[
        Literal["primary", "consequential", "stands_alone"],
        Means("`primary`: others follow from it; `consequential`; `stands_alone`"),
    ]
    primary_ecu: Annotated[str | None, Means("the unit of the fault it follows from")]
    primary_code: Annotated[str | None, Means("that fault's code; empty: the unit was not read")]
    confidence: Annotated[float, Means("how sure that is", "share")]
    reason: Annotated[str, Means("why, as a code")]
    facts: Annotated[str, Means(_FACTS)]
    seen_at: Annotated[datetime, Means("when it was scanned")]
    basis: Annotated[str, Means("`rule`, `fleet`, `rule_and_fleet` or `none`")]
    source: Annotated[str | None, Means("where the rule comes from")]
    to_scan: Annotated[str | None, Means("a unit to be read before any work")]


@dataclass(frozen=True, slots=True)
class RolePair:
    """What the fleet's own scans and repairs show about two codes, one of them maybe the cause."""

    cause_ecu: Annotated[str, Means("the unit of the one that may be the cause")]
    cause_code: Annotated[str, Means("its code")]
    effect_ecu: Annotated[str, Means("the unit of the other")]
    effect_code: Annotated[str, Means("its code")]
    n_both: Annotated[int, Means("episodes they shared")]
    n_cause: Annotated[int, Means("episodes of the cause")]
    n_effect: Annotated[int, Means("episodes of the other")]
    odds_ratio: Annotated[float | None, Means("how much likelier one begins where the other is")]
    odds_low: Annotated[float | None, Means("lower end of its 95 % interval")]
    odds_high: Annotated[float | None, Means("upper end")]
    cause_first: Annotated[int, Means("times the cause surely came first")]
    effect_first: Annotated[int, Means("times the other did")]
    order_p_value: Annotated[float, Means("P(such an order by chance)")]
    effect_gone: Annotated[float, Means("repairs of the cause alone after which the other left")]
    n_cause_repaired: Annotated[float, Means("of so many")]
    cause_gone: Annotated[float, Means("repairs of the other alone after which the cause left")]
    n_effect_repaired: Annotated[float, Means("of so many")]
    score: Annotated[float, Means("log odds that it is the cause")]
    called: Annotated[bool, Means("sure enough to be used")]


@dataclass(frozen=True, slots=True)
class Leftover:
    """A code still set, or back, after its cause was repaired and its own memory was cleared."""

    vehicle_id: Annotated[str, Means("the vehicle")]
    ecu: Annotated[str, Means("the control unit")]
    code: Annotated[str, Means("the code that stayed")]
    primary_ecu: Annotated[str, Means("the unit of the fault it followed from")]
    primary_code: Annotated[str, Means("that fault's code")]
    repair_id: Annotated[str | None, Means("the order that repaired that")]
    repaired_at: Annotated[datetime, Means("when")]
    first_scan_id: Annotated[str, Means("the first scan that shows it all the same")]
    first_seen_at: Annotated[datetime, Means("when that was")]
    last_seen_at: Annotated[datetime, Means("when it was seen last")]
    n_scans: Annotated[int, Means("scans that show it")]
    is_open: Annotated[bool, Means("still there")]
    reason: Annotated[str, Means("why it is a separate fault, as a code")]
    facts: Annotated[str, Means(_FACTS)]


@dataclass(frozen=True, slots=True)
class EchoWork:
    """Work aimed at a code that only followed from a fault, and where that was."""

    attempt_id: Annotated[str, Means("the fix attempt")]
    vehicle_id: Annotated[str, Means("the vehicle")]
    ecu: Annotated[str | None, Means("the control unit")]
    code: Annotated[str, Means("the code worked on")]
    attempted_at: Annotated[datetime, Means("when")]
    repair_id: Annotated[str | None, Means("the work order")]
    site: Annotated[str | None, Means("where")]
    parts: Annotated[str | None, Means("what was fitted")]
    cost: Annotated[float | None, Means("what it cost", "money")]
    currency: Annotated[str | None, Means("of the cost")]
    primary_ecu: Annotated[str, Means("the unit of the fault")]
    primary_code: Annotated[str, Means("the fault")]
    scan_id: Annotated[str, Means("the scan that shows both")]
    confidence: Annotated[float, Means("how sure that is", "share")]
    reason: Annotated[str, Means("why, as a code")]
    facts: Annotated[str, Means(_FACTS)]


@dataclass(frozen=True, slots=True)
class EchoFix:
    """A fix attempt counted with another of its visit: its code followed, or is of one circuit."""

    attempt_id: Annotated[str, Means("the fix attempt")]
    vehicle_id: Annotated[str, Means("the vehicle")]
    ecu: Annotated[str, Means("the control unit")]
    code: Annotated[str, Means("the code that followed")]
    attempted_at: Annotated[datetime, Means("when")]
    primary_ecu: Annotated[str, Means("the unit of the fault")]
    primary_code: Annotated[str, Means("the fault")]
    primary_attempt_id: Annotated[
        str | None, Means("the attempt at that fault; empty: it was worked on under another code")
    ]


@dataclass(frozen=True, slots=True)
class RelatedReturn:
    """A component with a fault again after work on it, under another code."""

    attempt_id: Annotated[str, Means("the fix attempt")]
    vehicle_id: Annotated[str, Means("the vehicle")]
    ecu: Annotated[str | None, Means("the control unit")]
    code: Annotated[str, Means("the code worked on")]
    family: Annotated[str, Means("what it is about")]
    attempted_at: Annotated[datetime, Means("when")]
    related_ecu: Annotated[str, Means("the unit of the other code")]
    related_code: Annotated[str, Means("the other code of the component")]
    seen_at: Annotated[datetime, Means("when it was first seen")]
    km_after: Annotated[float | None, Means("how long after the work", "km")]
    is_open: Annotated[bool, Means("still there")]
    reason: Annotated[str, Means("the reason, as a code")]
    facts: Annotated[str, Means(_FACTS)]


FINDINGS: Final = (
    Finding(
        "roles",
        Role,
        about="of every code in every scan: is it the fault, or does it follow from one",
        order="vehicle_id, seen_at, scan_id, ecu, code",
        reason="why",
    ),
    Finding(
        "role_pairs",
        RolePair,
        about="pairs of codes often seen together, and what the fleet's data say of them",
        order="cause_ecu, cause_code, effect_ecu, effect_code",
    ),
    Finding(
        "leftovers",
        Leftover,
        about="codes that stayed after the fault they followed from was repaired",
        order="vehicle_id, first_seen_at, ecu, code",
        reason="why",
    ),
    Finding(
        "echo_work",
        EchoWork,
        about="work done on a code that only followed from a fault",
        order="vehicle_id, attempted_at, attempt_id",
        reason="why",
    ),
    Finding(
        "echo_fixes",
        EchoFix,
        about="fix attempts counted with another: at codes that followed, or of the same circuit",
        order="vehicle_id, attempted_at, attempt_id",
    ),
    Finding(
        "related_returns",
        RelatedReturn,
        about="components in trouble again after work, under another code",
        order="vehicle_id, attempted_at, attempt_id",
        reason="why",
    ),
)
