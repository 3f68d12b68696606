"""Which of the parts a text names were worked on, and how.

"Turbo actuator seized, turbo renewed" is one piece of work, "pads, discs and caliper renewed" are
three, "to be replaced" is none.
"""

from collections.abc import Iterator
from dataclasses import replace
from itertools import takewhile
from typing import Final

from afterclear.catalogue.order_text.placing import PAIRED, at_end, places_of, shared_places
from afterclear.catalogue.order_text.referring import dose, refer
from afterclear.catalogue.order_text.refitting import (
    BOTH_SIDES,
    SEALS,
    action_on,
    adjusted,
    detach,
    fill_gas,
    find,
    is_possible,
    refit,
    unpair,
)
from afterclear.catalogue.order_text.told import Act, Bound, Clause, Part, Places
from afterclear.catalogue.order_text.undone import contrast, void_undone
from afterclear.catalogue.order_words.meanings import LAMPS, WIRING

_FILLED: Final = {"refrigerant", "transmission_fluid"}
# to be used further, or read off; nothing else can be filled
_CHARGED: Final = {"battery", "hv_battery", "alternator"}
_GEARBOX, _UNIT = "transmission", "control_unit"  # who programs one programs the other
_TANK_LEVEL, _RIDE_HEIGHT = "fuel_level_sensor", "ride_height_sensor"
_LOOM: Final = "data_bus"  # it is wiring: who repairs it repairs that
_HEATED: Final = {"oxygen_sensor_heater": "oxygen_sensor", "nox_sensor_heater": "nox_sensor"}
_BY_HAND: Final = {"replace", "repair", "clean"}
_GAS: Final = "refrigerant"
_SERVED: Final = {"air_filter", "cabin_filter", "fuel_filter"}  # renewed, or not mentioned
_LISTED: Final = {"fluid", "item", "work"}  # consumables that are no part of anything
_ON_GAS: Final = {"replace", "inspect"}
_PLUG: Final = "spark_plug"  # a plug that was cleaned is a connector
_TYRE: Final = "tyre"
_COIL: Final = "ignition_coil"  # a plug beside it is the spark plug
_CABLED: Final = {
    "parking_brake",
    "clutch",
    "door_lock",
    "tailgate",
    "transmission",
}  # by wire rope
_OWN_PARTS: Final = {"repair"}  # such work takes a part apart: names beside it are its own parts


def bound_acts(clauses: list[Clause]) -> list[Bound]:
    """Say what was done with each component. Clauses about work not done become void."""
    void_undone(clauses)
    contrast(clauses)
    find(clauses)
    detach(clauses)
    refer(clauses)
    dose(clauses)
    unpair(clauses)
    refit(clauses)
    fill_gas(clauses)
    acts = _acts(clauses)
    found: list[Bound] = []
    for at, clause in enumerate(clauses):
        if clause.void or (clause.aside and not clause.acts and not _lists_work(clauses, at)):
            continue
        places = places_of(clauses, at)
        for part in clause.parts:
            if _is_detail(clause, part):
                continue
            actions = tuple(dict.fromkeys(_action(a, part) for a in acts[at]))
            possible = tuple(a for a in actions if a and is_possible(a, part.key))
            if actions and not possible:
                continue
            actions = possible
            if actions and part.key == _GAS and _ON_GAS.isdisjoint(actions):
                continue  # "air conditioning cleaned"
            meant = _as_whole(_at_place(part, places), actions)
            _join(found, Bound(meant, places, actions))
    return shared_places(_without_flushed(found))


def _without_flushed(found: list[Bound]) -> list[Bound]:
    """Take "gearbox flushed, 9 l ATF" for new fluid alone."""
    is_new = any(b.part.key == "transmission_fluid" and "replace" in b.actions for b in found)
    return [
        b
        for b in found
        if not (is_new and b.part.key == "transmission" and b.actions == ("clean",))
    ]


def _lists_work(clauses: list[Clause], at: int) -> bool:
    """Whether a bracket tells what the work before it was on: "brakes renewed (discs, pads)"."""
    before = next((c for c in reversed(clauses[:at]) if not c.aside), None)
    return bool(before and before.acts and before.sentence == clauses[at].sentence)


def _action(act: Act, part: Part) -> str:
    """Name the action for a component: "charged" fills a gas circuit, or a battery in use."""
    if act.fills and part.key not in _FILLED and part.kind != "fluid":
        return "inspect" if part.key in _CHARGED else ""
    if part.kind:
        return adjusted(part.key) if act.action == "adjust" else act.action
    return action_on(part.key, act)


