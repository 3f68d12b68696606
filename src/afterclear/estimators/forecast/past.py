"""What was seen of a fleet up to any moment, as sums that only grow.

A *unit* is one component at one place of one vehicle. It is as delivered (its age is the vehicle's
odometer), or was worked on after its first fault, or after more (its age is the km since); until a
reading looks at it, work may not have helped at all, so that is a state of its own. Km and failures
are counted by state and band of age: a forecast needs no more of the past, and that of a past
quarter needs the same, counted up to then.

A failure counts when a reading first shows it, and km when a reading looked back over them: what
began and was not seen yet is in neither.
"""

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


def stretches_by_cell(
    rows: Stretches, low: FloatArray, high: FloatArray, weight: FloatArray, n_components: int
) -> FloatArray:
    """Add up what stretches go between two odometers each, (n_components, N_CELLS).

    ``low``, ``high``, ``weight``: (s,).
    """
    found = np.zeros((n_components, N_CELLS))
    begin = np.maximum(low, rows.from_km) - rows.zero_km
    end = np.minimum(high, rows.to_km) - rows.zero_km
    for number, edges in enumerate(STATES):
        own = np.flatnonzero((rows.state == number) & (end > begin))
        for band, edge in enumerate(edges):
            stop = edges[band + 1] if band + 1 < edges.size else np.inf
            km = np.minimum(end[own], stop) - np.maximum(begin[own], edge)
            some = own[km > 0]
            cell = OFFSETS[number] + band
            found[:, cell] = np.bincount(
                rows.component[some], km[km > 0] * weight[some], n_components
            )
    return found


def sums_up_to(past: Past, day: float, factor: FloatArray) -> Sums:
    """Count failures and km up to a moment, of places known then.

    ``factor``: how much each vehicle's km count as delivered, and after work: (2, n_vehicles).
    """
    cars, rows, failed = past.vehicles, past.stretches, past.failures
    n_components = past.risks.n_components
    now = cars.km_at(day)
    own = rows.take((rows.known_day <= day) & (rows.from_km < now[rows.vehicle]))
    weight = own.sign * factor[np.minimum(own.state, 1), own.vehicle]
    km = stretches_by_cell(own, own.from_km, now[own.vehicle], weight, n_components)
    km[:, : AS_DELIVERED.size] += bulk_by_cell(
        past, cars.first_km, now, factor[0], past.risks.places(day)
    )
    seen = (failed.day <= day) & (failed.known_day <= day)
    cell = cell_of(failed.state[seen], failed.age_km[seen])
    flat = failed.component[seen] * N_CELLS + cell
    n = np.bincount(flat, minlength=n_components * N_CELLS).reshape(n_components, N_CELLS)
    return Sums(n.astype(np.float64), np.maximum(km, 0.0))
