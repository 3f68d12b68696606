"""Which code is the fault and which follows from it, and why, in the reader's words.  Pure."""

import json
from typing import Final

from afterclear.reasons import FLEET_COUNTS, ROLE_PARAMETERS, Facts, RoleReason
from afterclear.wording.cells import Cells
from afterclear.wording.facts import code_at, filled, written
from afterclear.wording.language import GAP, mark

R = RoleReason

# what a code reports about another control unit, by the relation of ``config/knock_on.csv``
_SAYS: Final[dict[str, str]] = {
    "lost": mark("{code} in the {unit} says that the {unit} gets no messages from the {target}"),
    "invalid": mark("{code} in the {unit} says that data sent by the {target} are marked as bad"),
    "software": mark("{code} in the {unit} says that software does not match that of the {target}"),
    "pointer": mark("{code} in the {unit} only asks to look into the {target}"),
    "consequence": mark(
        "{code} in the {unit} is about a signal that usually comes from the {target}"
    ),
}
# harm listed in the shipped ``config/knock_on.csv``; a user's own additions appear as written
HARMS: Final = frozenset((mark("unburnt fuel burns in the catalyst and overheats it"),))

SAID: Final[dict[RoleReason, str]] = {
    R.FOLLOWS_FAULT: mark("{says}, and this scan shows what is wrong there: {cause}."),
    R.FOLLOWS_THROUGH: mark("{says}; {through} passes it on, and the cause is {cause}."),
    R.FOLLOWS_SUPPLY: mark(
        "{own} is a code that a supply voltage fault sets, in many units at once, and this scan "
        "has one: {cause}."
    ),
    R.FOLLOWS_BUS: mark(
        "{own} is a code that a data bus fault sets, in many units at once, and this scan has "
        "one: {cause}."
    ),
    R.FOLLOWS_HARM: mark(
        "{own} can be harm done by {cause}: {harm}. Put that right first, then judge {code} anew "
        "before any part is replaced for it."
    ),
    R.FOLLOWS_BY_FLEET: mark("{own} follows {cause}."),
    R.HAS_FOLLOWERS: mark(
        "{own} ({meaning}) is the fault to work on. What follows from it: {followers}."
    ),
    R.ONLY_CODE: mark("{own} ({meaning}) is the only code of this scan."),
    R.UNRELATED: mark(
        "{own} ({meaning}) is a separate fault: no other code of this scan explains it or follows "
        "from it."
    ),
    R.MUTUAL: mark(
        "{says}, and that unit reports the same the other way round: nothing tells which is "
        "first, so look at the wiring and supply between the two."
    ),
    R.TARGET_UNREAD: mark(
        "{says}, but the {target} was not read in this scan. Read it before any work on the {unit}."
    ),
    R.TARGET_SILENT: mark(
        "{says}; the {target} gave no answer to this scan{pointing}. Check its supply, "
        "ground and wiring first, then the unit itself."
    ),
    R.TARGET_CLEAN: mark(
        "{says}, but the {target} was read and has no code that would explain it{pointing}. "
        "Look at the wiring and supply between the two."
    ),
    R.NOT_CLEARED_SINCE: mark(
        "{own} may be an old entry. It followed {cause}, which was repaired on {repaired_on} and "
        "is gone, but the memory of the {unit} was not cleared since, so nothing tells yet "
        "whether it has left too."
    ),
    # not "there again": only its attempts show whether it was ever gone
    R.OUTLIVED_CAUSE: mark(
        "{own} is a separate fault. It followed {cause}, which was repaired on {repaired_on} and "
        "is gone, yet this code is there, although its own memory was cleared on {cleared_on}."
    ),
    R.WORK_ON_FOLLOWER: mark(
        "The work of {worked_on}{parts_between}{for_cost} was on {own}, which only follows "
        "{cause}, and that was not worked on at this visit."
    ),
    R.WORK_ON_FOLLOWER_UNREAD: mark(
        "The work of {worked_on}{parts_between}{for_cost} was on {own}, which only follows "
        "{cause}; that unit was not read before the work, only on {read_on}."
    ),
    R.RELATED_RETURN: mark(
        "{own} had work on {worked_on}; {related_code}, of the same "
        "component ({component}), was first seen on {seen_on}{later}. The "
        "component has a fault again, under another code."
    ),
}

# what the fleet's own data show; each sentence is used if its last number is known
_FLEET: Final[dict[str, str]] = {
    "n_both": mark("the two came together {n_both} times"),
    "n_cause_repaired": mark(
        "it stayed away after about {effect_gone} of {n_cause_repaired} repairs of the other alone"
    ),
    "n_effect_repaired": mark(
        "the other stayed away after about {cause_gone} of {n_effect_repaired} repairs of this "
        "one alone"
    ),
    "effect_first": mark(
        "the other surely came first {cause_first} times, this one {effect_first} times"
    ),
}


def role_words(reason: RoleReason, facts: Facts, cells: Cells) -> str:
    r"""Return a reason of roles in the reader's language and units.

    >>> role_words(R.ONLY_CODE, {"code": "P0301", "unit": "engine", "meaning": "misfire"}, Cells())
    'P0301 in the engine control unit (misfire) is the only code of this scan.'
    """
    said = filled((SAID[reason],), ROLE_PARAMETERS[reason], facts, cells, **_phrases(facts, cells))
    fleet = [
        filled((text,), FLEET_COUNTS, facts, cells)
        for name, text in _FLEET.items()
        if facts.get(name) is not None
    ]
    if not fleet:
        return said
    beside = cells.t("In this fleet {fleet}.", fleet=", ".join(fleet))
    return f"{said} {beside}"


def role_sentence(reason: str, facts: str, cells: Cells) -> str:
    """Return the sentence of a stored reason; ``facts``: JSON, its parameters."""
    return role_words(RoleReason(reason), json.loads(facts), cells)


def _phrases(facts: Facts, cells: Cells) -> dict[str, str]:
    """Write the texts that combine several facts."""
    cause = _at(facts, "cause_code", "cause_unit", cells)
    meaning, harm, after = (facts.get(name) for name in ("cause_meaning", "harm", "km_after"))
    n = facts.get("n_pointing")
    return {
        "own": _at(facts, "code", "unit", cells),
        "cause": f"{cause} ({written(meaning, 'meaning', cells)})" if meaning else cause,
        "through": _at(facts, "through_code", "through_unit", cells),
        "says": _says(facts, cells),
        "harm": cells.t(harm) if isinstance(harm, str) and harm in HARMS else str(harm),
        "pointing": cells.t(" ({n} codes point at it)", n=n) if _number(n) > 1 else "",
        "later": cells.t(", {km_after} later", km_after=written(after, "km", cells))
        if after is not None
        else "",
        "parts_between": f", {facts['parts']}," if facts.get("parts") else "",
        "for_cost": _for_cost(facts, cells),
    }


def _at(facts: Facts, code: str, unit: str, cells: Cells) -> str:
    return code_at(str(facts.get(code)), str(facts.get(unit)), cells)


def _says(facts: Facts, cells: Cells) -> str:
    relation = facts.get("relation")
    if not isinstance(relation, str):
        return ""
    return filled((_SAYS[relation],), ROLE_PARAMETERS[R.MUTUAL], facts, cells)


def _number(value: object) -> float:
    return value if isinstance(value, int | float) else 0.0


def _for_cost(facts: Facts, cells: Cells) -> str:
    if facts.get("cost") is None:
        return ""
    amount = cells.number(_number(facts.get("cost")), 2)
    currency = facts.get("currency")
    return cells.t(" for {cost}", cost=f"{amount}{GAP}{currency}" if currency else amount)
