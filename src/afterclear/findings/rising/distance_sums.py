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
from afterclear.findings.rising.km_at_risk import KmAtRisk, one_of


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
    every, gone = _Sum((n_kinds, *shape)), _Sum((len(faults), *shape))
    for part in parts:
        asked = part.of(part.kind < n_kinds)
        if not asked.vehicle.size:
            continue
        every.add_by_group(asked.kind, asked, groups)
        for fault, rows in _together(_gone(asked, faults, n_kinds), asked.vehicle.size):
            gone.add_by_group(fault, rows, groups)
    own = _apart(gone.told(), len(faults), prod(shape))
    return DistanceSums(
        shape,
        _apart(every.told(), n_kinds, prod(shape)),
        {fault.name: own[number] for number, fault in enumerate(faults)},
    )


def _apart(every: Distances, n: int, size: int) -> dict[int, Distances]:
    """Take the rows of each kind of unit, or fault, ``size`` places each, from those of all."""
    offsets = np.searchsorted(every.place, np.arange(n + 1) * size)
    found = {}
    for number in range(n):
        own = every.of(slice(offsets[number], offsets[number + 1]))
        found[number] = Distances(own.place - number * size, own.jump, own.slope)
    return found


def _gone(part: KmAtRisk, faults: Sequence[Fault], n_kinds: int) -> Iterator[KmAtRisk]:
    """Rows of vehicles while each fault keeps them from being at risk of it."""
    unit = part.vehicle.astype(np.int64) * n_kinds + part.kind  # rising
    for fault in faults:
        inside = slice(*np.searchsorted(fault.out_vehicle, part.vehicle[[0, -1]] + [0, 1]))
        wanted = (fault.out_vehicle[inside][:, None] * n_kinds + fault.kinds).ravel()
        begin, end = np.searchsorted(unit, [wanted, wanted + 1])
        sizes = end - begin
        of_row = np.repeat(np.arange(sizes.size), sizes)
        rows = np.arange(of_row.size) + (begin - np.cumsum(sizes) + sizes)[of_row]
        of_vehicle, of_kind = np.divmod(of_row, max(fault.kinds.size, 1))
        began = part.began[rows]
        out, until = (each[inside][of_vehicle] for each in (fault.out_day, fault.out_until))
        some = (began >= out) & (began < until)
        yield part.of(rows[some]).known_since(fault.known_day[of_kind[some]])


def _together(each: Iterable[KmAtRisk], n_rows: int) -> Iterator[tuple[IntArray, KmAtRisk]]:
    """Put rows together until they are so many, with the number of each: few cost as much."""
    numbers, waiting, n = [], [], 0
    for number, rows in enumerate(each):
        numbers.append(np.full(rows.vehicle.size, number))
        waiting.append(rows)
        n += rows.vehicle.size
        if n >= n_rows:
            yield np.concatenate(numbers), one_of(waiting)
            numbers, waiting, n = [], [], 0
    if n:
        yield np.concatenate(numbers), one_of(waiting)


class _Sum:
    """Adds up distances by place, whenever as many rows have come as there were."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self._shape = shape
        self._sum = _frame(*(np.array([]) for _ in range(3)))
        self._came: list[pl.DataFrame] = []

    def add_by_group(
        self, number: IntArray | ShortIntArray, rows: KmAtRisk, groups: Groups
    ) -> None:
        """Add rows to their group of each level; ``number``: their place by the first side."""
        for of_vehicle in groups.of_vehicle:
            group = of_vehicle[rows.vehicle]
            keys = (number, np.maximum(group, 0), rows.band, rows.day)
            came = _frame(np.ravel_multi_index(keys, self._shape), rows.jump, rows.slope)
            self._came.append(_added(came.filter(pl.Series(group >= 0))))
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
