"""What was seen of a fleet up to any moment, as sums that only grow.

A *unit* is one component at one place of one vehicle. It is as delivered (its age is the vehicle's
odometer), or was worked on after its first fault, or after more (its age is the km since); until a
reading looks at it, work may not have helped at all, so that is a state of its own. Km and failures
are counted by state and band of age: a forecast needs no more of the past, and that of a past
quarter needs the same, counted up to then.

A failure counts when a reading first shows it, and km when a reading looked back over them: what
began and was not seen yet is in neither.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np

from afterclear.estimators.arrays.validation import BoolArray, FloatArray, IntArray

# bands of age in km (own judgement: narrow where fixes that failed come back, wide where parts
# wear); the last one has no end
AS_DELIVERED: Final = np.array([0, 30e3, 60e3, 100e3, 150e3, 200e3, 300e3, 500e3])
NOT_LOOKED_AT: Final = np.array([0, 3e3, 8e3])
LOOKED_AT: Final = np.array([0, 2e3, 4e3, 8e3, 15e3, 25e3, 40e3, 60e3, 80e3, 110e3, 150e3])
STATES: Final = (AS_DELIVERED, NOT_LOOKED_AT, NOT_LOOKED_AT, LOOKED_AT, LOOKED_AT)
DELIVERED, NEWLY_DONE, DONE_AGAIN, HOLDS, HOLDS_AGAIN = range(len(STATES))
BEGINS: Final = np.concatenate(STATES)
"""Age at which each cell begins, (N_CELLS,)."""
OFFSETS: Final = np.cumsum([0, *(edges.size for edges in STATES)])
N_CELLS: Final = int(OFFSETS[-1])


@dataclass(frozen=True, slots=True)
class Vehicles:
    """Where each vehicle's odometer stood at moments, in days; shapes (v,), (v, m), (m,)."""

    kind: IntArray  # (v,) which components it has follows from it
    stays: BoolArray  # (v,) false: sold, no forecast from the last moment on
    first_day: FloatArray  # (v,) of its first reading
    first_km: FloatArray  # (v,)
    moment: FloatArray  # (m,) days, rising
    km: FloatArray  # (v, m) at the last reading up to the moment; nan: not read yet
    day: FloatArray  # (v, m) of that reading

    def at(self, day: float) -> int:
        """Give the place of a moment.

        Raises:
            ValueError: the odometer was not asked for then.

        """
        place = int(np.searchsorted(self.moment, day))
        if place == self.moment.size or self.moment[place] != day:
            raise ValueError(f"day must be one of the moments {self.moment}, but is {day}")
        return place

    def km_at(self, day: float) -> FloatArray:
        """Give each odometer as last read by then, (v,); where it was not read yet, as first."""
        km = self.km[:, self.at(day)]
        return np.where(np.isnan(km), self.first_km, km)


@dataclass(frozen=True, slots=True)
class Risks:
    """Places of components that can fail on vehicles of a kind, shape (r,) each."""

    kind: IntArray
    component: IntArray
    known_day: FloatArray  # since when one was ever seen to fail
    n_kinds: int
    n_components: int

    def places(self, day: float) -> FloatArray:
        """Count the places of each component on each kind, as known then: (n_kinds, n_comp)."""
        known = self.known_day <= day
        flat = self.kind[known] * self.n_components + self.component[known]
        size = self.n_kinds * self.n_components
        return np.bincount(flat, minlength=size).reshape(self.n_kinds, -1).astype(np.float64)


@dataclass(frozen=True, slots=True)
class Stretches:
    """Stretches of distance in which a unit could fail, shape (s,) each.

    Every place counts as in the state of delivery until a stretch with ``sign`` -1 and no end takes
    it out; others add what units did after work.
    """

    vehicle: IntArray
    component: IntArray
    state: IntArray  # place in STATES
    sign: FloatArray
    zero_km: FloatArray  # odometer at which its age began
    from_km: FloatArray
    to_km: FloatArray  # inf: it goes on
    known_day: FloatArray  # of its place on vehicles of its kind

    def take(self, rows: BoolArray) -> "Stretches":
        """Give some of them."""
        return Stretches(*(getattr(self, each.name)[rows] for each in fields(self)))

    def without_end(self) -> "Stretches":
        """Let all of them go on."""
        return replace(self, to_km=np.full(self.to_km.size, np.inf))


@dataclass(frozen=True, slots=True)
class Failures:
    """Failures seen, shape (f,) each."""

    vehicle: IntArray
    component: IntArray
    state: IntArray
    age_km: FloatArray
    day: FloatArray  # of the reading that first showed it
    over_day: FloatArray  # when it was gone again; inf: it is still there
    known_day: FloatArray  # of its place on vehicles of its kind


@dataclass(frozen=True, slots=True)
class Past:
    """All that was seen of a fleet."""

    vehicles: Vehicles
    risks: Risks
    stretches: Stretches
    failures: Failures


@dataclass(frozen=True, slots=True)
class Sums:
    """Failures and km at risk by component and cell of age, shape (n_components, N_CELLS)."""

    n: FloatArray
    km: FloatArray


@dataclass(frozen=True, slots=True)
class Ages:
    """Ages of stretches as places in tables by component and cell, shape (s,) each."""

    place: IntArray
    over_km: FloatArray  # beyond the begin of the cell


@dataclass(frozen=True, slots=True)
class CellPart:
    """What some stretches go in one cell; shape (p,) each."""

    cell: int
    rows: IntArray  # places of the stretches
    km: FloatArray


