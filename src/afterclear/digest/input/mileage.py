"""How far a vehicle usually goes in a day, and when it will have gone a given distance."""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from afterclear.digest.input.row_types import Attempt, Evidence, Observation, OdometerReading
from afterclear.wording.cells import Cells, Clock, Dash


@dataclass(frozen=True, slots=True)
class Line:
    """The vehicle's odometer line at the moments it was read, rising in both."""

    at: tuple[datetime, ...]
    km: tuple[float, ...]

    def km_at(self, moment: datetime) -> float | None:
        """Read the line at a moment between its ends; None outside them."""
        if not self.at or not self.at[0] <= moment <= self.at[-1]:
            return None
        i = bisect_right(self.at, moment)
        if i == len(self.at):
            return self.km[-1]
        share = (moment - self.at[i - 1]) / (self.at[i] - self.at[i - 1])
        return self.km[i - 1] + share * (self.km[i] - self.km[i - 1])

    def at_km(self, km: float) -> datetime | None:
        """Return when the line passed a distance; None outside its ends."""
        if not self.km or not self.km[0] <= km <= self.km[-1]:
            return None
        i = bisect_right(self.km, km)
        if i == len(self.km):
            return self.at[-1]
        share = (km - self.km[i - 1]) / (self.km[i] - self.km[i - 1])
        return self.at[i - 1] + share * (self.at[i] - self.at[i - 1])


@dataclass(frozen=True, slots=True)
class Point:
    """One point of a line."""

    at: datetime
    km: float


@dataclass(frozen=True, slots=True)
class Usual:
    """Usual mileage: distance over time between two readings of the line."""

    km_per_day: float
    n_readings: int
    n_days: int
    last_at: datetime
    last_km: float


@dataclass(frozen=True, slots=True)
class Due:
    """When a fix on watch would be proven, if no scan shows the fault before."""

    from_km: float | None  # a clean scan at this odometer or later proves it; None: not in km
    on: datetime | Dash
    passed: bool  # the vehicle has come that far: a scan now would settle it


@dataclass(frozen=True, slots=True)
class Owed:
    """The clean distance an attempt on watch still needs, and where it is counted from."""

    km_to_go: float | None
    clean_until_km: float | None
    clock: Clock


@dataclass(frozen=True, slots=True)
class Limits:
    """As of when, how far an odometer is carried forward, and for which reader."""

    as_of: datetime
    extrapolate_days: int
    cells: Cells
    may_drive: bool = True  # False: no date follows from its usual mileage


def odometer_line(readings: Sequence[OdometerReading]) -> Line:
    """Return the line at the readings on it, one for each moment."""
    points: dict[datetime, float] = {}
    for reading in sorted(readings, key=lambda r: r.read_at):
        if reading.line_km is not None and reading.set_aside is None:
            points[reading.read_at] = max(reading.line_km, points.get(reading.read_at, 0.0))
    return Line(tuple(points), tuple(points.values()))


def estimated_line(observations: Sequence[Observation]) -> Line:
    """Take the line of a vehicle without odometer readings from engine hours or days."""
    points: dict[datetime, float] = {}
    for row in observations:
        if row.km is not None:
            points[row.seen_at] = row.km
    ordered = sorted(points.items())
    return Line(tuple(at for at, _ in ordered), tuple(km for _, km in ordered))


def usual_mileage(line: Line, window_days: int, min_days: int, cells: Cells) -> Usual | Dash:
    """Distance a day over the last ``window_days`` before the last reading."""
    if not line.at:
        return Dash(cells.t("no odometer reading"))
    first_wanted = line.at[-1] - timedelta(days=window_days)
    within = [i for i, at in enumerate(line.at) if at >= first_wanted]
    first, last = Point(line.at[within[0]], line.km[within[0]]), Point(line.at[-1], line.km[-1])
    return usual_between(first, last, len(within), min_days, cells)


def usual_between(
    first: Point, last: Point, n_readings: int, min_days: int, cells: Cells
) -> Usual | Dash:
    """Distance a day between two points of a line, ``n_readings`` of it with both of them."""
    days = (last.at - first.at) / timedelta(days=1)
    if days < min_days:
        return Dash(cells.t("the readings cover less than {n} days", n=min_days))
    km = last.km - first.km
    if km <= 0:
        return Dash(cells.t("no distance between the readings"))
    return Usual(km / days, n_readings, round(days), last.at, last.km)


def due_of(
    attempt: Attempt,
    evidence: Sequence[Evidence],
    usual: Usual | Dash,
    limits: Limits,
) -> Due:
    """Work out when an attempt on watch would be proven at the vehicle's usual mileage."""
    owed = Owed(attempt.km_to_go, clean_until_km(attempt, evidence), attempt.clock)
    return due_when(owed, usual, limits)


def due_when(owed: Owed, usual: Usual | Dash, limits: Limits) -> Due:
    """Work out when this much more clean distance will have been driven."""
    cells = limits.cells
    if owed.km_to_go is None:
        return Due(None, Dash(cells.t("distance to go not known")), passed=False)
    if owed.clean_until_km is None:
        return Due(None, Dash(cells.t("no odometer reading in the last clean scan")), passed=False)
    from_km = owed.clean_until_km + owed.km_to_go
    # only where the odometer itself shows it
    shown = from_km if owed.clock == "km" else None
    if isinstance(usual, Dash):
        return Due(shown, usual, passed=False)
    return _due_by_km(from_km, shown, usual, limits)


def _due_by_km(from_km: float, shown: float | None, usual: Usual, limits: Limits) -> Due:
    if usual.last_km >= from_km:
        return Due(shown, usual.last_at, passed=True)
    if not limits.may_drive:
        return Due(shown, Dash(limits.cells.t("once it may be driven")), passed=False)
    if limits.as_of - usual.last_at > timedelta(days=limits.extrapolate_days):
        day = limits.cells.day(usual.last_at)
        return Due(shown, Dash(limits.cells.t("last reading on {day}", day=day)), passed=False)
    on = usual.last_at + timedelta(days=(from_km - usual.last_km) / usual.km_per_day)
    return Due(shown, on, passed=on <= limits.as_of)


def clean_until_km(attempt: Attempt, evidence: Sequence[Evidence]) -> float | None:
    """Return where an attempt's clean distance ends on the vehicle's line; None: not known."""
    ends = [row.stretch_to_km for row in evidence if row.stretch_to_km is not None]
    if ends:
        return max(ends)
    if attempt.attempted_km is None:
        return None
    return attempt.attempted_km + (attempt.clean_km or 0.0)
