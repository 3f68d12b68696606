"""The plain layout: four tables every reader's rows are brought into.

This file is the contract as data: names, kinds and keys.  How a kind is parsed is in
``store/intake/spelling.py`` (as SQL) and nowhere else; the readers bring a file into these columns.
Empty means "not known" everywhere.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from functools import cache
from zoneinfo import ZoneInfo, available_timezones

from afterclear.errors import worded

# Gathered from some six hundred files: once a process, not once a source or map.
_zones = cache(available_timezones)


class Kind(StrEnum):
    """What a cell may hold; each kind has one parser and one sentence of expectation."""

    TEXT = "text"
    INSTANT = "instant"  # ISO 8601, offset or the source's zone
    DATE = "date"
    DISTANCE = "distance"  # 0 or more, km unless the column says miles
    NUMBER = "number"
    COUNT = "count"  # whole, 0 or more
    YEAR = "year"
    CHOICE = "choice"
    STATUS = "status"  # a word, or two hex digits of an ISO 14229-1 status byte
    CODES = "codes"  # code spellings, space-separated
    WORDS = "words"  # names, space-separated


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the plain layout."""

    name: str
    kind: Kind
    required: bool = False
    key: bool = False
    choices: tuple[str, ...] = ()
    default: str | None = None  # what an empty cell of a CHOICE means, where that is agreed
    means: str = ""  # what it holds


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the plain layout; a file is recognised by its required columns."""

    name: str
    columns: tuple[Column, ...]

    @property
    def required(self) -> tuple[str, ...]:
        """Names of the columns without which a file is not this table."""
        return tuple(c.name for c in self.columns if c.required)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of all columns, in the contract's order."""
        return tuple(c.name for c in self.columns)

    @property
    def keys(self) -> tuple[str, ...]:
        """Names of the key columns."""
        return tuple(c.name for c in self.columns if c.key)


# the column that says when, of tables whose rows are of an instant
INSTANT_OF = {"scans": "scanned_at", "repairs": "repaired_at", "clears": "cleared_at"}
STATUS_WORDS = ("pending", "confirmed", "permanent", "stored", "active", "previously_active")

VEHICLES = Table(
    "vehicles",
    (
        Column(
            "vehicle_id", Kind.TEXT, required=True, key=True, means="your own number of the vehicle"
        ),
        Column("vin", Kind.TEXT, means="vehicle identification number"),
        Column("plate", Kind.TEXT, means="registration plate"),
        Column("plate_since", Kind.DATE, means="the day from which it has that plate"),
        Column("make", Kind.TEXT, means="maker"),
        Column("model", Kind.TEXT, means="model"),
        Column("model_year", Kind.YEAR, means="year of the model"),
        Column("powertrain", Kind.TEXT, means="what drives it; any words, the same for the same"),
        Column("site", Kind.TEXT, means="its home site"),
        Column("in_service_on", Kind.DATE, means="the day of its first use"),
        Column(
            "stock_status",
            Kind.CHOICE,
            choices=("in_fleet", "in_stock", "sold"),
            means="whether it is in use, for sale (`in_stock`: the stock page audits it) or gone",
        ),
        Column("acquired_on", Kind.DATE, means="the day it came to you"),
    ),
)

SCANS = Table(
    "scans",
    (
        Column("scan_id", Kind.TEXT, required=True, key=True, means="which reading"),
        Column("vehicle_id", Kind.TEXT, required=True, key=True, means="of which vehicle"),
        Column("scanned_at", Kind.INSTANT, required=True, means="when it was read"),
        Column("odometer_km", Kind.DISTANCE, means="odometer as shown at that moment"),
        Column("engine_hours", Kind.DISTANCE, means="hours of the engine as shown at that moment"),
        Column(
            "scan_scope",
            Kind.CHOICE,
            choices=("full", "partial"),
            default="partial",
            means="`full`: every control unit was asked; `partial`: some were",
        ),
        Column(
            "memory",
            Kind.CHOICE,
            choices=("stored", "active_only"),
            default="stored",
            means="`stored`: the fault memory was read; `active_only`: only what is wrong at this "
            "moment, so it cannot show that a code is gone",
        ),
        # empty only in an odometer-only scan: no control unit was read
        Column(
            "ecu",
            Kind.TEXT,
            key=True,
            means="the control unit: `engine`, `brakes`, `airbag` ...; empty only in a row that "
            "gives an odometer and nothing else",
        ),
        Column(
            "ecu_response",
            Kind.CHOICE,
            choices=("answered", "no_answer"),
            default="answered",
            means="whether the unit answered",
        ),
        Column(
            "code",
            Kind.TEXT,
            key=True,
            means="`P0301`, `C0034-11`, `SPN 100 FMI 4` or a maker's own as `make:40417`; "
            "empty: the unit answered with none",
        ),
        Column(
            "failure_type",
            Kind.TEXT,
            means="the two hex digits after the code, where they have a column of their own",
        ),
        Column(
            "status",
            Kind.STATUS,
            choices=STATUS_WORDS,
            means="a word, or the two hex digits of the status byte of ISO 14229-1",
        ),
        Column("description", Kind.TEXT, means="what the tool calls the code"),
        Column("occurrences", Kind.COUNT, means="how often the unit's memory counts it"),
        Column(
            "first_seen_km",
            Kind.DISTANCE,
            means="odometer at the first time, from the unit's memory",
        ),
        Column("ecu_vin", Kind.TEXT, means="the VIN the unit itself gives"),
        Column(
            "distance_since_clear_km",
            Kind.DISTANCE,
            means="counted by the unit since its memory was last cleared: shows clears nobody "
            "recorded",
        ),
        Column(
            "warmups_since_clear",
            Kind.COUNT,
            means="warm-ups counted since then, for the same purpose",
        ),
        Column(
            "monitors_incomplete",
            Kind.WORDS,
            means="self-tests not done since the last clear, with blanks between; `none` where "
            "all are done; empty: not known. Names as in `config/monitors.csv`",
        ),
        Column("lamps", Kind.WORDS, means="warning lamps seen lit, with blanks between"),
        Column(
            "visit_reason",
            Kind.CHOICE,
            choices=("routine", "complaint", "pre_repair", "post_repair", "intake", "unknown"),
            default="unknown",
            means="why the vehicle was read",
        ),
    ),
)

