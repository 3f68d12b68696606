"""How numbers, distances, dates and missing values are written, for all texts. Pure."""

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import lru_cache
from typing import Final, Literal
from zoneinfo import ZoneInfo

from afterclear.plain import KM_PER_MILE
from afterclear.wording.language import GAP, MARKS, Language, in_language, mark, spoken
from afterclear.wording.units import control_unit_words, unit_words

Clock = Literal["km", "engine_hours", "days"]

DASH = "\u2013"

CAUSE_STEP: Final = 0.05  # (help, verdicts_measured: the old fault is told 2 to 4 % off)
_NEAR_LIMIT: Final = (0.03, 0.1)  # of what counts as held, which is 5 % where nothing is set

# what a distance was estimated from, if there is no odometer
_ESTIMATED: dict[str, str] = {
    "engine_hours": mark("{distance} (estimated from engine hours)"),
    "days": mark("{distance} (estimated from days)"),
}


@dataclass(frozen=True, slots=True)
class Dash:
    """A figure that cannot be given, and why."""

    reason: str


def capital(text: str) -> str:
    """Begin a text with a capital letter; the rest stays as it is.

    >>> capital("mixture too lean, bank 1")
    'Mixture too lean, bank 1'
    """
    return text[:1].upper() + text[1:]


@dataclass(frozen=True, slots=True)
class Cells:
    """Writes for one reader: language, distances in km or miles, dates in a zone."""

    units: Literal["km", "mi"] = "km"
    zone: str = "UTC"
    language: str = "en"
    hour_km: float | None = None  # km that equal one engine hour: hours are written, not km

    @property
    def unit(self) -> str:
        """The letters of the reader's unit of distance."""
        return "h" if self.hour_km is not None else self.units

    @property
    def km_per_unit(self) -> float:
        """Kilometres in the reader's unit of distance."""
        if self.hour_km is not None:
            return self.hour_km
        return 1.0 if self.units == "km" else KM_PER_MILE

    @property
    def words(self) -> Language:
        """The reader's language."""
        return spoken(self.language)

    def t(self, message: str, **values: object) -> str:
        """Translate a text and fill its placeholders."""
        return in_language(self.language, message, values)  # a page has thousands

    def tn(self, one: str, many: str, n: int, **values: object) -> str:
        """Translate a text with a count; ``{n}`` in it is the number."""
        return spoken(self.language).tn(one, many, n, **values)

    def number(self, value: float | None, digits: int = 0) -> str:
        """Write a number with its thousands apart.

        >>> Cells().number(41310.4)
        '41,310'
        """
        return DASH if value is None else spoken(self.language).number(value, digits)

    def times(self, ratio: float | None) -> str:
        r"""Write how many times as much something is; of less than as much the share.

        >>> Cells().times(2.46), Cells().times(0.114)
        ('2.5 times', '11\xa0%')
        """
        if ratio is None:
            return DASH
        if ratio < 1:
            return self.percent(ratio)
        return self.t("{n} times", n=self.number(ratio, 1))

    def percent(self, share: float | None, digits: int = 0) -> str:
        r"""Write a share of 1 in per cent, as 0 or 100 only if it is exactly that.

        >>> Cells().percent(0.004)
        'under 1\xa0%'
        >>> Cells().percent(0.0516, 1)
        '5.2\xa0%'
        """
        if share is None:
            return DASH
        if 0 < share < 0.01:  # noqa: PLR2004  (one per cent)
            return self.t("under {share}", share=f"1{GAP}%")
        if 0.99 < share < 1:  # noqa: PLR2004
            return self.t("over {share}", share=f"99{GAP}%")
        return f"{self.number(share * 100, digits)}{GAP}%"

    def chance(self, share: float) -> str:
        r"""Write the chance that a fix did not hold: near the limit it says on which side it is.

        >>> Cells().chance(0.0496), Cells().chance(0.24)
        ('5.0\xa0%', '24\xa0%')
        """
        low, high = _NEAR_LIMIT
        return self.percent(share, 1 if low <= share < high else 0)

    def cause(self, share: float) -> str:
        r"""Write the chance of one cause of a come-back, to 5 %: measured, it holds no finer.

        >>> Cells().cause(0.72), Cells().cause(0.98)
        ('70\xa0%', 'over 95\xa0%')
        """
        told = math.floor(share / CAUSE_STEP + 0.5) * CAUSE_STEP
        if share < 1 <= told:
            return self.t("over {share}", share=self.percent(1 - CAUSE_STEP))
        return self.percent(told)

    def money(self, amount: float | None, currency: str | None) -> str:
        """Write an amount of money, rounded to whole units, with its currency's letters."""
        if amount is None:
            return DASH
        return f"{self.number(amount)}{GAP}{currency or self.t('(no currency given)')}"

    def unit_name(self, ecu: str | None) -> str:
        """Write a control unit's name as people read it, in their language where that has one.

        >>> Cells().unit_name("gateway_front")
        'Gateway front'
        """
        return _unit_name(ecu, self.language) if ecu else self.t("No control unit")

    def control_unit(self, ecu: str | None) -> str:
        """Write a control unit within a sentence.

        >>> Cells().control_unit("brakes")
        'brake control unit'
        """
        return control_unit_words((ecu or "").replace("_", " ").strip(), self.words)

    def shown(self, km: float) -> float:
        """Turn kilometres into the reader's unit."""
        return km / self.km_per_unit

    def distance(self, km: float | None) -> str:
        """Write a distance with its unit."""
        return DASH if km is None else f"{self.number(self.shown(km))}{GAP}{self.unit}"

    def to_drive(self, km: float, clock: Clock = "km") -> str:
        r"""Write a distance yet to be driven: two figures, rounded up, so that it is far enough.

        >>> Cells().to_drive(2281), Cells().to_drive(13)
        ('2,300\xa0km', '13\xa0km')
        """
        # miles of whole kilometres are a little off a round number: that is no further mile
        shown = round(max(self.shown(km), 1.0), 6)
        step = 10 ** max(0, math.floor(math.log10(shown)) - 1)
        text = f"{self.number(math.ceil(shown / step) * step)}{GAP}{self.unit}"
        if clock == "km" or self.hour_km is not None:
            return text
        return self.t(_ESTIMATED[clock], distance=text)

    def amount(self, km: float | None, clock: Clock = "km") -> str:
        """Write a distance, and what it was estimated from if there is no odometer."""
        if km is None or clock == "km" or self.hour_km is not None:
            return self.distance(km)
        return self.t(_ESTIMATED[clock], distance=self.distance(km))

    def between(self, low: float | None, high: float | None, clock: Clock = "km") -> str:
        r"""Write an interval of km in words.

        >>> Cells().between(310, 420)
        'between 310 and 420\xa0km'
        """
        if high is None:
            if low is None:
                return DASH
            return self.t("more than {distance}", distance=self.amount(low, clock))
        if not low:
            return self.t("within {distance}", distance=self.amount(high, clock))
        first, last = self.number(self.shown(low)), self.amount(high, clock)
        if last.startswith(first + GAP):
            return self.t("after {distance}", distance=last)
        return self.t("between {low} and {high}", low=first, high=last)

    def local(self, at: datetime) -> datetime:
        """Move an instant to the reader's zone; one without a zone is UTC."""
        return _local(at, self.zone)

    def day(self, at: datetime | date | None) -> str:
        """Write a day, e.g. 3 May 2025."""
        return DASH if at is None else _day(at, self.zone, self.language)

    def month(self, at: datetime | date) -> str:
        """Write a month, e.g. May 2025."""
        on = self.local(at) if isinstance(at, datetime) else at
        return f"{MARKS[self.language].months[on.month - 1]}{GAP}{on.year}"

    def moment(self, at: datetime | None) -> str:
        """Write a day and time with the zone's name."""
        if at is None:
            return DASH
        on = self.local(at)
        return f"{self.day(at)}, {on:%H:%M}{GAP}{on.tzname()}"


# what a page says in each of a hundred rows is written once


@lru_cache(maxsize=1024)
def _unit_name(ecu: str, language: str) -> str:
    return capital(unit_words(ecu.replace("_", " ").strip(), spoken(language)))


@lru_cache(maxsize=4096)
def _day(at: datetime | date, zone: str, language: str) -> str:
    on = _local(at, zone) if isinstance(at, datetime) else at
    marks = MARKS[language]
    return marks.day.format(d=on.day, m=marks.months[on.month - 1], y=on.year)


def _local(at: datetime, zone: str) -> datetime:
    aware = at if at.tzinfo else at.replace(tzinfo=UTC)
    return aware.astimezone(ZoneInfo(zone))
