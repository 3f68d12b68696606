"""Mean number of recurrences per vehicle by mileage, for many groups of vehicles at once."""

from dataclasses import dataclass

import numpy as np
from scipy import special

from afterclear.estimators.arrays.ragged import (
    group_sums,
    offsets_of,
    order_by_group,
    order_by_time,
    run_starts,
    running_sums,
    sums_before,
)
from afterclear.estimators.arrays.validation import FloatArray, IntArray, check_fraction
from afterclear.estimators.recurrence.exposure import ObservedUnits


@dataclass(frozen=True, slots=True)
class RecurrenceCurves:
    """Step curves laid end to end: group g owns points ``offsets[g]:offsets[g + 1]``.

    A point is a distinct age with at least one event; arrays of points have shape (n_points,).
    """

    offsets: IntArray  # (n_groups + 1,)
    km: FloatArray
    n_at_risk: FloatArray  # vehicles observed there: entry < km <= exit
    n_events: FloatArray
    mean: FloatArray  # events per vehicle up to and including km
    std_error: FloatArray  # robust: vehicles independent, events on one vehicle not
    low: FloatArray  # mean exp(-/+ z std_error / mean)
    high: FloatArray
    conf_level: float


def mean_cumulative_function(data: ObservedUnits, *, conf_level: float = 0.95) -> RecurrenceCurves:
    """Nelson's mean cumulative function of each group with the robust variance.

    ``M(t) = sum d_j / n_j`` over event ages up to t.  The variance is that of Lawless & Nadeau,
    ``sum_i {sum_j Y_ij (d_ij - d_j / n_j) / n_j} ** 2`` over vehicles i: it holds whether or not
    some vehicles are worse than others, unlike the sum of ``d_j / n_j ** 2``. Events and the end of
    observation at one age: the vehicle is still at risk there.  Ages only known to lie between two
    scans may be drawn at the middle.

    References: Nelson 1988, J. Qual. Technol. 20, 24; Lawless & Nadeau 1995, Technometrics 37,
    158 (from memory).

    """
    check_fraction("conf_level", conf_level)
    line = _line_up(data)
    offsets = offsets_of(line.point_group, data.n_groups)
    mean = running_sums(line.n_events / line.n_at_risk, offsets)
    variance = running_sums(_variance_growth(data, line), offsets)
    std_error = np.sqrt(np.maximum(variance, 0.0))
    z = float(special.ndtri(0.5 + conf_level / 2))
    spread = np.exp(z * std_error / mean)
    return RecurrenceCurves(
        offsets=offsets,
        km=line.km,
        n_at_risk=line.n_at_risk,
        n_events=line.n_events,
        mean=mean,
        std_error=std_error,
        low=mean / spread,
        high=mean * spread,
        conf_level=conf_level,
    )


@dataclass(frozen=True, slots=True)
class _Line:
    """Events, entries and exits of each group on one line; at one age the events come first.

    So an entry counts from just after its age on, and an exit up to and including it.
    Places are row numbers on the line; points are runs of events at one age.
    """

    offsets: IntArray  # (n_groups + 1,) of the groups on the line
    event_order: IntArray  # (n_events,) the caller's events by group and age
    event_point: IntArray  # (n_events,) point of each, in that order
    entry_place: IntArray  # (n_units,)
    exit_place: IntArray  # (n_units,)
    point_place: IntArray  # (n_points,) of its first event
    point_group: IntArray
    km: FloatArray
    n_at_risk: FloatArray
    n_events: FloatArray

    @property
    def length(self) -> int:
        """Number of rows on the line."""
        return int(self.offsets[-1])


def _line_up(data: ObservedUnits) -> _Line:
    n_events, n_units = data.event.size, data.exit.size
    age = np.concatenate((data.event, data.entry, data.exit))
    group = np.concatenate((data.event_group, data.group, data.group))
    order = order_by_time(age, group, stable=True)
    place = np.empty(order.size, dtype=np.int64)
    place[order] = np.arange(order.size)
    # entries and exits of a group cancel, so one running count serves all groups
    step = np.repeat((0, 1, -1), (n_events, n_units, n_units))[order]
    is_event = order < n_events
    event_order = order[is_event]
    starts = run_starts(data.event[event_order], data.event_group[event_order])
    size = np.diff(starts, append=n_events)
    point_place = np.flatnonzero(is_event)[starts]
    return _Line(
        offsets=offsets_of(group, data.n_groups),
        event_order=event_order,
        event_point=np.repeat(np.arange(starts.size), size),
        entry_place=place[n_events : n_events + n_units],
        exit_place=place[n_events + n_units :],
        point_place=point_place,
        point_group=data.event_group[event_order[starts]],
        km=data.event[event_order[starts]],
        n_at_risk=np.cumsum(step)[point_place].astype(np.float64),
        n_events=size.astype(np.float64),
    )


def _variance_growth(data: ObservedUnits, line: _Line) -> FloatArray:
    """Find what each point adds to the Lawless-Nadeau variance, in one pass over the line.

    Let r_i(t) be vehicle i's inner sum.  At a point with n at risk and d events each vehicle
    at risk gets ``k_i / n - d / n ** 2``, k_i its own events there.  These add up to 0, so

    * the sum of r over all vehicles is always 0, and that over those still at risk is minus
      that over those that left, each of which keeps its last r;
    * the sum of squares grows by ``2 sum r_i k_i / n - 2 (d / n ** 2) sum_at_risk r_i
      + sum k_i ** 2 / n ** 2 - d ** 2 / n ** 3``.
    """
    n, d = line.n_at_risk, line.n_events
    n_units = data.exit.size
    share = d / n**2
    on_line = np.zeros(line.length)
    on_line[line.point_place] = share
    share_upto = running_sums(on_line, line.offsets)
    share_at_entry = share_upto[line.entry_place]
    # a vehicle's own events, those at one age drawn together, in order of (vehicle, age)
    rank = order_by_group(data.event_unit[line.event_order], np.arange(data.event.size))
    unit, at = data.event_unit[line.event_order[rank]], line.event_point[rank]
    starts = run_starts(at.astype(np.float64), unit)
    k = np.diff(starts, append=unit.size).astype(np.float64)
    unit, at = unit[starts], at[starts]
    gained = k / n[at]
    share_before = share_upto[line.point_place[at]] - share[at]
    r_before = sums_before(gained, offsets_of(unit, n_units)) - share_before
    r_before += share_at_entry[unit]
    r_last = group_sums(gained, unit, n_units)
    r_last -= share_upto[line.exit_place] - share_at_entry
    on_line = np.zeros(line.length)
    on_line[line.exit_place] = r_last
    r_left = running_sums(on_line, line.offsets)[line.point_place]
    crossed = group_sums(r_before * gained, at, n.size)
    squares = group_sums(k**2, at, n.size)
    return 2 * (crossed + share * r_left) + squares / n**2 - d**2 / n**3