CLEARS = Table(
    "clears",
    (
        Column("vehicle_id", Kind.TEXT, required=True, key=True, means="of which vehicle"),
        Column(
            "cleared_at",
            Kind.INSTANT,
            required=True,
            key=True,
            means="when the fault memory was cleared",
        ),
        Column("odometer_km", Kind.DISTANCE, means="odometer at that moment"),
        Column(
            "ecu",
            Kind.TEXT,
            key=True,
            means="the control unit whose memory was cleared; empty: all",
        ),  # empty: every control unit
        Column("reason", Kind.TEXT, means="why, in any words"),
    ),
)

REPAIRS = Table(
    "repairs",
    (
        Column("repair_id", Kind.TEXT, required=True, key=True, means="which work order"),
        Column("vehicle_id", Kind.TEXT, required=True, key=True, means="on which vehicle"),
        Column("repaired_at", Kind.INSTANT, required=True, means="when the work was done"),
        Column("odometer_km", Kind.DISTANCE, means="odometer at that moment"),
        Column("site", Kind.TEXT, means="where it was done"),
        Column("technician", Kind.TEXT, means="who did it"),
        Column("codes", Kind.CODES, means="the codes it was meant for, with blanks between"),
        Column(
            "action",
            Kind.CHOICE,
            key=True,
            choices=("replace", "repair", "clean", "adjust", "software", "inspect"),
            means="what was done",
        ),
        Column("part_number", Kind.TEXT, key=True, means="as on the invoice"),
        Column("part_brand", Kind.TEXT, means="as on the invoice"),
        Column(
            "part_grade",
            Kind.CHOICE,
            choices=("original", "aftermarket", "remanufactured", "used"),
            means="where the part comes from",
        ),
        Column("part_family", Kind.TEXT, key=True, means="what part: `wheel speed sensor`"),
        Column("position", Kind.TEXT, key=True, means="where on the vehicle: `front right`"),
        Column("quantity", Kind.NUMBER, means="how many"),
        Column(
            "part_cost",
            Kind.NUMBER,
            means="of the whole quantity. Amounts of an order are added up, so labour of the "
            "whole order stands in one of its rows",
        ),
        Column("labour_cost", Kind.NUMBER, means="of this row"),
        Column("currency", Kind.TEXT, means="of both amounts. Currencies are never added up"),
        Column(
            "removal_reason",
            Kind.CHOICE,
            choices=("failure", "preventive", "accident", "unknown"),
            means="why the old part came out",
        ),
        Column(
            "notes",
            Kind.TEXT,
            means="any words, in English, German, French, Spanish or Polish; see below",
        ),
    ),
)


TABLES = {table.name: table for table in (VEHICLES, SCANS, CLEARS, REPAIRS)}

# A distance column may be delivered in miles under this name instead; never under both.
MILE_COLUMNS = {"odometer_km": "odometer_mi"}

# 1 international mile, exactly (yard and pound agreement of 1959)
KM_PER_MILE = 1.609344


# The places a code names, by axis: {"cylinder": "1"}; none if it names none, or is not known.
PlacesOf = Callable[[str], Mapping[str, str]]


# A reader's column beside the plain ones: what rows of an order are that differ in nothing but
# codes of different places. "one": one line, told once for each code; "each": a line a place.
APART = "_apart"
# Likewise: amounts that are the whole order's and stand in each of its rows, parted by blanks.
ONCE = "_once"


def without_places(_code: str) -> Mapping[str, str]:
    """Name no place: all that is known of codes where nobody hands a catalogue in."""
    return {}


@dataclass(frozen=True, slots=True)
class Takes:
    """What is accepted in plain tables; years include both ends."""

    columns: int = 500  # a wider table is refused as a whole
    times_from: int = 1960  # instants before this year are refused
    dates_from: int = 1900  # dates of vehicles before this year are
    until: int = 2100
    max_km: float = 3_000_000  # a row with a higher odometer is refused
    max_hours: float = 200_000  # ... with more hours of the engine
    km_per_day: float = 1500  # a reading that rose faster is kept and reported
    latest: datetime | None = None  # aware; ... with a time after this; None: any
    # rows of one order whose codes are of different places are not one line
    places_of: PlacesOf = field(default=without_places, compare=False)


def check_zone(zone: str) -> str:
    """Give back the name of a known IANA time zone.

    Raises:
        ValueError: there is no such zone.

    """
    if zone not in _zones():
        raise ValueError(
            worded("there is no time zone {zone!r}; use a name such as Europe/Berlin", zone=zone)
        )
    return ZoneInfo(zone).key
