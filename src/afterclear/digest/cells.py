"""How a number, a distance, a date or the lack of one is written.  Pure; one place for all."""

from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Literal
from zoneinfo import ZoneInfo

from afterclear.digest.rows import Clock
from afterclear.plain import KM_PER_MILE

GAP = "\u00a0"  # no-break space: a number never loses its unit at a line's end
DASH = "\u2013"

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_CLOCK_WORDS: dict[str, tuple[str, str]] = {
    "engine_hours": ("engine hour", "engine hours"),
    "days": ("day", "days"),
}


@dataclass(frozen=True, slots=True)
class Dash:
    """A figure that cannot be given, and why."""

    reason: str


def number(value: float | None, digits: int = 0) -> str:
    """Write a number with a comma between thousands.

    >>> number(41310.4)
    '41,310'
    """
    return DASH if value is None else f"{value:,.{digits}f}"


def percent(share: float | None) -> str:
    r"""Write a share of 1 as whole per cent, never as a certain 0 or 100 unless it is.

    >>> percent(0.004)
    'under 1\xa0%'
    """
    if share is None:
        return DASH
    if 0 < share < 0.01:  # noqa: PLR2004  (one per cent)
        return f"under 1{GAP}%"
    if 0.99 < share < 1:  # noqa: PLR2004
        return f"over 99{GAP}%"
    return f"{share * 100:.0f}{GAP}%"


def count(n: int, one: str, many: str | None = None) -> str:
    r"""Write a count with its noun.

    >>> count(1, "scan"), count(3, "scan")
    ('1\xa0scan', '3\xa0scans')
    """
    return f"{n:,}{GAP}{one if n == 1 else many or one + 's'}"


def money(amount: float | None, currency: str | None) -> str:
    """Write an amount of money, rounded to whole units, with its currency's letters."""
    if amount is None:
        return DASH
    return f"{amount:,.0f}{GAP}{currency or '(no currency given)'}"


def capital(text: str) -> str:
    """Begin a text with a capital letter; the rest stays as it is.

    >>> capital("mixture too lean, bank 1")
    'Mixture too lean, bank 1'
    """
    return text[:1].upper() + text[1:]


def unit_name(ecu: str | None) -> str:
    """Write a control unit's name as people read it.

    >>> unit_name("gateway_front")
    'Gateway front'
    """
    if not ecu:
        return "No control unit"
    return capital(ecu.replace("_", " ").strip())


@dataclass(frozen=True, slots=True)
class Cells:
    """Writes what depends on the reader: distances in km or miles, dates in a zone."""

    units: Literal["km", "mi"] = "km"
    zone: str = "UTC"

    def shown(self, km: float) -> float:
        """Turn kilometres into the reader's unit."""
        return km if self.units == "km" else km / KM_PER_MILE

    def distance(self, km: float | None) -> str:
        """Write a distance with its unit."""
        return DASH if km is None else f"{number(self.shown(km))}{GAP}{self.units}"

    def amount(self, value: float | None, clock: Clock = "km") -> str:
        """Write a stretch of the attempt's own clock: distance, engine hours or days."""
        if value is None:
            return DASH
        if clock == "km":
            return self.distance(value)
        one, many = _CLOCK_WORDS[clock]
        return f"{number(value)}{GAP}{one if round(value) == 1 else many}"

    def between(self, low: float | None, high: float | None, clock: Clock = "km") -> str:
        r"""Write an interval of the clock in words.

        >>> Cells().between(310, 420)
        'between 310 and 420\xa0km'
        """
        if high is None:
            return DASH if low is None else f"more than {self.amount(low, clock)}"
        if not low:
            return f"within {self.amount(high, clock)}"
        first = number(self.shown(low) if clock == "km" else low)
        last = self.amount(high, clock)
        return f"after {last}" if last.startswith(first + GAP) else f"between {first} and {last}"

    def local(self, at: datetime) -> datetime:
        """Move an instant to the reader's zone; one without a zone is UTC."""
        aware = at if at.tzinfo else at.replace(tzinfo=UTC)
        return aware.astimezone(ZoneInfo(self.zone))

    def day(self, at: datetime | date | None) -> str:
        """Write a day, e.g. 3 May 2025."""
        if at is None:
            return DASH
        on = self.local(at) if isinstance(at, datetime) else at
        return f"{on.day}{GAP}{_MONTHS[on.month - 1]}{GAP}{on.year}"

    def month(self, at: datetime) -> str:
        """Write a month, e.g. May 2025."""
        on = self.local(at)
        return f"{_MONTHS[on.month - 1]}{GAP}{on.year}"

    def moment(self, at: datetime | None) -> str:
        """Write a day and time with the zone's name."""
        if at is None:
            return DASH
        on = self.local(at)
        return f"{self.day(at)}, {on:%H:%M}{GAP}{on.tzname()}"
