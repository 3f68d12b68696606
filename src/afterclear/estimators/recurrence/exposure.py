"""Repeated events of units under observation for some time: the input of MCF and trend tests.

A unit (a vehicle) is observed on (entry, exit]; its events are in this window.  ``exit`` is the
last scan that would have shown an event; where that was made because of the last event (a
complaint), the unit is ``closed`` and that event no chance one.  One clock and unit of distance or
time throughout.  Several dirty scans in a row are one episode: collapse them first.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from afterclear.estimators.arrays.validation import (
    BoolArray,
    FloatArray,
    IntArray,
    as_floats,
    as_groups,
    check_finite,
    check_non_negative,
    check_same_shape,
    count_groups,
)


@dataclass(frozen=True, slots=True)
class ObservedUnits:
    """Checked units and events; build them with ``observed_units``."""

    entry: FloatArray  # (n_units,)
    exit: FloatArray  # (n_units,)
    group: IntArray  # (n_units,) group of the unit
    event: FloatArray  # (n_events,) age at the event
    event_unit: IntArray  # (n_events,) row of the unit it happened to
    n_groups: int
    closed: BoolArray  # (n_units,) observation ended at the last event, and because of it

    @property
    def event_group(self) -> IntArray:
        """Group of each event, shape (n_events,)."""
        return self.group[self.event_unit]

    @property
    def n_events(self) -> IntArray:
        """Events in each group, shape (n_groups,)."""
        return np.bincount(self.event_group, minlength=self.n_groups)

    @property
    def n_free(self) -> FloatArray:
        """Events of each group whose place was up to chance, shape (n_groups,)."""
        n_closed = np.bincount(self.group[self.closed], minlength=self.n_groups)
        return (self.n_events - n_closed).astype(np.float64)


def observed_units(  # noqa: PLR0913 - three rows of data, four settings with defaults
    event: ArrayLike,
    event_unit: ArrayLike,
    exit_: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    group: ArrayLike | None = None,
    n_groups: int | None = None,
    closed: ArrayLike | None = None,
) -> ObservedUnits:
    """Units and their events, checked.

    ``exit_``: shape (n_units,), as ``entry`` (0 where not given), ``group`` (one for all where
    not given) and ``closed`` (none where not given).  ``event``, ``event_unit``: shape
    (n_events,), the unit by its row.
    """
    exit_array = as_floats("exit_", exit_)
    entry_array = np.zeros_like(exit_array) if entry is None else as_floats("entry", entry)
    unit_group = (
        np.zeros(exit_array.shape, dtype=np.int64) if group is None else as_groups("group", group)
    )
    event_array, unit = as_floats("event", event), as_groups("event_unit", event_unit)
    check_same_shape(exit_=exit_array, entry=entry_array, group=unit_group)
    check_same_shape(event=event_array, event_unit=unit)
    for name, array in (("entry", entry_array), ("exit_", exit_array), ("event", event_array)):
        check_finite(name, array)
    check_non_negative("entry", entry_array)
    if unit.max(initial=-1) >= exit_array.size:
        raise ValueError(
            f"event_unit must be below the number of units {exit_array.size}, "
            f"but holds {unit.max()}"
        )
    inside = (event_array > entry_array[unit]) & (event_array <= exit_array[unit])
    if not inside.all():
        row = int(np.argmin(inside))
        raise ValueError(
            f"event must lie in its unit's ({entry_array[unit[row]]}, {exit_array[unit[row]]}], "
            f"but is {event_array[row]} in row {row}"
        )
    closed_array = _checked_closed(closed, event_array, unit, exit_array)
    return ObservedUnits(
        entry=entry_array,
        exit=exit_array,
        group=unit_group,
        event=event_array,
        event_unit=unit,
        n_groups=count_groups(unit_group, n_groups),
        closed=closed_array,
    )


def _checked_closed(
    closed: ArrayLike | None, event: FloatArray, unit: IntArray, exit_: FloatArray
) -> BoolArray:
    if closed is None:
        return np.zeros(exit_.shape, dtype=np.bool_)
    flags = np.atleast_1d(np.asarray(closed, dtype=np.bool_))
    check_same_shape(closed=flags, exit_=exit_)
    last = np.full(exit_.shape, -np.inf)
    np.maximum.at(last, unit, event)
    early = flags & (last < exit_)
    if early.any():
        row = int(np.argmax(early))
        raise ValueError(
            f"closed units must have an event at their exit, but row {row} has its last at "
            f"{last[row]} and is watched to {exit_[row]}"
        )
    return flags
