"""What each column may be: a role, how strongly its values and its heading point to it, and why.

Roles are those of the plain layout and a few that help to fill it (a time of day, a unit beside
a distance, the text of a work order).  Values weigh as much as headings, and a heading whose
values do not fit says nothing.
"""

import re
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass

from afterclear.catalogue.folded_words import without_accents
from afterclear.errors import worded
from afterclear.plain import INSTANT_OF
from afterclear.readers.formats.nested import NAMES
from afterclear.readers.maps.heading_words import HeadingWords
from afterclear.readers.suggest.columns.numbers import is_count, is_distance, is_number, parted
from afterclear.readers.suggest.columns.profiles import (
    Profile,
    is_plate,
    known_plates,
    known_share,
)
from afterclear.readers.suggest.columns.role_tests import (
    FITS,
    TESTS,
    Sight,
    Test,
    bare_codes,
    is_hex,
    named_units,
)

# What may name a row's vehicle, the surest first.
WHOSE = ("vehicle_id", "vin", "plate")
LEAST = 0.4  # a reading less sure is none
SURE_BY_VALUES = 0.85
SURE_UNIT = 0.6  # "Engine" alone may be a part of a vehicle too
_HALF = 0.5
_MONEY = re.compile(r"[€$£]|\b(?:EUR|CHF|GBP|USD|PLN|z\u0142)\b", re.IGNORECASE)
_TIMES = tuple(INSTANT_OF.values())
# Headings -> the role they name, if it has another name.
_HEADED: Mapping[str, tuple[str, ...]] = {
    "when": _TIMES,
    "km": ("odometer_km", "odometer_mi"),
    "hours": ("engine_hours",),
}


@dataclass(frozen=True, slots=True)
class Reading:
    """One column in one role."""

    role: str
    heading: str
    sure: float
    reason: str


def whose(roles: Container[str]) -> str | None:
    """Give the role of the column by which rows name their vehicles; None: there is none."""
    return next((role for role in WHOSE if role in roles), None)


# Roles that values show under any heading.
_BY_VALUES = {"vin", "code", "when", "time_of_day", "km", "status", "distance_unit", "ecu"}
_BY_VALUES |= {"position"}
# ... and all of them must: few words have other meanings too.
_WHOLLY = {"status", "distance_unit", "position"}


# Of a time or a distance that is still to come, or that was frozen with a code, no reading is made.
_OF_NOW = {"when", "opened_at", "km", "hours"}


def is_of_now(heading: str, words: HeadingWords) -> bool:
    """Whether a heading may be of the row's own time: not the next service's, nor a freeze frame's.

    >>> is_of_now("Next service (km)", HeadingWords({("next",): ("of_time:to_come",)}))
    False
    """
    return words.of_beginning("of_time", heading, anywhere=True) not in {"to_come", "frozen"}


def readings_of(sight: Sight) -> list[Reading]:
    """List all readings of all columns, the surest first."""
    found = [
        reading
        for profile in sight.profiles
        for role, test in TESTS.items()
        if (reading := _reading(role, test, profile, sight)) is not None
    ]
    found += _beside_units(found, sight)
    return sorted(found, key=lambda r: (-r.sure, sight.by_name[r.heading].at))


def may_be(role: str, profile: Profile, sight: Sight) -> bool:
    """Whether at least half of a column's values can be read in a role, whatever its heading."""
    if role not in TESTS or not profile.values:
        return False
    share = TESTS[role](profile, sight)
    if role == "code":
        share = max(share or 0.0, bare_codes(profile))
    return share is None or share >= _HALF


def _beside_units(found: Sequence[Reading], sight: Sight) -> list[Reading]:
    """Take numbers left of a column of km and mi for distances, whatever their heading."""
    units = [r.heading for r in found if r.role == "distance_unit"]
    beside = [(sight.profiles[p.at - 1], p) for h in units if (p := sight.by_name[h]).at > 0]
    left = [p for p, unit in beside if _is_of_same_thing(p.heading, unit.heading)]
    return [
        Reading("km", p.heading, 0.96, worded("units of distance stand beside it"))
        for p in left
        if p.share(is_number) >= FITS and p.heading not in sight.times
    ]


def _is_of_same_thing(number: str, unit: str) -> bool:
    """Whether a unit belongs to a number: in a tree both hang from one thing."""
    above, _, _ = unit.rpartition(".")
    return not above or number == above or number.rpartition(".")[0] == above


