"""Times to failure as every lifetime estimator takes them: one interval a row, many groups at once.

One clock and one unit (km, or days, or hours) in all arrays of a call.  A failure lies in
``(low, high]``: open left, closed right.

| row              | low             | high                |
|------------------|-----------------|---------------------|
| failed exactly   | age at failure  | the same            |
| failed between   | last age sound  | first age seen failed |
| not failed yet   | last age sound  | inf                 |

``entry`` is the age at which observation began; a row is at risk on ``(entry, ...]`` only, since
units that failed earlier were never seen (left truncation).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from afterclear.estimators.arrays.ragged import group_sums
from afterclear.estimators.arrays.validation import (
    BoolArray,
    FloatArray,
    IntArray,
    as_floats,
    as_groups,
    check_finite,
    check_non_negative,
    check_positive,
    check_same_shape,
    count_groups,
)


@dataclass(frozen=True, slots=True)
class Lifetimes:
    """Checked rows of lifetimes; build them with ``lifetimes`` or ``observed_lifetimes``.

    All arrays but ``n_groups`` have shape (n_rows,).
    """

    low: FloatArray
    high: FloatArray  # inf: not failed
    entry: FloatArray  # 0: observed from new
    weight: FloatArray  # how many units the row represents
    group: IntArray  # 0 .. n_groups - 1
    n_groups: int

    @property
    def exact(self) -> BoolArray:
        """Rows whose age at failure is known."""
        return np.equal(self.low, self.high)

    @property
    def failed(self) -> BoolArray:
        """Rows that failed, exactly or between two ages."""
        return np.isfinite(self.high)

    @property
    def informative(self) -> BoolArray:
        """Informative rows: not those never observed, (entry, inf) from their entry on."""
        return self.failed | (self.low > self.entry)

    @property
    def n_failed(self) -> FloatArray:
        """Failures in each group, shape (n_groups,)."""
        return group_sums(self.weight * self.failed, self.group, self.n_groups)

    def take(self, rows: BoolArray | IntArray) -> "Lifetimes":
        """Those rows only, with the same groups."""
        return Lifetimes(
            self.low[rows],
            self.high[rows],
            self.entry[rows],
            self.weight[rows],
            self.group[rows],
            self.n_groups,
        )

    def take_groups(self, chosen: IntArray) -> "Lifetimes":
        """Those groups only, renumbered in the order of ``chosen``."""
        number = np.full(self.n_groups, -1, dtype=np.int64)
        number[chosen] = np.arange(chosen.size)
        kept = self.take(number[self.group] >= 0)
        return Lifetimes(
            kept.low, kept.high, kept.entry, kept.weight, number[kept.group], int(chosen.size)
        )


def lifetimes(
    low: ArrayLike,
    high: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    group: ArrayLike | None = None,
    n_groups: int | None = None,
) -> Lifetimes:
    """Rows of lifetimes, checked; ``entry`` 0, ``weight`` 1 and one group where not given.

    A failure known exactly must lie after its entry: one at age 0 is not on any clock (write
    the interval it lies in).  Rows may come in any order.
    """
    low_array, high_array = as_floats("low", low), as_floats("high", high)
    entry_array = np.zeros_like(low_array) if entry is None else as_floats("entry", entry)
    weight_array = np.ones_like(low_array) if weight is None else as_floats("weight", weight)
    if group is None:
        group_array = np.zeros(low_array.shape, dtype=np.int64)
    else:
        group_array = as_groups("group", group)
    check_same_shape(
        low=low_array, high=high_array, entry=entry_array, weight=weight_array, group=group_array
    )
    _check_ages(low_array, high_array, entry_array)
    check_finite("weight", weight_array)
    check_positive("weight", weight_array)
    n = count_groups(group_array, n_groups)
    return Lifetimes(low_array, high_array, entry_array, weight_array, group_array, n)


def observed_lifetimes(
    duration: ArrayLike,
    event_observed: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    group: ArrayLike | None = None,
    n_groups: int | None = None,
) -> Lifetimes:
    """Rows of lifetimes that ended exactly (``event_observed``) or last seen at ``duration``."""
    low = as_floats("duration", duration)
    event = np.atleast_1d(np.asarray(event_observed)).astype(bool)
    check_same_shape(duration=low, event_observed=event)
    high = np.where(event, low, np.inf)
    return lifetimes(low, high, entry=entry, weight=weight, group=group, n_groups=n_groups)


def _check_ages(low: FloatArray, high: FloatArray, entry: FloatArray) -> None:
    check_finite("low", low)
    check_finite("entry", entry)
    check_non_negative("entry", entry)
    _check_rows("low", low, low >= entry, "at or after its entry")
    _check_rows("high", high, high >= low, "low or more")
    _check_rows("low", low, (low > entry) | (high > low), "after its entry where it is exact")


def _check_rows(name: str, values: FloatArray, sound: BoolArray, rule: str) -> None:
    if not sound.all():
        row = int(np.argmin(sound))
        raise ValueError(f"{name} must be {rule}, but is {values[row]} in row {row}")
