"""What the values of a column must look like to be in a role: the share of them that do."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from afterclear.catalogue.control_units import ControlUnits
from afterclear.plain import TABLES
from afterclear.readers.maps.heading_words import HeadingWords
from afterclear.readers.maps.measures import WRITTEN
from afterclear.readers.suggest.columns.date_formats import TimeColumn
from afterclear.readers.suggest.columns.numbers import is_number, parted
from afterclear.readers.suggest.columns.profiles import (
    Known,
    Profile,
    id_shape,
    is_bare_code,
    is_codes,
    is_none_word,
    is_plate,
    is_silent_word,
    is_vin_like,
    names_places,
    with_figure_0,
)

HALF = 0.5
_SHORT_MARK = 2  # characters; the 2 of Cyl. 2 is no number of a part
_SHORT_WORD = 4  # letters
FITS = 0.8  # share of values from which they fit
_DASHED_NUMBER = re.compile(r"[A-Z]-\d{4}")  # B-1041: a number, where a heading says so
FEW_WORDS = 8  # distinct words of a column of states
_CHOICES = {c.name: c.choices for t in TABLES.values() for c in t.columns if c.choices}


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


def _codes(p: Profile, s: Sight) -> float:
    none = [v for v in p.values if is_none_word(v) or is_silent_word(v, s.words)]
    values = [v for v in p.values if v not in none and not p.says_empty(v)]
    is_named = p.means("code") > FITS
    fits = [v for v in values if is_codes(v) or (is_named and with_figure_0(v))]
    return len(fits) / len(values) if values else 0.0


def bare_codes(p: Profile) -> float:
    """Give the share of numbers that may be codes."""
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
    if p.heading in s.times or p.heading in s.clocks or named_units(p, s) >= FITS:
        return 0.0
    if all(v.lower() in WRITTEN or not any(map(str.isalnum, v)) for v in p.values):
        return 0.0  # km, hm, %: what something counts
    is_named = p.means("vehicle_id") > FITS and p.share(_DASHED_NUMBER.fullmatch) == 1
    if _codes(p, s) >= FITS and not is_named:
        return 0.0
    if p.share(lambda v: re.search(r"\d[.,]\d", v)) > 0.2:
        return 0.0
    return _mark(p, s)


def named_units(p: Profile, s: Sight) -> float:
    """Give the share of names of control units."""
    return p.share(lambda v: s.units.named(v) is not None and len(v.split()) <= 6)


def _unit_name(p: Profile, s: Sight) -> float:
    named = named_units(p, s)
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


def is_hex(p: Profile) -> bool:
    """Whether some values are two digits of a byte."""
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


def _maker(p: Profile, s: Sight) -> float:
    """Recognise makers' names: where most have figures, a part's number stands beside them."""
    if p.share(lambda v: any(map(str.isdigit, v))) > HALF:
        return 0.0
    return _text(p, s)


def _part_number(p: Profile, s: Sight) -> float:
    """Recognise part numbers: unlike amounts they have no decimals, and no currency beside them."""
    if p.share(lambda v: (found := parted(v)) and found.is_money and not v[-1].isalnum()) > 0:
        return 0.0
    if p.share(lambda v: any(c in v for c in "€$£")) > 0:
        return 0.0
    if p.share(lambda v: re.fullmatch(r"[\d.,\u2396 ]*[.,\u2396]\d{1,2}", v)) > 0.3:
        return 0.0
    if p.share(_names_a_thing) > HALF:
        return 0.0
    return _mark(p, s) or 0.0


def _names_a_thing(value: str) -> bool:
    """Recognise a part called by its name: a long word, and no number of letters and figures."""
    words = re.findall(r"[^\W\d_]+", value)
    has_number = any(any(map(str.isdigit, w)) and len(w) > _SHORT_MARK for w in value.split())
    return not has_number and any(len(w) > _SHORT_WORD and not w.isupper() for w in words)


def _distance_units(p: Profile, _: Sight) -> float:
    """Give the share of units of distance; beside one, hours are of the same column of counters."""
    units = [WRITTEN.get(v.lower().rstrip("."), "") for v in p.values]
    fit = {"km", "mi", "hm"}
    fit |= {"h"} if fit & set(units) else set()
    return sum(unit in fit for unit in units) / len(units) if units else 0.0


def _dates(p: Profile, s: Sight) -> float:
    return float(p.heading in s.times)


def _clocks(p: Profile, s: Sight) -> float:
    return float(p.heading in s.clocks)


# Role -> what its values must look like.
TESTS: Mapping[str, Test] = {
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
    "part_brand": _maker,
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
