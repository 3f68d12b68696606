"""First faults and distance at risk of every group, put together fault by fault."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from afterclear.estimators.arrays.ragged import offsets_of
from afterclear.estimators.arrays.validation import BoolArray, FloatArray, IntArray
from afterclear.estimators.rates.rising import RateRecord
from afterclear.findings.rising.km_at_risk import N_BANDS, KmAtRisk

REST_DAYS: Final = 90
"""After a fault, further ones of the vehicle do not count for all faults together: one bad vehicle
is no trend (own judgement)."""
_NEVER = 1 << 40
_MOST_KEPT: Final = 1 << 26  # bytes
# of a large fleet not all fit into memory together; a vehicle has about a hundred rows
_ROWS_AT_ONCE: Final = 1 << 20
_VEHICLES_AT_ONCE: Final = 1 << 13


@dataclass(frozen=True, slots=True)
class Groups:
    """Groups of all levels, one after another; a vehicle has one group of a level, or none."""

    names: tuple[str, ...]
    level: IntArray  # (g,) number of the level
    of_vehicle: IntArray  # (levels, v) -1: none

    def slice_of(self, level: int) -> slice:
        """Places of a level's groups."""
        first, last = np.searchsorted(self.level, [level, level + 1])
        return slice(int(first), int(last))


@dataclass(frozen=True, slots=True)
class Fault:
    """One kind of fault: where it can begin, first onsets, and when vehicles are not at risk."""

    name: str
    kinds: IntArray  # of units
    known_day: IntArray  # since when each was known to show it
    onset_vehicle: IntArray
    onset_day: IntArray
    onset_band: IntArray
    onset_km: FloatArray  # NaN: not known
    out_vehicle: IntArray
    out_day: IntArray
    out_until: IntArray


class Records:
    """Rate records of a fleet by fault."""

    def __init__(self, risk: KmAtRisk, groups: Groups, n_days: int, n_bands: int = N_BANDS) -> None:
        self._n_bands = n_bands
        self._risk, self._groups, self._n_days = risk, groups, n_days
        n_vehicles = groups.of_vehicle.shape[1]
        self._rows_of = np.searchsorted(risk.vehicle, np.arange(n_vehicles + 1))
        self._kept: dict[str, RateRecord] = {}
        self._room = _MOST_KEPT
        self._summed, self._offsets = _by_kind(risk, groups, n_bands)

    def of(self, fault: Fault) -> RateRecord:
        """Give the record of all groups for one kind of fault."""
        # those of a large fleet do not fit into memory together: the others are made anew
        found = self._kept.get(fault.name)
        if found is None:
            found = self._made(fault)
            self._room -= found.km.nbytes + found.onsets.nbytes
            if self._room >= 0:
                self._kept[fault.name] = found
        return found

    def _made(self, fault: Fault) -> RateRecord:
        km = self._km(fault)
        onsets = np.zeros((km.shape[0], self._n_days))
        for groups in self._groups.of_vehicle:
            own = groups[fault.onset_vehicle]
            np.add.at(onsets, (own[own >= 0], fault.onset_day[own >= 0]), 1.0)
        every = np.zeros((self._n_days, self._n_bands))
        np.add.at(every, (fault.onset_day, fault.onset_band), 1.0)
        fleet = self._groups.slice_of(0).start
        return RateRecord(onsets.cumsum(axis=1), km, every.cumsum(axis=0), km[fleet])

    def _km(self, fault: Fault) -> FloatArray:
        """Km at risk of all groups, cumulated, (g, d, b)."""
        # days last: sums run along them
        shape = (len(self._groups.names), self._n_bands, self._n_days)
        size = int(np.prod(shape))
        total, rising = np.zeros(size), np.zeros(size)
        # part by part: those of a large fleet take much memory together
        for part in self._parts(fault):
            group, day, band, jump, slope = _as_known(*part)
            place = (group.astype(np.int64) * self._n_bands + band) * self._n_days + day
            total += np.bincount(place, jump, size)
            rising += np.bincount(place, slope, size)
        total, rising = total.reshape(shape), rising.reshape(shape)
        np.cumsum(rising, axis=2, out=rising)
        total[:, :, 1:] += rising[:, :, :-1]  # from the next day on
        np.cumsum(total, axis=2, out=total)
        return np.moveaxis(total, 2, 1)

    def _parts(self, fault: Fault) -> Iterator[tuple[NDArray[Any], ...]]:
        """Give rows of km at risk of each kind of unit, then those to take away again."""
        since = np.zeros(self._offsets.size, dtype=np.int64)
        since[fault.kinds] = fault.known_day
        for kind, day in zip(fault.kinds, fault.known_day, strict=True):
            rows = slice(self._offsets[kind], self._offsets[kind + 1])
            yield (*(column[rows] for column in self._summed), day)
        risk = self._risk
        for begin in range(0, fault.out_vehicle.size, _VEHICLES_AT_ONCE):
            gone = self._gone(fault, slice(begin, begin + _VEHICLES_AT_ONCE))
            known = since[risk.kind[gone]]
            for groups in self._groups.of_vehicle:
                group = groups[risk.vehicle[gone]]
                own = group >= 0
                some = gone[own]
                less = (-risk.jump[some], -risk.slope[some], known[own])
                yield (group[own], risk.day[some], risk.band[some], *less)

    def _gone(self, fault: Fault, which: slice) -> IntArray:
        """Rows of vehicles while they are not at risk; ``which``: of those the fault names."""
        vehicle, out = fault.out_vehicle[which], fault.out_day[which]
        begin, end = self._rows_of[vehicle], self._rows_of[vehicle + 1]
        sizes = end - begin
        of_row = np.repeat(np.arange(sizes.size, dtype=np.int32), sizes)
        rows = np.arange(of_row.size) + (begin - np.cumsum(sizes) + sizes)[of_row]
        began = self._risk.began[rows]
        inside = (began >= out[of_row]) & (began < fault.out_until[which][of_row])
        kinds = np.zeros(self._offsets.size, dtype=np.bool_)
        kinds[fault.kinds] = True
        return np.asarray(rows[inside & kinds[self._risk.kind[rows]]])


