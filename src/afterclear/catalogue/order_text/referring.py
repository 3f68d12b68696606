"""What a short word means that was named in full before: "new bearing", "the plug", "the line"."""

from dataclasses import replace
from typing import Final

from afterclear.catalogue.order_text.told import Act, Clause, Part, Places
from afterclear.catalogue.order_words.meanings import LAMPS, WIRING

_SEAT_HEATER: Final = "seat_heater"
IN_A_ROW: Final = {"front": "1", "rear": "2"}  # probes one behind the other: common practice
_BEARING: Final = "wheel_bearing"
_TURNING: Final = {
    "clutch",
    "alternator",
    "timing_chain",
    "transmission",
    "starter",
    "turbocharger",
}
_NUMBERS: Final = {"cylinder", "sensor"}
# what a bare "injector" or "pump" is after another part that doses reductant
_REDUCTANT: Final = "reductant_"
_OF_REDUCTANT: Final = {"injector": "reductant_injector", "fuel_pump": "reductant_pump"}
_MATS: Final = {"brake_pad", "occupant_sensor"}  # a pad or mat, where it is no heater's


def refer(clauses: list[Clause]) -> None:
    """Let "new bearing" mean the wheel bearing named before it."""
    for at, clause in enumerate(clauses):
        is_item = _is_item(clauses, at)
        is_number = clause.first_place == 0 and not clause.places.keys().isdisjoint(_NUMBERS)
        is_apart = bool(clause.good and clause.places)  # "left mount renewed, right ok"
        is_item |= _is_with_it(clauses, at) or (clause.lists_bulb and not clause.is_state)
        is_told = clause.acts or clause.parts or is_item or is_number or is_apart
        if not is_told or (clause.part_of and clause.named_others):
            continue
        earlier = [
            p
            for c in clauses[:at]
            if not c.void
            for p in (*c.causes, *c.parts, *c.owners)
            if _is_thing(p)
        ]
        if clause.parts:
            is_told = any(c.sentence == clause.sentence and c.parts for c in clauses[:at])
            clause.parts = [p for p in clause.parts if not (p.toward and is_told)]
        clause.parts = [p for p in clause.parts if not _is_other(p, clauses[:at])]
        if _is_lone_bearing(clause) and _has_turning(clauses[: at + 1]):
            clause.parts = [p for p in clause.parts if p.key != _BEARING or p.words > 1]
        if clause.parts:
            near = [c for c in clauses[:at] if c.sentence >= clause.sentence - 1 and not c.acts]
            idle = [p for c in near if not c.void for p in c.parts if _is_thing(p)]
            clause.parts = [_meant(part, idle) for part in clause.parts]
            continue
        stems = {s for word in clause.words for s in word.stems}
        lamps = [p for p in reversed(earlier) if p.key in LAMPS] if clause.bulb else []
        owned = {id(p) for c in clauses[:at] for p in (*c.owners, *c.causes)}
        meant = [
            p
            for p in reversed(earlier)
            if (p.head if is_item or id(p) in owned else p.stems) & stems
        ]
        if clause.named_others:  # "fuse of the pump": another thing's
            meant = [p for p in meant if clause.heads <= p.family]
        if lamps and not meant:
            clause.parts = _dark(clauses[:at], lamps[0])
            continue
        meant = meant or _of_kind(clause, earlier) or _elsewhere(clauses, at)
        if meant:
            key = meant[0].of or meant[0].key
            clause.parts = [replace(meant[0], key=key, of="", start=_start(clause, meant[0]))]
            if clause.good and not clause.acts:
                clause.acts = [Act(clause.first_part, "inspect", weak=False)]
            clause.loose -= is_item


def _dark(before: list[Clause], last: Part) -> list[Part]:
    """Lamps that are told to be out, the last and those in its list: their bulbs are renewed."""
    found = [last]
    for clause in reversed(before):
        if clause.acts or clause.void or clause.places:
            break
        found += [p for p in clause.parts if p.key in LAMPS and p not in found]
        if not clause.joined:
            break
    return [replace(p, start=0) for p in found]


def _is_lone_bearing(clause: Clause) -> bool:
    """Whether one word names a bearing, which may be another thing's than a wheel's."""
    return any(p.key == _BEARING and p.words == 1 for p in clause.parts)


def _has_turning(clauses: list[Clause]) -> bool:
    """Whether something is named that has bearings of its own."""
    return any(p.key in _TURNING for c in clauses for p in (*c.parts, *c.owners))


