"""Where work was done: the places of a clause's parts, or those of a clause or part beside it.

"Bearing front left renewed, speed sensor torn off, too": the sensor sits at that bearing.
Which parts sit together is own judgement.
"""

from dataclasses import replace
from typing import Final

from afterclear.catalogue.order_text.refitting import BOTH_SIDES
from afterclear.catalogue.order_text.told import Bound, Clause, Places
from afterclear.catalogue.order_words.meanings import WIRING

# parts of one corner, and parts of one axle: of these only the end of the vehicle is the same
_CORNERS: Final = (
    frozenset({"wheel_bearing", "wheel_speed_sensor", "tone_ring"}),
    frozenset({"oxygen_sensor", "oxygen_sensor_heater"}),
    frozenset({"nox_sensor", "nox_sensor_heater"}),
)
_AXLES: Final = (
    frozenset({"brake_pad", "brake_disc", "brake_caliper", "brake_pad_wear_sensor"}),
    frozenset({"damper", "spring"}),
)
# an axle has two of each
PAIRED: Final = frozenset({
    "wheel_bearing", "wheel_speed_sensor", "tone_ring", "brake_disc", "brake_caliper", "damper",
    "spring", "air_spring", "stabiliser", "suspension_arm", "driveshaft", "tyre",
    "tyre_pressure_sensor",
})  # fmt: skip
# one of these may be named by its kind after the other: "pump renewed, filter changed"
_SIDE_BY_SIDE: Final = (
    frozenset({"hydraulic_pump", "hydraulic_filter"}),
    frozenset({"egr_valve", "egr_cooler"}),
    frozenset({"fuel_pump", "fuel_filter"}),
    frozenset({"fuel_tank", "fuel_filter"}),
    frozenset({"tyre", "tyre_pressure_sensor"}),
    frozenset({"reductant_pump", "reductant_injector"}),
)


def shared_places(found: list[Bound]) -> list[Bound]:
    """Give parts without a place that of the part before them that sits at the same spot."""
    told: list[Bound] = []
    for one in found:
        own = _at_axle(one, told) if any(one.places) else []
        places = own or one.places if any(one.places) else _of_neighbour(one, told) or one.places
        told.append(replace(one, places=places))
    return told


def kin_of(key: str) -> frozenset[str]:
    """Give the parts that sit where a part sits, or beside it, without itself."""
    groups = (*_CORNERS, *_SIDE_BY_SIDE)
    return frozenset(other for group in groups if key in group for other in group - {key})


def at_end(places: list[Places], before: list[Places]) -> list[Places]:
    """Add the end told before to "both": "link front left knocks, both links renewed"."""
    ends = [place["end"] for place in before if len(place.get("end", ())) == 1]
    if not ends:
        return places
    return [
        {**place, "end": ends[-1]} if place.keys() == {"side"} and len(place["side"]) > 1 else place
        for place in places
    ]


def _of_neighbour(one: Bound, before: list[Bound]) -> list[Places]:
    """Places of the same thing, of its wiring, or of a neighbour: the last one told."""
    key = one.part.of or one.part.key
    for other in reversed(before):
        if not any(other.places):
            continue
        near = other.part.of or other.part.key
        is_lone_loom = one.part.key == WIRING and not one.part.of
        if near == key or is_lone_loom or _together(key, near, _CORNERS):
            return other.places
        if _together(key, near, _AXLES):
            ends = [{"end": place["end"]} for place in other.places if "end" in place]
            return [end for at, end in enumerate(ends) if end not in ends[:at]]
    return []


def _at_axle(one: Bound, before: list[Bound]) -> list[Places]:
    """Add the end that was told of a part of the same axle: "pads front, left caliper freed"."""
    if any(place.keys() != {"side"} for place in one.places) or not before:
        return []
    last = before[-1]
    ends = [place["end"] for place in last.places if "end" in place]
    is_near = _together(one.part.of or one.part.key, last.part.key, (*_AXLES, *_CORNERS))
    if not is_near or len(ends) != 1:
        return []
    return [{**place, "end": ends[0]} for place in one.places]


def _together(one: str, other: str, groups: tuple[frozenset[str], ...]) -> bool:
    return any(one in group and other in group for group in groups)


def places_of(clauses: list[Clause], at: int) -> list[Places]:
    """Places of a clause's components: its own, or those of a clause beside it.

    "Pads and discs front": the place after the second part applies to both, as does one before the
    first. A clause of places alone applies to the components before it, otherwise to those after
    it; along axes already given it is one more place: "front left and rear right".
    """
    own = clauses[at]
    beside = [c for c in clauses if c.sentence == own.sentence]
    here = next(n for n, c in enumerate(beside) if c is own)
    after = beside[here + 1] if here + 1 < len(beside) else None
    before = beside[here - 1] if here else None
    if own.places:
        return _with_more(own, before, after, beside[here + 1 :])
    is_led = before and own.joined and -1 < before.last_place < before.first_part
    # "front discs and pads, rears 60 %": a place apart is not theirs
    if after and after.places and (after.joined or after.parts or not is_led):
        shared = after.joined and after.last_place > after.first_part and bool(after.parts)
        if not after.parts or shared:
            return _with_more(after, None, None, beside[here + 2 :])
    if before and before.places and not before.parts:
        return [before.places]
    if before and is_led:
        return places_of(clauses, clauses.index(before))
    return _places_before(clauses, at)


def _places_before(clauses: list[Clause], at: int) -> list[Places]:
    """Take the place of a complaint: "knock front left, drop link renewed"."""
    own = clauses[at]
    beside = [c for c in clauses if c.sentence == own.sentence]
    first = beside[0]
    if first.topic and first.places and all(c is first or not c.places for c in beside):
        return [first.places]  # "Front brakes: pads renewed, calipers cleaned"
    for before in reversed(clauses[:at]):
        told_apart = before.sentence not in (own.sentence, own.sentence - 1)
        if told_apart or before.acts or before.void or before.named_others:
            return []
        if before.places:
            return [before.places]
    return []


def _with_more(
    own: Clause, before: Clause | None, after: Clause | None, later: list[Clause]
) -> list[Places]:
    """Add places from clauses of their own before or after."""
    told = [own.places]
    if before and own.joined and own.first_place == 0 and _is_one_more(before, own):
        told.insert(0, before.places)
    last = own
    for one in later:
        goes_on = one.joined or last.last_place == len(last.words) - 1
        if not goes_on or one.first_place != 0 or one.parts or not _is_one_more(one, own):
            break
        told.append(one.places)
        last = one
    if len(told) == 1 and any(c.acts and not c.parts and c.places == BOTH_SIDES for c in later):
        return [{**own.places, **BOTH_SIDES}]  # "damper left leaks, both renewed"
    if len(told) == 1 and own.is_state and not own.acts and (only := _only_there(own, later)):
        return [{**own.places, **only}]
    if len(told) > 1 or not after or after.parts or after.acts:
        return told
    return [{**after.places, **own.places}]


def _only_there(own: Clause, later: list[Clause]) -> Places:
    """Give the place of work on one of several: "both calipers seized, left one renewed"."""
    done = next((c for c in later if c.acts and not c.void), None)
    if done is None or done.parts or done.named_others:
        return {}
    is_within = all(own.places.get(axis, told | {""}) > told for axis, told in done.places.items())
    return done.places if is_within else {}


def _is_one_more(one: Clause, own: Clause) -> bool:
    """Whether a clause without components names another place along the same axes."""
    return (
        not one.parts
        and not one.named_others
        and one.places != own.places
        and one.places.keys() == own.places.keys()
    )
