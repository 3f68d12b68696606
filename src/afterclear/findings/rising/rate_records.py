"""First faults and distance at risk of every group, put together fault by fault."""

from typing import Final

import numpy as np

from afterclear.estimators.arrays.validation import FloatArray
from afterclear.estimators.rates.rising import RateRecord
from afterclear.findings.rising.distance_sums import DistanceSums
from afterclear.findings.rising.faults import Fault, Groups

_MOST_KEPT: Final = 1 << 26  # bytes


class Records:
    """Rate records of a fleet by fault."""

    def __init__(self, sums: DistanceSums, groups: Groups) -> None:
        self._sums, self._groups = sums, groups
        self._kept: dict[str, RateRecord] = {}
        self._room = _MOST_KEPT

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
        n_groups, n_bands, n_days = self._sums.shape
        km = self._km(fault)
        onsets = np.zeros((n_groups, n_days))
        for groups in self._groups.of_vehicle:
            own = groups[fault.onset_vehicle]
            np.add.at(onsets, (own[own >= 0], fault.onset_day[own >= 0]), 1.0)
        every = np.zeros((n_days, n_bands))
        np.add.at(every, (fault.onset_day, fault.onset_band), 1.0)
        fleet = self._groups.slice_of(0).start
        return RateRecord(onsets.cumsum(axis=1), km, every.cumsum(axis=0), km[fleet])

    def _km(self, fault: Fault) -> FloatArray:
        """Km at risk of all groups, cumulated, (g, d, b)."""
        sums, size = self._sums, int(np.prod(self._sums.shape))
        total, rising = np.zeros(size), np.zeros(size)
        for kind, day in zip(fault.kinds.tolist(), fault.known_day.tolist(), strict=True):
            rows = sums.of_kind(kind, day)
            total += np.bincount(rows.place, rows.jump, size)
            rising += np.bincount(rows.place, rows.slope, size)
        gone = sums.gone[fault.name]
        total[gone.place] -= gone.jump
        rising[gone.place] -= gone.slope
        # days come last: sums run along them
        total, rising = total.reshape(sums.shape), rising.reshape(sums.shape)
        np.cumsum(rising, axis=2, out=rising)
        total[:, :, 1:] += rising[:, :, :-1]  # from the next day on
        np.cumsum(total, axis=2, out=total)
        return np.moveaxis(total, 2, 1)