def _as_whole(part: Part, actions: tuple[str, ...]) -> Part:
    """Take a repaired data bus for the wiring it is, a new heater of a sensor for a new sensor."""
    if part.key in _HEATED and "replace" in actions:
        return replace(part, key=_HEATED[part.key])
    if part.key == _GEARBOX and set(actions) == {"software"}:
        return replace(part, key=_UNIT)
    is_loom = part.key == _LOOM and not _BY_HAND.isdisjoint(actions)
    return replace(part, key=WIRING, of=_LOOM) if is_loom else part


def _at_place(part: Part, places: list[Places]) -> Part:
    """Take a level sensor at a corner for the suspension's: a tank has none there."""
    is_corner = any({"end", "side"} <= place.keys() for place in places)
    return replace(part, key=_RIDE_HEIGHT) if is_corner and part.key == _TANK_LEVEL else part


def _is_detail(clause: Clause, part: Part) -> bool:
    """Whether a part belongs to the one taken apart: "diff rebuilt bearings, seals"."""
    opened = [a.start for a in clause.acts if a.action in _OWN_PARTS and a.start < part.start]
    return any(clause.first_part < at for at in opened)


def _join(found: list[Bound], one: Bound) -> None:
    """Add a component, or new facts about it."""
    part = one.part
    if part.far and found and not found[-1].actions and found[-1].part.key != WIRING:
        part = replace(part, of="")  # where the cable broke, not what it is of
        one = Bound(part, one.places, one.actions)
    is_told = bool(found) and found[-1].part.key == part.key  # "caliper seized, caliper rebuilt"
    is_plug = ("repair" in one.actions and not is_told) or (
        part.key == _PLUG and "clean" in one.actions
    )
    if part.beside and found and not one.actions:
        return  # "plug corroded": the connector of what was named before
    if part.beside and found and (found[-1].part.key == WIRING or is_plug):
        part = replace(part, key=WIRING, of="")
        one = Bound(part, one.places, one.actions)
    if part.key == WIRING and not part.of and found:
        last = found[-1]
        aimed = last.part.of or last.part.key
        of = "" if aimed == WIRING else aimed
        # "sensor ok. connector cleaned": the sensor was looked at, too
        is_own = bool(set(last.actions) - ({"inspect"} if not one.actions else set()))
        if last.part.key != WIRING and is_own:
            if one.actions and last.part.key not in _CABLED:  # "sensor replaced, plug cleaned"
                found.append(Bound(replace(part, of=of), one.places or last.places, one.actions))
            return
        is_lone = last.part.key == WIRING and not last.part.of and bool(one.actions)
        if is_lone and last.actions and not {*last.actions} & {*one.actions}:
            found.append(one)  # "earth strap tightened and terminals cleaned"
            return
        found[-1] = Bound(replace(part, of=of), last.places, one.actions or last.actions)
        return
    for at, other in enumerate(found):
        is_same = (other.part.key, other.part.of) == (part.key, part.of)
        if is_same and (not one.places or not other.actions or one.places == other.places):
            places = at_end(one.places, other.places) or other.places
            merged = tuple(dict.fromkeys([*other.actions, *one.actions]))
            found[at] = Bound(other.part, places, merged)
            return
    found.append(one)


# --- what was done -----------------------------------------------------------------------------


def _acts(clauses: list[Clause]) -> list[list[Act]]:
    acts: list[list[Act]] = [[] if c.void else list(c.acts) for c in clauses]
    for at in reversed(range(len(clauses))):
        clause = clauses[at]
        if clause.parts and not clause.void and not _is_led(clauses, at):
            acts[at] += _acts_after(clauses, at, acts)
    _serve(clauses, acts)
    for at, clause in enumerate(clauses):
        if clause.also and clause.parts and acts[at]:
            _share_back(clauses, at, acts)
        if clause.likewise and clause.parts and not clause.void and not acts[at]:
            acts[at] = next((acts[i] for i in reversed(range(at)) if acts[i]), [])
            _share_list(clauses, at, acts)
    _lead(clauses, acts)
    return acts


def _is_led(clauses: list[Clause], at: int) -> bool:
    """Whether the work on an item is told before its list: "renewed pads and discs, lamp set"."""
    for before in reversed(range(at + 1)):
        own = clauses[before]
        if own.acts:
            return before < at and own.leads and not own.void
        if not (own.joined and own.parts) or own.is_state or own.loose:
            return False
    return False


