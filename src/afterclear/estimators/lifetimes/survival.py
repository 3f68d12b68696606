"""Kaplan-Meier curves of many groups at once, for failures whose age is known exactly.

Where a failure is only known to lie between two scans, fit a Weibull instead: feeding the scan's
distance in as if it were the failure's would bias every curve late.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from afterclear.estimators.arrays.ragged import (
    group_sums,
    offsets_of,
    order_by_time,
    run_starts,
    running_sums,
    weight_before,
)
from afterclear.estimators.arrays.validation import FloatArray, IntArray, check_fraction
from afterclear.estimators.lifetimes.lifetimes import Lifetimes


@dataclass(frozen=True, slots=True)
class SurvivalCurves:
    """Step curves laid end to end: group g owns points ``offsets[g]:offsets[g + 1]``.

    A point is a distinct time with at least one failure; arrays of points have shape
    (n_points,), those of groups (n_groups,).  Before the first point survival is 1; after
    ``followed_to`` it is not known, unless it has come down to 0.
    """

    offsets: IntArray  # (n_groups + 1,)
    time: FloatArray
    n_at_risk: FloatArray  # just before the time: entry < time <= end
    n_events: FloatArray
    survival: FloatArray  # just after the time
    std_error: FloatArray  # Greenwood's; nan where survival is 0
    low: FloatArray  # log(-log) limits; nan where survival is 0
    high: FloatArray
    followed_to: FloatArray  # (n_groups,) the last age seen; nan for a group without rows
    conf_level: float


def kaplan_meier(rows: Lifetimes, *, conf_level: float = 0.95) -> SurvivalCurves:
    """Product-limit survival of each group with Greenwood error and log(-log) limits.

    ``S(t) = prod (1 - d_j / n_j)`` over failure times up to t; a unit is at risk on
    (entry, end], so failures come before censorings at one time.  The limits are
    ``S ** exp(-/+ z se / |ln S|)``, ``se`` the root of ``sum d_j / (n_j (n_j - d_j))``; they
    stay inside (0, 1).

    References: Kaplan & Meier 1958, J. Am. Stat. Assoc. 53, 457; Kalbfleisch & Prentice 2002,
    The Statistical Analysis of Failure Time Data, section 1.4 (from memory).

    """
    check_fraction("conf_level", conf_level)
    _refuse_intervals(rows)
    time, group, n_at_risk, n_events = _failure_times(rows)
    offsets = offsets_of(group, rows.n_groups)
    survival, log_survival, error = _product_limit(n_at_risk, n_events, offsets)
    z = float(special.ndtri(0.5 + conf_level / 2))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        spread = np.exp(z * error / -log_survival)
        low, high = np.exp(log_survival * spread), np.exp(log_survival / spread)
        std_error = survival * error
    followed_to = np.full(rows.n_groups, np.nan)
    np.fmax.at(followed_to, rows.group, rows.low)
    return SurvivalCurves(
        offsets=offsets,
        time=time,
        n_at_risk=n_at_risk,
        n_events=n_events,
        survival=survival,
        std_error=std_error,
        low=low,
        high=high,
        followed_to=followed_to,
        conf_level=conf_level,
    )


def _failure_times(rows: Lifetimes) -> tuple[FloatArray, IntArray, FloatArray, FloatArray]:
    """Distinct failure times with their group, number at risk and number failed."""
    order = order_by_time(rows.low, rows.group)
    time, group, weight = rows.low[order], rows.group[order], rows.weight[order]
    starts = run_starts(time, group)
    if starts.size == 0:
        empty = np.empty(0)
        return empty, np.empty(0, dtype=np.int64), empty, empty
    offsets = offsets_of(group, rows.n_groups)
    n_events = np.add.reduceat(weight * rows.failed[order], starts)
    starts, n_events = starts[n_events > 0], n_events[n_events > 0]
    time, group = time[starts], group[starts]
    if (rows.weight == 1).all():
        n_left = (starts - offsets[group]).astype(np.float64)
        n_in = np.diff(offsets).astype(np.float64)[group]
    else:
        n_left = (running_sums(weight, offsets) - weight)[starts]
        n_in = group_sums(rows.weight, rows.group, rows.n_groups)[group]
    if rows.entry.any():
        n_in = weight_before(time, group, rows.entry, rows.group, rows.weight)
    return time, group, n_in - n_left, n_events


def _product_limit(
    n_at_risk: FloatArray, n_events: FloatArray, offsets: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Survival, its logarithm, and the root of Greenwood's sum, at each point."""
    with np.errstate(divide="ignore"):
        log_survival = running_sums(np.log1p(-n_events / n_at_risk), offsets)
        greenwood = running_sums(n_events / (n_at_risk * (n_at_risk - n_events)), offsets)
    return np.exp(log_survival), log_survival, np.sqrt(greenwood)


def _refuse_intervals(rows: Lifetimes) -> None:
    between = rows.failed & ~rows.exact
    if between.any():
        row = int(np.argmax(between))
        raise ValueError(
            f"Kaplan-Meier needs failures known exactly, but row {row} lies in "
            f"({rows.low[row]}, {rows.high[row]}]; fit a Weibull"
        )
