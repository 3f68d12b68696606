"""Rows of rising rates as pages need them, and what the digest before told of them.  Pure."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from afterclear.finding_tables.emerging import Emerging, EmergingPoint, EmergingVehicle

TOLD = "rise"
"""The kind of what a digest keeps of rises: ``goes_on`` or ``over`` by rise."""


@dataclass(frozen=True, slots=True)
class Rises:
    """Rows of the finding by rise."""

    rows: tuple[Emerging, ...] = ()
    points: Mapping[str, Sequence[EmergingPoint]] = field(default_factory=dict)
    vehicles: Mapping[str, Sequence[EmergingVehicle]] = field(default_factory=dict)
    told: Mapping[str, str] = field(default_factory=dict)  # by rise, in the digest before
    # by vehicle: rises that go on and may reach it next, each with its chance within 90 days
    next: Mapping[str, Sequence[tuple[Emerging, float | None]]] = field(default_factory=dict)


def rises_of(
    rows: tuple[Emerging, ...],
    points: Iterable[EmergingPoint],
    vehicles: Iterable[EmergingVehicle],
    said_before: Mapping[tuple[str, str], str],
) -> Rises:
    """Gather the rows by rise."""
    by_rise: dict[str, list[EmergingPoint]] = defaultdict(list)
    for point in points:
        by_rise[point.rise_id].append(point)
    listed: dict[str, list[EmergingVehicle]] = defaultdict(list)
    for vehicle in vehicles:
        listed[vehicle.rise_id].append(vehicle)
    told = {subject: mark for (kind, subject), mark in said_before.items() if kind == TOLD}
    return Rises(rows, by_rise, listed, told, _next(rows, listed))


def _next(
    rows: Iterable[Emerging], listed: Mapping[str, Iterable[EmergingVehicle]]
) -> dict[str, list[tuple[Emerging, float | None]]]:
    found: dict[str, list[tuple[Emerging, float | None]]] = defaultdict(list)
    for row in rows:
        if row.within is None and row.over_at is None:
            for each in listed.get(row.rise_id, ()):
                if not each.has_fault:
                    found[each.vehicle_id].append((row, each.chance_90_days))
    return found