def _lead(clauses: list[Clause], acts: list[list[Act]]) -> None:
    """Let work named before a list count for what follows: "Renewed pads, discs"."""
    leads = looks = is_met = False
    for at, clause in enumerate(clauses):
        if at and clauses[at - 1].sentence != clause.sentence:
            leads = looks = is_met = False
        if clause.void:
            continue
        # a list in brackets is of what was told before: "brakes new (pads)"
        is_open = leads or clause.joined or (clause.aside and not clause.loose)
        is_open |= looks and any(w.text.isdecimal() for w in clause.words)  # "check: pads 60 %"
        if clause.parts and not acts[at] and not clause.is_state and is_open:
            acts[at] = list(_acts_before(clauses, at, acts))
        elif clause.acts:
            is_bare = not clause.parts and not clause.strange  # not "slave fitted"
            looks = not is_met and all(a.action == "inspect" for a in clause.acts)
            is_heading = clause.topic and not clause.parts
            leads = clause.leads or is_heading or (is_bare and not leads and not is_met)
        is_met |= bool(clause.parts)  # "pump dead, new one fitted, tank half full"


def _serve(clauses: list[Clause], acts: list[list[Act]]) -> None:
    """Take things of a service that are only listed for renewed: "oil, air filter"."""
    is_sum = _is_sum(clauses) and not any(
        acts[at] or c.void or c.said or c.is_state or c.good for at, c in enumerate(clauses)
    )  # "timing belt + water pump + coolant", and nothing else
    for at, clause in enumerate(clauses):
        is_item = bool(clause.parts) and not (clause.is_state or clause.loose or clause.void)
        if (
            is_item
            and not acts[at]
            and (is_sum or all(_is_served(clause, p) for p in clause.parts))
        ):
            acts[at] = [Act(clause.first_part, "replace", weak=True)]


def _is_sum(clauses: list[Clause]) -> bool:
    """Whether parts are added up: "belt + pump", "belt with pump"; not so "trouble with pump"."""
    is_bare = all(c.parts and not c.loose for c in clauses)
    return any(c.added or (c.beside and is_bare) for c in clauses)


def _is_served(clause: Clause, part: Part) -> bool:
    """Whether a thing is renewed wherever it is only listed: a filter, a bulb."""
    is_bulb = clause.lists_bulb and part.key in LAMPS and not clause.good
    is_bulb |= (
        part.key in PAIRED - {_TYRE} and clause.places.get("side") == BOTH_SIDES["side"]
    )  # a pair
    return is_bulb or part.key in _SERVED | SEALS or part.kind in _LISTED


def _share_back(clauses: list[Clause], at: int, acts: list[list[Act]]) -> None:
    """Let "also renewed" tell of bare items before it: "Clutch kit. Also renewed the sensor"."""
    for before in reversed(range(at)):
        other = clauses[before]
        if acts[before] or other.void or other.is_state or other.said:
            return
        if other.parts:
            acts[before] = list(acts[at])


def _share_list(clauses: list[Clause], at: int, acts: list[list[Act]]) -> None:
    """Let "too" after a list tell of all its items: "discs and pads too"."""
    while at and clauses[at].joined and not acts[at - 1]:
        before = clauses[at - 1]
        if not before.parts or before.void or before.is_state or before.said:
            return
        at -= 1
        acts[at] = list(acts[at + 1])


def _acts_after(clauses: list[Clause], at: int, acts: list[list[Act]]) -> Iterator[Act]:
    """Give the work on a clause's components in later clauses, until another part is named."""
    clause = clauses[at]
    bare = not acts[at]
    given: list[Act] = []
    for later in _after(clauses, at):
        other = clauses[later]
        if other.sentence != clause.sentence:
            looked = all(a.action == "inspect" for a in (*acts[at], *given))
            if looked and other.sentence == clause.sentence + 1:
                yield from _answer(clauses, clause, bare=bare)
            return
        if other.parts or _ends_list(other) or _turns_to_part(clause, other):
            if bare and not other.void and _is_listed_with(clause, other):
                yield from acts[later] or other.acts or _acts_on_used(clauses, later)
            is_item = other.used and not (other.acts or other.is_state or other.void)
            if other.parts or not (other.acts or other.joined or other.void or is_item):
                return  # "hose came off, refitted": it goes on with another thing
        elif {p.key for p in other.owners}.difference(p.key for p in clause.parts):
            return  # it goes on with a part of another thing
        # "no power to the pump, fuse replaced": the work is on another part
        elif _is_of(clause, other) and _goes_on(clause, other, bare=bare):
            bare = False
            given += other.acts
            yield from other.acts
        elif _is_of(clause, other) and not all(
            p.kind for p in clause.parts
        ):  # whatever is taught, it is the part's: "idle stops learned"
            yield from (a for a in other.acts if a.action == "software" or a.reset)


def _after(clauses: list[Clause], at: int) -> Iterator[int]:
    """Give places of later clauses, but for brackets that only say which: "spring (airbag) new"."""
    for later in range(at + 1, len(clauses)):
        other = clauses[later]
        if clauses[at].aside or not other.aside or other.acts:
            yield later


