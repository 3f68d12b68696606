"""Where an instant or an odometer reading is on the axis of a vehicle's chart.  Pure."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal

from afterclear.digest.input.mileage import Line

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Axis:
    """Turns an instant and an odometer into a place on the axis."""

    kind: Literal["km", "date"]
    line: Line

    def place(self, km: float | None, at: datetime | None) -> float | None:
        """Find the place of something; None if it has none."""
        if self.kind == "date":
            return None if at is None else days_of(at)
        if km is not None:
            return km
        return None if at is None else self.line.km_at(at)


def days_of(at: datetime) -> float:
    """Count days since 1970."""
    return (at - _EPOCH) / timedelta(days=1)
