"""What may rise: kinds of faults with their first onsets, in groups of vehicles."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from afterclear.estimators.arrays.validation import BoolArray, FloatArray, IntArray

REST_DAYS: Final = 90
"""After a fault, further ones of the vehicle do not count for all faults together: one bad vehicle
is no trend (own judgement)."""
_NEVER = 1 << 40


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
    out_vehicle: IntArray  # rising
    out_day: IntArray
    out_until: IntArray


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