def _acts_on_used(clauses: list[Clause], at: int) -> list[Act]:
    """Give the work on a consumable in the clause after it: "hoses perished, renewed"."""
    after = clauses[at + 1] if clauses[at].used and at + 1 < len(clauses) else None
    if after is None or after.sentence != clauses[at].sentence:
        return []
    return [] if after.parts or after.used or after.named_others else after.acts


def _goes_on(clause: Clause, other: Clause, *, bare: bool) -> bool:
    """Whether a clause with unknown words tells more of the parts before it."""
    if not other.strange:
        return True
    # "drain blocked, blown through with air"
    is_first = bool(other.acts) and other.acts[0].start == 0 and other.strange == 1
    return bare and (is_first or not all(p.kind for p in clause.parts))


def _is_of(clause: Clause, other: Clause) -> bool:
    """Whether the work in a later clause is on the parts named before."""
    is_work = bool(other.acts) and not other.void
    return is_work and not other.part_of and not _is_of_another(other, clause)


def _ends_list(other: Clause) -> bool:
    """Whether a clause names a last thing that is no component: "radiator and hoses"."""
    is_thing = other.joined and bool(other.heads)  # "fan and grille"
    return (other.named_others or is_thing) and not other.parts


def _turns_to_part(clause: Clause, other: Clause) -> bool:
    """Whether what comes after a heading is of a part of it: "compressor: valve cleaned"."""
    is_other = bool(other.heads) and all(p.family.isdisjoint(other.heads) for p in clause.parts)
    return clause.topic and bool(other.strange) and is_other and not other.is_state


def _is_listed_with(clause: Clause, other: Clause) -> bool:
    """Whether the work on a later part was done on a clause's components too."""
    is_item = not clause.is_state and not clause.loose
    if other.beside and other.parts and not (other.leads or clause.loose):
        is_item = True  # "pump worn, renewed together with the thermostat"
    if not other.parts:  # "pads and discs, brake fluid changed"
        if clause.topic and (other.used or other.heads):
            return False  # "fan: fuse renewed"
        is_list = other.joined or any(p.kind != "part" for p in other.used)
        return is_item and (is_list or bool(other.used and not clause.said))
    is_elsewhere = bool(other.places) and other.places != clause.places
    keys = {p.key for p in clause.parts}
    is_next = other.joined and other.heads and is_item  # "belt and tensioner renewed"
    if not (other.aside or is_elsewhere or is_next) and any(p.key in keys for p in other.parts):
        return False  # it is told again, with work of its own
    is_loom = any((p.key == WIRING and not p.of) or _is_plug_of(p, clause) for p in other.parts)
    is_own_loom = any(p.of == o.key for p in clause.parts for o in other.parts if p.of)
    return is_item and not (clause.topic or other.leads or is_loom or is_own_loom)


def _is_plug_of(part: Part, clause: Clause) -> bool:
    """Whether a plug is a part's connector: not so in "coil 2 and plugs renewed"."""
    return part.beside and not any(p.key == _COIL for p in clause.parts)


def _is_of_another(other: Clause, clause: Clause) -> bool:
    """Whether a kind of part is named that none of a clause's components is: "switch"."""
    return bool(other.heads) and all(
        p.family.isdisjoint(other.heads) and not p.beside and p.key != WIRING for p in clause.parts
    )


def _answer(clauses: list[Clause], clause: Clause, *, bare: bool) -> list[Act]:
    """Take the work from the next sentence, if it names no other part: "New one fitted"."""
    own = [c for c in clauses if c.sentence == clause.sentence + 1]
    keys = {p.key for p in clause.parts}
    if len(keys) == 1:  # up to where it is named again
        own = list(takewhile(lambda c: {p.key for p in c.parts} != keys, own))
    if not own:
        return []
    if not bare and not (own[0].acts and own[0].acts[0].action == "replace"):
        return []  # it was tested before
    named = [c for at, c in enumerate(own) if c.named_others and not (at and _is_work_alone(c))]
    if named or any(c.parts or c.void or c.part_of for c in own):
        return []
    return [act for c in own for act in c.acts]


def _is_work_alone(clause: Clause) -> bool:
    """Whether only work with a name of its own is told: "and tracked"."""
    return clause.only_used and all(p.kind == "work" for p in clause.used)


def _acts_before(clauses: list[Clause], at: int, acts: list[list[Act]]) -> list[Act]:
    """Take the work named before a list: "Renewed pads, discs and caliper"."""
    for before in reversed(range(at)):
        other = clauses[before]
        if other.void or other.sentence != clauses[at].sentence:
            return []
        if acts[before]:
            return [a for a in acts[before] if a.action not in _OWN_PARTS]
    return []