def _reading(role: str, test: Test, profile: Profile, sight: Sight) -> Reading | None:
    headed = profile.means(*_HEADED.get(role, (role,)))
    if role == "labour_cost" and _MONEY.search(profile.heading):
        headed = max(headed, profile.means("work_text", "action"))  # Arbeit CHF
    if role == "km" and profile.means("occurrences") and is_count(profile):
        return None
    if not profile.values or (role in _OF_NOW and not is_of_now(profile.heading, sight.words)):
        return None
    if known := _by_known(role, profile, sight):
        return known
    share = test(profile, sight)
    if role == "code" and headed and share is not None and share < FITS:
        share = max(share, 0.9 * bare_codes(profile))
    if share is not None and share < (_HALF if headed else FITS):
        return None
    if not headed:
        return _by_values(role, share or 0.0, profile, sight)
    sure = 0.55 * headed + 0.45 * (1.0 if share is None else share)
    reason = (
        worded("its heading")
        if share is None
        else worded("its heading, and {share:.0%} of its values fit", share=share)
    )
    return Reading(role, profile.heading, sure, reason) if sure >= LEAST else None


def _by_values(role: str, share: float, profile: Profile, sight: Sight) -> Reading | None:
    """Recognise a role by values alone, under whatever heading."""
    if role not in _BY_VALUES or (role == "km" and not is_distance(profile)):
        return _plate_under_other_heading(role, profile)
    if role == "code" and profile.means("vehicle_id", "part_number", "repair_id") > _HALF:
        return None  # B-1041 is a number of another kind
    if role in _WHOLLY and (share < 1.0 or is_hex(profile)):
        return None
    if role == "ecu":
        are_keys = profile.heading.endswith(f".{NAMES}")  # and their things hold codes
        if named_units(profile, sight) < (_HALF if are_keys else 1.0):
            return None
        return Reading(role, profile.heading, SURE_UNIT, worded("its values are control units"))
    return Reading(role, profile.heading, SURE_BY_VALUES * share, worded("its values alone"))


def _by_known(role: str, profile: Profile, sight: Sight) -> Reading | None:
    """Give what the store knows: values that are vehicles loaded before."""
    known_words = {
        "vehicle_id": sight.known.numbers,
        "vin": sight.known.vins,
        "plate": sight.known.plates,
    }
    share = (known_plates if role == "plate" else known_share)(
        profile, known_words.get(role, frozenset())
    )
    if share <= 0.5:
        return None
    return Reading(
        role,
        profile.heading,
        0.95 + 0.05 * share,
        worded("{share:.0%} are known vehicles", share=share),
    )


def _plate_under_other_heading(role: str, profile: Profile) -> Reading | None:
    """Recognise plates under a heading that means a vehicle."""
    if role != "plate" or not profile.means("vehicle_id"):
        return None
    share = profile.share(is_plate)
    if share < FITS:
        return None
    return Reading(
        role, profile.heading, 0.96 * share, worded("its values have the shape of plates")
    )


def settled(readings: Sequence[Reading], roles: Sequence[str] = ()) -> dict[str, Reading]:
    """Give each role its surest column, each column one role."""
    taken: dict[str, Reading] = {}
    used: set[str] = set()
    for reading in readings:
        if roles and reading.role not in roles:
            continue
        if reading.role not in taken and reading.heading not in used:
            taken[reading.role] = reading
            used.add(reading.heading)
    return taken


def unit_of(profile: Profile) -> str:
    """Name the unit of a column of distances by its heading; cell: it is beside the number."""
    written = {found.unit for v in profile.values if (found := parted(v))} - {""}
    if written:
        return "cell"
    told = f"{profile.heading} {profile.unit_below}"
    text = re.sub(r"[^a-z0-9]+", " ", without_accents(told.casefold()))
    if re.search(r"\b(?:1000 ?km|km x ?1000|tkm|(?:tys|tsd|mil|milliers de|thousand) km)\b", text):
        return "1000 km"
    if re.search(r"\b(?:m|met(?:er|re|ro)s?)$", text.strip()):
        return "m"
    if profile.means("odometer_mi") >= profile.means("odometer_km") and profile.means(
        "odometer_mi"
    ):
        return "mi"
    if re.search(r"\b(?:mi|miles|mls|meilen|millas)\b", text):
        return "mi"
    return (
        "km"
        if re.search(r"km|kilo|cuentakilo|przebieg|licznik|tacho|laufleistung|compteur", text)
        else ""
    )
