"""Consumables read as parts: oil, filters and hoses, which are no component that codes name.

They are bound to work apart from the components, so that neither is taken for the other.
"""

from collections.abc import Callable, Container
from dataclasses import replace
from typing import Final

from afterclear.catalogue.order_text.refitting import AXLE
from afterclear.catalogue.order_text.told import Act, Clause, Part

_OIL: Final = "engine_oil"
_OTHER_OILS: Final = {"transmission_fluid", "axle_oil", "hydraulic_oil", "steering_fluid"}
_COOLANT: Final = "coolant"
# whoever fills a system after work on these fills coolant (common practice, no source)
_WET: Final = {"coolant_hose", "radiator", "coolant_pump", "thermostat"}
_TANK: Final = "expansion_tank"
_ANY_FLUID: Final = "fluid"
# which fluid goes with which part (common practice, no source)
_FLUID_OF: Final = {
    **dict.fromkeys(_WET, _COOLANT),
    **dict.fromkeys(
        ("brake_line", "brake_hose", "brake_caliper", "brake_pad", "brake_disc", "master_cylinder"),
        "brake_fluid",
    ),
    **dict.fromkeys(("steering_rack", "steering_pump"), "steering_fluid"),
}
# "system filled" after work on a hose or the radiator, "aligned" after work on an axle
_FILLED: Final = Part(_COOLANT, "", 0, frozenset(), kind="fluid")
_ALIGNED: Final = Part("wheel_alignment", "", 0, frozenset(), kind="work")
_BRUSHED: Final = {"starter", "alternator", "blower_motor"}  # their brushes are no wiper's
_BLADE: Final = "wiper_blade"


def with_consumables(clauses: list[Clause]) -> list[Clause]:
    """Copy clauses so that their consumables are parts; what work is bound to is changed in both.

    Empty: none of them names one.
    """
    is_told = any(a.fills or a.aligns for c in clauses for a in c.acts)
    if not is_told and not any(c.used for c in clauses):
        return []
    copies = [_with_own(c) for c in clauses]
    _take_after(copies, _WET, lambda act: act.fills, _FILLED)
    _take_after(copies, AXLE, lambda act: act.aligns, _ALIGNED)
    _name_fluids(copies)
    brushed = any(p.key in _BRUSHED for c in clauses for p in c.parts)
    for at, copy in enumerate(copies):
        filled = at + 1 < len(copies) and _is_filling(copies[at + 1], copy)
        copy.parts = [p for p in copy.parts if _is_meant(p, copy, brushed=brushed, filled=filled)]
    return copies


def _is_filling(after: Clause, clause: Clause) -> bool:
    """Whether the next clause only says "topped up"."""
    is_bare = not (after.parts or after.used) and after.sentence == clause.sentence
    return is_bare and bool(after.acts) and all(a.fills for a in after.acts)


def _is_meant(part: Part, clause: Clause, *, brushed: bool, filled: bool) -> bool:
    """Whether a fluid is what was worked on, and not what leaked: "oil soaked, plug renewed"."""
    if part.key == _BLADE and part.words == 1 and brushed:
        return False
    if part.key == _OIL and any(p.key in _OTHER_OILS for p in clause.parts):
        return False  # "oil change gearbox 9 l ATF"
    if part.kind != "fluid":
        return True
    if any(not p.kind for p in clause.parts):
        return any(a.action == "replace" for a in clause.acts)
    return bool(clause.acts) or filled or not (clause.is_state or clause.loose)


def _name_fluids(clauses: list[Clause]) -> None:
    """Take a bare "fluid" for that of the part named last; of others it is not known which."""
    last = ""
    for clause in clauses:
        named = [p for p in clause.parts if p.key != _ANY_FLUID]
        last = next((told for p in named if (told := _FLUID_OF.get(p.key, ""))), last)
        known = [replace(p, key=last) for p in clause.parts if p.key == _ANY_FLUID and last]
        clause.parts = [*named, *known]


def _take_after(
    clauses: list[Clause], parts: Container[str], says: Callable[[Act], bool], meant: Part
) -> None:
    """Take a bare clause whose verb ``says`` so, after work on one of some parts, for a part's."""
    is_after = False
    for clause in clauses:
        is_said = any(map(says, clause.acts)) and not clause.void
        if is_after and is_said and not clause.parts:
            _mean(clause, meant)
        is_after |= any(p.key in parts for p in clause.parts)


def _mean(clause: Clause, part: Part) -> None:
    """Take a clause that names nothing for one about a part."""
    clause.parts = [part]
    clause.loose, clause.strange, clause.heads = 0, 0, frozenset()
    clause.named_others = False


def _as_filled(part: Part, clause: Clause) -> Part:
    """Take a tank that was filled for what was filled in: "expansion tank topped up"."""
    is_filled = part.key == _TANK and any(act.fills for act in clause.acts)
    return replace(part, key=_COOLANT, kind="fluid") if is_filled else part


def _with_own(clause: Clause) -> Clause:
    places = {axis: set(values) for axis, values in clause.places.items()}
    if not clause.used:
        return replace(clause, places=places)
    stems = {s for part in clause.used for s in part.stems}
    is_same = all(act.action == "replace" for act in clause.acts)
    return replace(
        clause,
        parts=[*clause.parts, *(_as_filled(part, clause) for part in clause.used)],
        places=places,
        acts=[*clause.used_acts, *clause.acts] if is_same else clause.acts,
        loose=max(0, clause.loose - len(clause.used_words)),
        strange=max(0, clause.strange - len(clause.used_words)),
        heads=clause.heads - stems,
        named_others=clause.named_others and not clause.only_used,
        part_of=clause.part_of and not clause.only_used,
        # "bumper off, sensor renewed": taken off to get there
        is_state=clause.is_state or (clause.removed and not clause.acts),
        others=clause.others - stems,
    )
