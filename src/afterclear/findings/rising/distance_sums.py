"""Km at risk of a fleet, added up while its vehicles are read part by part.

A vehicle has about a hundred rows for each of its units, and those of a large fleet do not fit into
memory together.  What is needed of them are sums by group: of each kind of unit, and of what each
kind of fault takes away, as a vehicle that has had it is no longer at risk.  Distances are whole
parts of a km, so that sums are exact in any order.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import prod

import numpy as np
import polars as pl

from afterclear.estimators.arrays.validation import FloatArray, IntArray, ShortIntArray
from afterclear.findings.rising.faults import Fault, Groups
from afterclear.findings.rising.km_at_risk import KmAtRisk


@dataclass(frozen=True, slots=True)
class Distances:
    """Summed rows, shape (n,) each; ``place``: group, band and day as one number, rising."""

    place: IntArray
    jump: FloatArray  # as in ``KmAtRisk``
    slope: FloatArray

    def of(self, rows: slice) -> "Distances":
        """Give some of the rows."""
        return Distances(self.place[rows], self.jump[rows], self.slope[rows])


@dataclass(frozen=True, slots=True)
class DistanceSums:
    """Km at risk by group, band and day."""

    shape: tuple[int, int, int]  # numbers of groups, bands and days
    by_kind: Mapping[int, Distances]  # of unit
    gone: Mapping[str, Distances]  # by the name of a fault, since its kinds of units were known

    def of_kind(self, kind: int, known_day: int) -> Distances:
        """Give what counts of a kind of unit: none before a day, and all of it then."""
        rows = self.by_kind[kind]
        early = np.maximum(known_day - rows.place % self.shape[-1], 0)
        return Distances(rows.place + early, rows.jump + rows.slope * early, rows.slope)


def added_up(
    parts: Iterable[KmAtRisk], faults: Sequence[Fault], groups: Groups, n_days: int, n_bands: int
) -> DistanceSums:
    """Add up distances for the search of some faults; a vehicle is in one of the ``parts``."""
    shape = (len(groups.names), n_bands, n_days)
    n_kinds = 1 + max(int(fault.kinds.max(initial=-1)) for fault in faults)
    every, gone = _Sum((n_kinds, *shape)), {fault.name: _Sum(shape) for fault in faults}
    for part in parts:
        asked = part.of(part.kind < n_kinds)
        if not asked.vehicle.size:
            continue
        for group, rows in _by_group(asked, groups):
            every.add((rows.kind, group, rows.band, rows.day), rows)
        for fault in faults:
            for group, rows in _by_group(_gone(fault, asked, n_kinds), groups):
                gone[fault.name].add((group, rows.band, rows.day), rows)
    return DistanceSums(
        shape, _apart(every.told(), n_kinds, prod(shape)), {n: s.told() for n, s in gone.items()}
    )


def _apart(every: Distances, n_kinds: int, size: int) -> dict[int, Distances]:
    """Take the rows of each kind of unit, ``size`` places each, from those of all."""
    offsets = np.searchsorted(every.place, np.arange(n_kinds + 1) * size)
    found = {}
    for kind in range(n_kinds):
        own = every.of(slice(offsets[kind], offsets[kind + 1]))
        found[kind] = Distances(own.place - kind * size, own.jump, own.slope)
    return found


def _by_group(rows: KmAtRisk, groups: Groups) -> Iterator[tuple[IntArray, KmAtRisk]]:
    """Give the rows of each level, with the group of each row."""
    for of_vehicle in groups.of_vehicle:
        group = of_vehicle[rows.vehicle]
        yield group[group >= 0], rows.of(group >= 0)


def _gone(fault: Fault, part: KmAtRisk, n_kinds: int) -> KmAtRisk:
    """Rows of vehicles while a fault keeps them from being at risk of it."""
    inside = np.searchsorted(fault.out_vehicle, part.vehicle[[0, -1]] + [0, 1])
    named = slice(*inside.tolist())
    vehicle = fault.out_vehicle[named]
    begin, end = np.searchsorted(part.vehicle, [vehicle, vehicle + 1])
    sizes = end - begin
    of_row = np.repeat(np.arange(sizes.size), sizes)
    rows = np.arange(of_row.size) + (begin - np.cumsum(sizes) + sizes)[of_row]
    since = np.full(n_kinds, -1)
    since[fault.kinds] = fault.known_day
    known, began = since[part.kind[rows]], part.began[rows]
    out, until = fault.out_day[named][of_row], fault.out_until[named][of_row]
    some = (began >= out) & (began < until) & (known >= 0)
    return part.of(rows[some]).known_since(known[some])


class _Sum:
    """Adds up distances by place, whenever as many rows have come as there were."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self._shape = shape
        self._sum = _frame(*(np.array([]) for _ in range(3)))
        self._came: list[pl.DataFrame] = []

    def add(self, keys: tuple[IntArray | ShortIntArray, ...], rows: KmAtRisk) -> None:
        """Add rows; ``keys``: their place by each side of the shape."""
        came = _frame(np.ravel_multi_index(keys, self._shape), rows.jump, rows.slope)
        self._came.append(_added(came))
        if sum(map(len, self._came)) > len(self._sum):
            self._fold()

    def told(self) -> Distances:
        """Give the sum."""
        self._fold()
        return Distances(*(column.to_numpy() for column in self._sum.sort("place")))

    def _fold(self) -> None:
        self._sum, self._came = _added(pl.concat([self._sum, *self._came])), []


def _frame(place: IntArray, jump: FloatArray, slope: FloatArray) -> pl.DataFrame:
    return pl.DataFrame({"place": place, "jump": jump, "slope": slope}).cast({"place": pl.Int64})


def _added(rows: pl.DataFrame) -> pl.DataFrame:
    return rows.group_by("place").agg(pl.col("jump", "slope").sum())