def _of_kind(clause: Clause, earlier: list[Part]) -> list[Part]:
    """Take a kind of thing for the last part, if names of it end so: "hub hums, bearing new"."""
    last = earlier[-1:]
    is_plain = not (clause.part_of or clause.named_others) and len(clause.heads) == 1
    own = [p for p in last if is_plain and clause.heads <= p.family]
    kin = [
        replace(p, key=other, of="", family=family)
        for p in last
        for other, family in p.kin
        if is_plain and clause.heads <= family
    ]
    return own or (kin if len(kin) == 1 else [])  # "ring renewed, sensor cleaned"


def _elsewhere(clauses: list[Clause], at: int) -> list[Part]:
    """Take a place alone for the same part there: "coil 2 renewed, 3 checked"."""
    clause = clauses[at]
    is_number = clause.first_place == 0 and not clause.places.keys().isdisjoint(_NUMBERS)
    is_strange = bool(clause.strange) and not is_number  # "no. 3 over limit, renewed"
    is_bare = bool(clause.places) and not (clause.heads or is_strange or clause.named_others)
    for before in reversed(clauses[:at]):
        if before.void or before.sentence < clause.sentence - 1:
            return []
        if before.parts:
            if "end" in clause.places and "sensor" in before.places:
                clause.places["sensor"] = {IN_A_ROW[e] for e in clause.places.pop("end")}
            is_apart = any(
                axis in before.places and _is_one_of(values, before.places[axis])
                for axis, values in clause.places.items()
            )
            is_done = any(c.acts for c in clauses[clauses.index(before) : at])
            if not (is_bare and is_apart and is_done):
                return []
            clause.places = {**_unless(before.places, clause.places), **clause.places}
            return before.parts[-1:]
    return []


def _unless(told: Places, own: Places) -> Places:
    """Give the bank told before, where a clause has none: "before cat bank 2 ..., after cat"."""
    kept = {"bank", "end"} if own.keys() == {"side"} else {"bank"}  # "link FR renewed, left ok"
    return {axis: values for axis, values in told.items() if axis in kept - own.keys()}


def _is_one_of(values: set[str], told: set[str]) -> bool:
    """Whether places are others than those told, or some of them."""
    return told.isdisjoint(values) or values < told


def _is_other(part: Part, before: list[Clause]) -> bool:
    """Whether "line" means the brake line named before, and no wire."""
    is_bare = part.key == WIRING and not part.of and part.words == 1
    return is_bare and any(c.others & part.stems for c in before)


def _is_item(clauses: list[Clause], at: int) -> bool:
    """Whether a clause is a kind of thing in a list: "sensor and ring renewed"."""
    clause = clauses[at]
    if clause.acts or clause.parts or not clause.words[0].stems or at + 1 == len(clauses):
        return False
    after = clauses[at + 1]
    is_list = after.joined and bool(after.acts)
    is_list = is_list and bool(after.parts or after.named_others or after.heads)
    return is_list and len(clause.words) == 1


def _is_with_it(clauses: list[Clause], at: int) -> bool:
    """Whether a kind of thing was worked on with another: "renewed together with the cooler"."""
    clause = clauses[at]
    is_bare = not (clause.acts or clause.parts or clause.places) and len(clause.heads) == 1
    return is_bare and clause.beside and bool(clauses[at - 1].acts) and clause.strange == 1


def _is_thing(part: Part) -> bool:
    return bool(part.of) or part.key != WIRING


def _meant(part: Part, idle: list[Part]) -> Part:
    """Resolve a short name to the full one before it: "glow plug broken, 4 plugs new"."""
    if part.words > 1 or part.of:
        return part
    full = [
        p
        for p in reversed(idle)
        if p.words > 1
        and not p.of
        and (part.stems & p.head or (p.key == _SEAT_HEATER and part.key in _MATS))
    ]
    return replace(part, key=full[0].key) if full else part


def dose(clauses: list[Clause]) -> None:
    """Take a bare "nozzle" after the reductant's pump for the reductant's."""
    is_told = False
    for clause in clauses:
        if is_told:
            clause.parts = [_of_reductant(p) for p in clause.parts]
        is_told |= any(p.key.startswith(_REDUCTANT) for p in clause.parts)


def _of_reductant(part: Part) -> Part:
    is_bare = part.words == 1 and not part.of
    return replace(part, key=_OF_REDUCTANT.get(part.key, part.key)) if is_bare else part


def _start(clause: Clause, part: Part) -> int:
    return next((at for at, word in enumerate(clause.words) if word.stems & part.stems), 0)