@dataclass(frozen=True, slots=True)
class SeenUpTo:
    """What was seen up to a moment, worked out once for all sums that need it."""

    km: FloatArray  # (v,) odometers as last read
    places: FloatArray  # (n_kinds, n_components)
    rows: Stretches
    begin: Ages
    end: Ages
    parts: tuple[CellPart, ...]
    n: FloatArray  # failures, (n_components, N_CELLS)
    n_of_vehicle: FloatArray  # failures as delivered, and after work, (2, v)


def ages_of(rows: Stretches, km: FloatArray) -> Ages:
    """Give each unit's age at an odometer, (s,)."""
    age = np.maximum(km - rows.zero_km, 0.0)
    cell = cell_of(rows.state, age)
    return Ages(rows.component * N_CELLS + cell, age - BEGINS[cell])


def cell_of(state: IntArray, age_km: FloatArray) -> IntArray:
    """Give the cell of each age, shape (n,)."""
    found = np.zeros(state.size, dtype=np.int64)
    for number, edges in enumerate(STATES):
        own = state == number
        place = np.searchsorted(edges, age_km[own], side="right") - 1
        found[own] = OFFSETS[number] + np.maximum(place, 0)
    return found


def overlaps(edges: FloatArray, low: FloatArray, high: FloatArray) -> FloatArray:
    """Divide each stretch of age among bands, shape (n, n_bands)."""
    ends = np.append(edges[1:], np.inf)
    found: FloatArray = np.minimum(high[:, None], ends) - np.maximum(low[:, None], edges)
    return np.maximum(found, 0.0)


def bulk_by_cell(
    past: Past, low: FloatArray, high: FloatArray, weight: FloatArray, places: FloatArray
) -> FloatArray:
    """Add up what all places as delivered go between two odometers of each vehicle.

    ``low``, ``high``, ``weight``: (n_vehicles,); the result is (n_components, n_bands).
    """
    bands = overlaps(AS_DELIVERED, low, high)
    n_kinds = past.risks.n_kinds
    by_kind = [np.bincount(past.vehicles.kind, weight * each, n_kinds) for each in bands.T]
    return np.asarray(places.T @ np.stack(by_kind, axis=1), dtype=np.float64)


def parts_by_cell(rows: Stretches, low: FloatArray, high: FloatArray) -> Iterator[CellPart]:
    """Divide what stretches go between two odometers each among the cells of age.

    ``low``, ``high``: (s,).
    """
    begin = np.maximum(low, rows.from_km) - rows.zero_km
    end = np.minimum(high, rows.to_km) - rows.zero_km
    for number, edges in enumerate(STATES):
        own = np.flatnonzero((rows.state == number) & (end > begin))
        since, until = begin[own], end[own]
        for band, edge in enumerate(edges):
            stop = edges[band + 1] if band + 1 < edges.size else np.inf
            km = np.minimum(until, stop) - np.maximum(since, edge)
            some = np.flatnonzero(km > 0)
            yield CellPart(int(OFFSETS[number]) + band, own[some], km[some])


def sums_by_cell(
    parts: Iterable[CellPart], rows: Stretches, weight: FloatArray, n_components: int
) -> FloatArray:
    """Add up what stretches go in each cell, (n_components, N_CELLS); ``weight``: (s,)."""
    found = np.zeros((n_components, N_CELLS))
    for part in parts:
        found[:, part.cell] = np.bincount(
            rows.component[part.rows], part.km * weight[part.rows], n_components
        )
    return found


def seen_up_to(past: Past, day: float) -> SeenUpTo:
    """Choose what was seen up to a moment, of places known then."""
    rows, failed = past.stretches, past.failures
    now = past.vehicles.km_at(day)
    own = rows.take((rows.known_day <= day) & (rows.from_km < now[rows.vehicle]))
    end = np.minimum(own.to_km, now[own.vehicle])
    n_components = past.risks.n_components
    seen = (failed.day <= day) & (failed.known_day <= day)
    cell = cell_of(failed.state[seen], failed.age_km[seen])
    flat = failed.component[seen] * N_CELLS + cell
    n = np.bincount(flat, minlength=n_components * N_CELLS).reshape(n_components, N_CELLS)
    n_of_vehicle = [
        np.bincount(failed.vehicle[seen & is_own], minlength=now.size).astype(np.float64)
        for is_own in (failed.state == DELIVERED, failed.state > DELIVERED)
    ]
    return SeenUpTo(
        now,
        past.risks.places(day),
        own,
        ages_of(own, own.from_km),
        ages_of(own, end),
        tuple(parts_by_cell(own, own.from_km, end)),
        n.astype(np.float64),
        np.stack(n_of_vehicle),
    )


def sums_of(past: Past, seen: SeenUpTo, factor: FloatArray) -> Sums:
    """Add up failures and km seen.

    ``factor``: how much each vehicle's km count as delivered, and after work: (2, n_vehicles).
    """
    rows = seen.rows
    weight = rows.sign * factor[np.minimum(rows.state, 1), rows.vehicle]
    km = sums_by_cell(seen.parts, rows, weight, past.risks.n_components)
    km[:, : AS_DELIVERED.size] += bulk_by_cell(
        past, past.vehicles.first_km, seen.km, factor[0], seen.places
    )
    return Sums(seen.n, np.maximum(km, 0.0))
