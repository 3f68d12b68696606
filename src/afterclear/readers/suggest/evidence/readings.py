"""What each column may be: a role, how strongly its values and its heading point to it, and why.

Roles are those of the plain layout and a few that help to fill it (a time of day, a unit beside
a distance, the text of a work order).  Values weigh as much as headings, and a heading whose
values do not fit says nothing.
"""

import re
from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import dataclass, field

from afterclear.catalogue.control_units import ControlUnits
from afterclear.catalogue.folded_words import without_accents
from afterclear.errors import worded
from afterclear.plain import TABLES
from afterclear.readers.maps.heading_words import HeadingWords
from afterclear.readers.maps.measures import WRITTEN
from afterclear.readers.suggest.evidence.date_formats import TimeColumn
from afterclear.readers.suggest.evidence.numbers import is_count, is_distance, is_number, parted
from afterclear.readers.suggest.evidence.profiles import (
    Known,
    Profile,
    id_shape,
    is_bare_code,
    is_codes,
    is_none_word,
    is_plate,
    is_vin_like,
    known_plates,
    known_share,
    names_places,
    with_figure_0,
)

# What may name a row's vehicle, the surest first.
WHOSE = ("vehicle_id", "vin", "plate")
LEAST = 0.4  # a reading less sure is none
FITS = 0.8  # share of values from which they fit
SURE_BY_VALUES = 0.85
SURE_UNIT = 0.6  # "Engine" alone may be a part of a vehicle too
_HALF = 0.5
FEW_WORDS = 8  # distinct words of a column of states
_MONEY = re.compile(r"[€$£]|\b(?:EUR|CHF|GBP|USD|PLN|z\u0142)\b", re.IGNORECASE)
_TIMES = ("scanned_at", "repaired_at", "cleared_at")
# Headings -> the role they name, if it has another name.
_HEADED: Mapping[str, tuple[str, ...]] = {
    "when": _TIMES,
    "km": ("odometer_km", "odometer_mi"),
    "hours": ("engine_hours",),
}
_CHOICES = {c.name: c.choices for t in TABLES.values() for c in t.columns if c.choices}


@dataclass(frozen=True, slots=True)
class Reading:
    """One column in one role."""

    role: str
    heading: str
    sure: float
    reason: str


