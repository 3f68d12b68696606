"""The plain layout: four tables every reader's rows are brought into.

This file is the contract as data: names, kinds and keys.  How a kind is parsed stands in
``store/intake/spelling.py`` (as SQL) and nowhere else; how a file becomes these columns is the
readers' business.  Empty means "not known" everywhere.
"""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from functools import cache
from zoneinfo import ZoneInfo, available_timezones

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
        """Names of the columns that say which row this is."""
        return tuple(c.name for c in self.columns if c.key)


STATUS_WORDS = ("pending", "confirmed", "permanent", "stored", "active", "previously_active")

VEHICLES = Table(
    "vehicles",
    (
        Column("vehicle_id", Kind.TEXT, required=True, key=True),
        Column("vin", Kind.TEXT),
        Column("plate", Kind.TEXT),
        Column("plate_since", Kind.DATE),  # from when; empty: not known
        Column("make", Kind.TEXT),
        Column("model", Kind.TEXT),
        Column("model_year", Kind.YEAR),
        Column("powertrain", Kind.TEXT),
        Column("site", Kind.TEXT),
        Column("in_service_on", Kind.DATE),
        Column("stock_status", Kind.CHOICE, choices=("in_fleet", "in_stock", "sold")),
        Column("acquired_on", Kind.DATE),
    ),
)

SCANS = Table(
    "scans",
    (
        Column("scan_id", Kind.TEXT, required=True, key=True),
        Column("vehicle_id", Kind.TEXT, required=True, key=True),
        Column("scanned_at", Kind.INSTANT, required=True),
        Column("odometer_km", Kind.DISTANCE),
        Column("engine_hours", Kind.DISTANCE),
        Column("scan_scope", Kind.CHOICE, choices=("full", "partial"), default="partial"),
        Column("memory", Kind.CHOICE, choices=("stored", "active_only"), default="stored"),
        # empty only in an odometer-only scan: no control unit was read
        Column("ecu", Kind.TEXT, key=True),
        Column("ecu_response", Kind.CHOICE, choices=("answered", "no_answer"), default="answered"),
        Column("code", Kind.TEXT, key=True),
        Column("failure_type", Kind.TEXT),
        Column("status", Kind.STATUS, choices=STATUS_WORDS),
        Column("description", Kind.TEXT),
        Column("occurrences", Kind.COUNT),
        Column("first_seen_km", Kind.DISTANCE),
        Column("ecu_vin", Kind.TEXT),
        Column("distance_since_clear_km", Kind.DISTANCE),
        Column("warmups_since_clear", Kind.COUNT),
        Column("monitors_incomplete", Kind.WORDS),
        Column("lamps", Kind.WORDS),
        Column(
            "visit_reason",
            Kind.CHOICE,
            choices=("routine", "complaint", "pre_repair", "post_repair", "intake", "unknown"),
            default="unknown",
        ),
    ),
)

CLEARS = Table(
    "clears",
    (
        Column("vehicle_id", Kind.TEXT, required=True, key=True),
        Column("cleared_at", Kind.INSTANT, required=True, key=True),
        Column("odometer_km", Kind.DISTANCE),
        Column("ecu", Kind.TEXT, key=True),  # empty: every control unit
        Column("reason", Kind.TEXT),
    ),
)

REPAIRS = Table(
    "repairs",
    (
        Column("repair_id", Kind.TEXT, required=True, key=True),
        Column("vehicle_id", Kind.TEXT, required=True, key=True),
        Column("repaired_at", Kind.INSTANT, required=True),
        Column("odometer_km", Kind.DISTANCE),
        Column("site", Kind.TEXT),
        Column("technician", Kind.TEXT),
        Column("codes", Kind.CODES),
        Column(
            "action",
            Kind.CHOICE,
            key=True,
            choices=("replace", "repair", "clean", "adjust", "software", "inspect"),
        ),
        Column("part_number", Kind.TEXT, key=True),
        Column("part_brand", Kind.TEXT),
        Column(
            "part_grade",
            Kind.CHOICE,
            choices=("original", "aftermarket", "remanufactured", "used"),
        ),
        Column("part_family", Kind.TEXT, key=True),
        Column("position", Kind.TEXT, key=True),
        Column("quantity", Kind.NUMBER),
        Column("part_cost", Kind.NUMBER),
        Column("labour_cost", Kind.NUMBER),
        Column("currency", Kind.TEXT),
        Column(
            "removal_reason",
            Kind.CHOICE,
            choices=("failure", "preventive", "accident", "unknown"),
        ),
        Column("notes", Kind.TEXT),
    ),
)


TABLES = {table.name: table for table in (VEHICLES, SCANS, CLEARS, REPAIRS)}

# A distance column may be delivered in miles under this name instead; never under both.
MILE_COLUMNS = {"odometer_km": "odometer_mi"}

# 1 international mile, exactly (yard and pound agreement of 1959)
KM_PER_MILE = 1.609344


@dataclass(frozen=True, slots=True)
class Takes:
    """What is taken of plain tables; years include both ends."""

    columns: int = 500  # a wider table is refused as a whole
    times_from: int = 1960  # instants before this year are refused
    dates_from: int = 1900  # dates of vehicles before this year are
    until: int = 2100
    max_km: float = 3_000_000  # a row with a higher odometer is refused
    max_hours: float = 200_000  # ... with more hours of the engine
    km_per_day: float = 1500  # a reading that rose faster is kept and told
    latest: datetime | None = None  # aware; ... with a time after this; None: any


def check_zone(zone: str) -> str:
    """Give back the name of a known IANA time zone.

    Raises:
        ValueError: there is no such zone.

    """
    if zone not in _zones():
        raise ValueError(f"there is no time zone {zone!r}; use a name such as Europe/Berlin")
    return ZoneInfo(zone).key
