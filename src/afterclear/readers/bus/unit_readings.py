"""What control units reported, before it becomes rows: shared by all raw readers."""

from collections import Counter
from dataclasses import dataclass, field

# Of several statements about one code in one scan the strongest is kept; pending and permanent are
# facts of their own.
_STRENGTH = ("active", "confirmed", "previously_active", "pending", "permanent")
_FACTS_APART = ("pending", "permanent")


@dataclass(slots=True)
class CodeSeen:
    """One code of one unit in one scan."""

    code: str
    failure_type: str | None  # None: no third byte, or 00, no sub-type
    status: str  # a word of the plain layout, or two hex digits of an ISO 14229-1 status byte
    occurrences: int | None
    line: int
    # first and last time it was reported, if it came or went within the scan (seconds since 1970)
    sight: tuple[float, float] | None = None


@dataclass(slots=True)
class UnitReading:
    """What one unit reported in one scan."""

    ecu: str
    first_line: int
    codes: dict[tuple[str, str | None, str], CodeSeen] = field(default_factory=dict)
    lamps: set[str] = field(default_factory=set)
    unnamed: dict[str, int] = field(default_factory=dict)  # raw bytes of unnamed codes -> line
    has_answered: bool = True  # False: it refused to show its codes
    is_whole_memory: bool = False  # True: nothing it stores is missing from ``codes``
    since_clear_km: float | None = None
    warmups_since_clear: float | None = None
    monitors_incomplete: str | None = None

    def add(self, seen: CodeSeen) -> None:
        """Take a statement about a code; the strongest one and the highest count stay."""
        fact = seen.status if seen.status in _FACTS_APART else ""
        known = self.codes.setdefault((seen.code, seen.failure_type, fact), seen)
        known.status = min(known.status, seen.status, key=_strength)
        if seen.occurrences is not None:
            known.occurrences = max(known.occurrences or 0, seen.occurrences)


def _strength(status: str) -> int:
    return _STRENGTH.index(status) if status in _STRENGTH else -1  # a status byte says most


@dataclass(slots=True)
class Clear:
    """Codes erased, as a unit confirmed."""

    at: float  # seconds since 1970
    line: int
    ecu: str
    reason: str


@dataclass(slots=True)
class Readings:
    """Everything a file says.  Scans are numbered from 1 in the file's order."""

    units: dict[tuple[int, str], UnitReading] = field(default_factory=dict)  # (scan, ecu)
    clears: list[Clear] = field(default_factory=list)
    vins: dict[str, str] = field(default_factory=dict)  # by ecu
    vin_line: int = 0  # where the first was read
    odometer_km: dict[int, float] = field(default_factory=dict)  # by scan
    last_km: dict[int, float] = field(default_factory=dict)  # by scan: the last that was sent twice
    engine_hours: dict[int, float] = field(default_factory=dict)  # by scan
    total_lines: dict[int, int] = field(default_factory=dict)  # line of a scan's first total
    counts: Counter[str] = field(default_factory=Counter)
    broken: list[tuple[int, str]] = field(default_factory=list)  # line, what was expected

    def break_off(self, line: int, expected: str) -> None:
        """Note something that does not follow its standard."""
        self.broken.append((line, expected))

    def unit(self, scan: int, ecu: str, line: int) -> UnitReading:
        """Give the reading of a unit, begun at this line if it is new."""
        return self.units.setdefault((scan, ecu), UnitReading(ecu, line))

    def take_vin(self, ecu: str, vin: str, line: int) -> None:
        """Keep the first VIN a unit states."""
        self.vins.setdefault(ecu, vin)
        self.vin_line = self.vin_line or line
