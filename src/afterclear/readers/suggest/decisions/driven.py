"""Distances driven since the row before, in a named unit: they show what the odometer counts."""

from afterclear.plain import KM_PER_MILE
from afterclear.readers.suggest.evidence.date_formats import read_times
from afterclear.readers.suggest.evidence.decision_draft import Filling
from afterclear.readers.suggest.evidence.numbers import as_number
from afterclear.readers.suggest.evidence.profiles import Profile
from afterclear.readers.suggest.evidence.readings import unit_of

_ENOUGH = 2  # rows: one may be chance
_ROUNDED = 0.02  # both distances are whole numbers


def unit_by_driven(f: Filling, odometer: Profile) -> str:
    """Give the unit in which an odometer rises by what was driven; empty: nothing shows it."""
    steps = _steps(f, odometer)
    for profile in f.sight.profiles:
        unit = unit_of(profile)
        if profile is odometer or unit not in {"km", "mi"}:
            continue
        pairs = [
            (driven, step)
            for at, step in steps.items()
            if (driven := as_number(profile.cells[at], f.numbers)) and step > 0
        ]
        for counted, ratio in _ratios(unit):
            if len(pairs) >= _ENOUGH and all(
                abs(driven - ratio * step) <= max(1.0, _ROUNDED * driven) for driven, step in pairs
            ):
                return counted
    return ""


def _ratios(unit: str) -> tuple[tuple[str, float], ...]:
    """Give what the odometer may count, and what was driven for each of it."""
    if unit == "km":
        return (("km", 1.0), ("mi", KM_PER_MILE))
    return (("mi", 1.0), ("km", 1 / KM_PER_MILE))


def _steps(f: Filling, odometer: Profile) -> dict[int, float]:
    """Give how far each row's odometer is from that of the vehicle's row before, by time."""
    role = next((r for r in ("vehicle_id", "vin", "plate") if f.has(r)), None)
    if role is None or not f.has("when"):
        return {}
    when = f.profile("when")
    times = read_times(when.cells, f.sight.times[when.heading], f.order)
    numbers = [as_number(cell, f.numbers) for cell in odometer.cells]
    rows = sorted((t, at) for at, t in enumerate(times) if t is not None)
    last: dict[str, float] = {}
    steps = {}
    for _, at in rows:
        whose, number = f.profile(role).cells[at], numbers[at]
        if not whose or number is None:
            continue
        if whose in last:
            steps[at] = number - last[whose]
        last[whose] = number
    return steps