@dataclass(slots=True)
class Sight:
    """Everything known of a table when its columns are read."""

    profiles: list[Profile]
    times: dict[str, TimeColumn]
    clocks: dict[str, TimeColumn]
    words: HeadingWords
    units: ControlUnits
    known: Known
    by_name: dict[str, Profile] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Find profiles by their headings."""
        self.by_name = {p.heading: p for p in self.profiles}

    def row_text(self, at: int) -> str:
        """Write a row as a person would read it out."""
        cells = [f"{p.heading}: {p.cells[at]}" for p in self.profiles if p.cells[at]]
        return ", ".join(cells)[:160]


# A test gives the share of values that fit; None: any value fits.
Test = Callable[[Profile, Sight], float | None]


def _codes(p: Profile, _: Sight) -> float:
    values = [v for v in p.values if not is_none_word(v)]
    is_named = p.means("code") > FITS
    fits = [v for v in values if is_codes(v) or (is_named and with_figure_0(v))]
    return len(fits) / len(values) if values else 0.0


def _bare_codes(p: Profile) -> float:
    values = [v for v in p.values if not is_none_word(v)]
    return sum(map(is_bare_code, values)) / len(values) if values else 0.0


def _number(p: Profile, _: Sight) -> float:
    return p.share(is_number)


def _whole(p: Profile, _: Sight) -> float:
    return p.share(lambda v: re.fullmatch(r"\d{1,7}", v))


def _year(p: Profile, _: Sight) -> float:
    return p.share(lambda v: re.fullmatch(r"(?:19|20)\d\d", v))


def _text(p: Profile, s: Sight) -> float:
    if p.heading in s.times:
        return 0.0
    return p.share(lambda v: any(c.isalpha() for c in v) and not is_vin_like(v))


def _sentence(p: Profile, s: Sight) -> float:
    return _text(p, s) if p.is_text else _text(p, s) * 0.7


def _mark(p: Profile, s: Sight) -> float:
    if p.heading in s.times or p.heading in s.clocks:
        return 0.0
    return p.share(lambda v: len(v) <= 30 and len(v.split()) <= 3)


def _site(p: Profile, s: Sight) -> float:
    return 0.0 if names_places(p, s.words) >= FITS else _text(p, s)


def _order_number(p: Profile, s: Sight) -> float:
    """Recognise order numbers: unlike texts of work they have digits, and hardly any words."""
    if p.heading in s.times or p.heading in s.clocks:
        return 0.0
    return p.share(lambda v: len(v.split()) <= 2 and any(map(str.isdigit, v)))


def _vehicle_number(p: Profile, s: Sight) -> float:
    if p.heading in s.times or p.heading in s.clocks or _named_units(p, s) >= FITS:
        return 0.0
    if all(v.lower() in WRITTEN or not any(map(str.isalnum, v)) for v in p.values):
        return 0.0  # km, hm, %: what something counts
    if _codes(p, s) >= FITS or p.share(lambda v: re.search(r"\d[.,]\d", v)) > 0.2:
        return 0.0
    return _mark(p, s)


def _named_units(p: Profile, s: Sight) -> float:
    return p.share(lambda v: s.units.named(v) is not None and len(v.split()) <= 6)


def _unit_name(p: Profile, s: Sight) -> float:
    named = _named_units(p, s)
    if named > 0.5:
        return 1.0
    shapes = {id_shape(v) for v in p.values}
    if (len(shapes) == 1 and "" not in shapes) or p.heading in s.times:
        return 0.0  # all like V-014: identifiers of things, not names
    if p.share(lambda v: v.lower().rstrip(".") in WRITTEN) > 0.5:
        return 0.0  # km, mi: units of measure
    short = p.share(lambda v: len(v.split()) <= 6 and any(c.isalpha() for c in v))
    return 0.0 if p.is_text and named < 0.2 else 0.85 * short


def _words(column: str) -> Test:
    choices = _CHOICES.get(column, ())

    def fits(p: Profile, s: Sight) -> float:
        known = lambda v: v.lower() in choices or s.words.of_word(column, v) is not None  # noqa: E731
        return p.share(known)

    return fits


def _is_hex(p: Profile) -> bool:
    return p.share(lambda v: re.fullmatch(r"(?:0[xX])?[0-9a-fA-F]{2}", v)) > 0


def _statuses(p: Profile, s: Sight) -> float:
    hexes = p.share(lambda v: re.fullmatch(r"(?:0[xX])?[0-9a-fA-F]{2}", v))
    known = max(_words("status")(p, s) or 0.0, hexes)
    # a heading with no other meaning: the user is asked about unknown words
    is_named_status = (
        set(p.meant) - {"stock_status"} == {"status"}  # that of a vehicle has words of its own
        and p.means("status") > FITS
        and len(p.values) <= FEW_WORDS
        and (known or not s.words.of_word("any_kind", p.heading))
    )
    return max(known, 0.5) if is_named_status else known


def _part_number(p: Profile, s: Sight) -> float:
    """Recognise part numbers: unlike amounts they have no decimals, and no currency beside them."""
    if p.share(lambda v: (found := parted(v)) and found.is_money and not v[-1].isalnum()) > 0:
        return 0.0
    if p.share(lambda v: any(c in v for c in "€$£")) > 0:
        return 0.0
    if p.share(lambda v: re.fullmatch(r"[\d.,\u2396 ]*[.,\u2396]\d{1,2}", v)) > 0.3:
        return 0.0
    return _mark(p, s) or 0.0


def _distance_units(p: Profile, _: Sight) -> float:
    return p.share(lambda v: WRITTEN.get(v.lower().rstrip("."), "") in {"km", "mi", "hm"})


def _dates(p: Profile, s: Sight) -> float:
    return float(p.heading in s.times)


def _clocks(p: Profile, s: Sight) -> float:
    return float(p.heading in s.clocks)


def whose(roles: Container[str]) -> str | None:
    """Give the role of the column by which rows name their vehicles; None: there is none."""
    return next((role for role in WHOSE if role in roles), None)


# Role -> what its values must look like.
_TESTS: Mapping[str, Test] = {
    # (digits of a time with a word may be as many as a VIN has)
    "vin": lambda p, s: 0.0 if p.heading in s.times else p.share(is_vin_like),
    "plate": lambda p, s: max(p.share(is_plate), 0.6 * (_vehicle_number(p, s))),
    "vehicle_id": _vehicle_number,
    "when": _dates,
    "opened_at": _dates,
    "in_service_on": _dates,
    "acquired_on": _dates,
    "plate_since": _dates,
    "time_of_day": _clocks,
    "km": _number,
    "hours": _number,
    "first_seen_km": _number,
    "distance_since_clear_km": _number,
    "distance_unit": _distance_units,
    "ecu": _unit_name,
    "ecu_response": _words("ecu_response"),
    "code": _codes,
    "spn": _whole,
    "fmi": _whole,
    "failure_type": lambda p, _: p.share(lambda v: re.fullmatch(r"(?:0x)?[0-9A-Fa-f]{1,2}h?", v)),
    "status": _statuses,
    "status_flag": _words("flag"),
    "description": _text,
    "occurrences": _whole,
    "scan_id": _mark,
    "scan_scope": _words("scan_scope"),
    "repair_id": _order_number,
    "technician": _text,
    "action": _words("action"),
    "work_text": _sentence,
    "complaint": _sentence,
    "notes": _sentence,
    "part_number": _part_number,
    "part_name": _text,
    "part_brand": _text,
    "part_grade": _words("part_grade"),
    "position": lambda p, s: names_places(p, s.words),
    "quantity": _number,
    "unit_price": _number,
    "part_cost": _number,
    "labour_cost": _number,
    "total_cost": _number,
    "currency": lambda p, _: p.share(lambda v: re.fullmatch(r"[A-Z]{3}|[€$£]|zł", v)),
    "make": _text,
    "model": _mark,
    "model_year": _year,
    "powertrain": _text,
    "site": _site,
    "stock_status": _words("stock_status"),
    "reason": _text,
    "driver": _text,
    "row_no": _whole,
}
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
        for role, test in _TESTS.items()
        if (reading := _reading(role, test, profile, sight)) is not None
    ]
    found += _beside_units(found, sight)
    return sorted(found, key=lambda r: (-r.sure, sight.by_name[r.heading].at))


def may_be(role: str, profile: Profile, sight: Sight) -> bool:
    """Whether at least half of a column's values can be read in a role, whatever its heading."""
    if role not in _TESTS or not profile.values:
        return False
    share = _TESTS[role](profile, sight)
    if role == "code":
        share = max(share or 0.0, _bare_codes(profile))
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
        share = max(share, 0.9 * _bare_codes(profile))
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
    if role in _WHOLLY and (share < 1.0 or _is_hex(profile)):
        return None
    if role == "ecu":
        if _named_units(profile, sight) < 1.0:
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
