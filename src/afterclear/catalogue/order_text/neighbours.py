"""Places that are told of one part and meant of its neighbours, too.

"Bearing front left renewed, speed sensor torn off, too": the sensor sits at that bearing.
Which parts sit together is own judgement.
"""

from dataclasses import replace
from typing import Final

from afterclear.catalogue.order_text.told import Bound, Places
from afterclear.catalogue.order_words.speech import WIRING

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
