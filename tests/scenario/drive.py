"""How far a vehicle has truly been driven at an instant."""

from bisect import bisect_left
from collections.abc import Sequence
from datetime import UTC, date, datetime, time, timedelta

from tests.scenario.chance import Chance

FIRST_DAY = date(2024, 10, 1)
LAST_DAY = date(2026, 10, 31)
N_DAYS = (LAST_DAY - FIRST_DAY).days + 1
# All driving is done in these hours, so that a vehicle stands still while it is in a garage.
_FROM_HOUR, _TO_HOUR = 15, 22
_WEEKDAY_SHARE = (1.0, 1.0, 1.0, 1.0, 1.0, 0.4, 0.0)


def instant(text: str) -> datetime:
    """Give the UTC instant of ``2025-03-04`` (then 08:00) or ``2025-03-04 09:30``."""
    at = datetime.fromisoformat(text).replace(tzinfo=UTC)
    return at if " " in text else at + timedelta(hours=8)


END = datetime.combine(LAST_DAY, time(14), UTC)  # nothing is delivered from after this


class Drive:
    """True km by instant.  ``pace``: days from which on so many km are driven a working day."""

    def __init__(self, chance: Chance, start_km: float, pace: Sequence[tuple[date, float]]) -> None:
        self._km = [start_km]  # at midnight, day by day
        self._days = [0]  # with driving, so far
        for number in range(N_DAYS):
            day = FIRST_DAY + timedelta(days=number)
            usual = next((km for since, km in reversed(pace) if since <= day), 0.0)
            today = usual * _WEEKDAY_SHARE[day.weekday()] * chance.between(0.6, 1.4)
            self._km.append(self._km[-1] + today)
            self._days.append(self._days[-1] + (today > 0))

    def km_at(self, at: datetime) -> float:
        """Give the true km at an instant within the two years."""
        number = (at.date() - FIRST_DAY).days
        hour = at.hour + at.minute / 60
        share = min(1.0, max(0.0, (hour - _FROM_HOUR) / (_TO_HOUR - _FROM_HOUR)))
        return self._km[number] + share * (self._km[number + 1] - self._km[number])

    def warmups_at(self, at: datetime) -> int:
        """Give the warm-up cycles since the first day: two on each day with driving."""
        return 2 * self._days[(at.date() - FIRST_DAY).days]

    def day_with(self, km: float) -> date:
        """Give the first day whose morning finds at least these km; the last day if none does."""
        return FIRST_DAY + timedelta(days=min(bisect_left(self._km, km), N_DAYS - 1))