def _as_known(
    group: IntArray,
    day: IntArray,
    band: IntArray,
    jump: FloatArray,
    slope: FloatArray,
    since: IntArray,
) -> tuple[IntArray, IntArray, IntArray, FloatArray, FloatArray]:
    """Let no km count before its kind of unit was known to show the fault; then all of it does."""
    early = np.maximum(since - day, 0)
    return group, day + early, band, jump + slope * early, slope


def _by_kind(
    risk: KmAtRisk, groups: Groups, n_bands: int
) -> tuple[tuple[NDArray[Any], ...], IntArray]:
    """Distances summed by kind of unit, group, day and band; and where each kind begins."""
    n_days = int(risk.day.max(initial=-1)) + 1
    # each combination as one number
    shape = (int(risk.kind.max(initial=-1)) + 1, len(groups.names), n_days, n_bands)
    frames = []
    for own in groups.of_vehicle:
        # part by part, as rows of a large fleet take much memory together; the sums are exact
        begins = range(0, max(risk.vehicle.size, 1), _ROWS_AT_ONCE)
        parts = [_placed(risk, own, shape, slice(at, at + _ROWS_AT_ONCE)) for at in begins]
        frames.append(_added(pl.concat(parts)))
    summed = pl.concat(frames).sort("place")
    kind, group, day, band = np.unravel_index(summed["place"].to_numpy(), shape)
    offsets = offsets_of(kind.astype(np.int64), shape[0])
    places = (each.astype(np.int32) for each in (group, day, band))
    return (*places, summed["jump"].to_numpy(), summed["slope"].to_numpy()), offsets


def _placed(risk: KmAtRisk, own: IntArray, shape: tuple[int, ...], rows: slice) -> pl.DataFrame:
    """Sum some rows by the number of their combination; ``own``: group of each vehicle."""
    group = own[risk.vehicle[rows]]
    some = group >= 0
    keys = (risk.kind[rows][some], group[some], risk.day[rows][some], risk.band[rows][some])
    place = np.ravel_multi_index(keys, shape)
    jump, slope = risk.jump[rows][some], risk.slope[rows][some]
    return _added(pl.DataFrame({"place": place, "jump": jump, "slope": slope}))


def _added(rows: pl.DataFrame) -> pl.DataFrame:
    return rows.group_by("place").agg(pl.col("jump", "slope").sum())


def faults_of(
    firsts: pl.DataFrame, kinds_of: Mapping[str, tuple[IntArray, IntArray]]
) -> Iterator[Fault]:
    """Give each component with a fault that began; ``firsts`` sorted by fault.

    ``kinds_of``: kinds of units that ever showed it, and since when.
    """
    for (name,), rows in firsts.group_by(["fault"], maintain_order=True):
        own = rows.filter("is_onset")
        if not len(own):
            continue
        out, (kinds, known) = rows["out_day"].to_numpy(), kinds_of[str(name)]
        yield Fault(
            str(name), kinds, known, *_onsets(own), rows["vehicle"].to_numpy(), out,
            np.full(out.size, _NEVER),
        )  # fmt: skip


def any_fault(name: str, firsts: pl.DataFrame, kinds: IntArray) -> Fault:
    """All components together: one onset of a vehicle in ``REST_DAYS``."""
    rows = firsts.filter("is_onset").sort("vehicle", "out_day", "fault")
    vehicle, day = rows["vehicle"].to_numpy(), rows["out_day"].to_numpy()
    kept = _rested(vehicle, day)
    own = rows.filter(pl.Series(kept))
    onsets = _onsets(own)
    return Fault(
        name, kinds, np.zeros_like(kinds), *onsets, onsets[0], onsets[1], onsets[1] + REST_DAYS
    )


def _rested(vehicle: IntArray, day: IntArray) -> BoolArray:
    kept = np.zeros(vehicle.size, dtype=np.bool_)
    last_vehicle, last_day = -1, 0
    for row, (own, at) in enumerate(zip(vehicle.tolist(), day.tolist(), strict=True)):
        if own != last_vehicle or at >= last_day + REST_DAYS:
            kept[row] = True
            last_vehicle, last_day = own, at
    return kept


def _onsets(rows: pl.DataFrame) -> tuple[IntArray, IntArray, IntArray, FloatArray]:
    return (
        rows["vehicle"].to_numpy().astype(np.int64),
        rows["out_day"].to_numpy().astype(np.int64),
        rows["band"].to_numpy().astype(np.int64),
        rows["km"].cast(pl.Float64).fill_null(np.nan).to_numpy(),
    )
