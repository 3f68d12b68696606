"""What share will end in which way: Aalen-Johansen curves for many groups at once.

For the lifetime of a part as such, other ends (preventive removal, accident, vehicle sold) are
censored: use ``survival`` or ``weibull``.  For "what share will come back", one end keeps the
others from happening, and one minus Kaplan-Meier would promise too much.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from afterclear.estimators.arrays.ragged import (
    offsets_of,
    order_by_time,
    run_starts,
    running_sums,
    sums_before,
    weight_at_risk,
)
from afterclear.estimators.arrays.validation import (
    FloatArray,
    IntArray,
    as_groups,
    check_fraction,
    check_same_shape,
)
from afterclear.estimators.lifetimes.lifetimes import Lifetimes


@dataclass(frozen=True, slots=True)
class IncidenceCurves:
    """Step curves laid end to end: group g owns points ``offsets[g]:offsets[g + 1]``.

    A point is a distinct time at which anything ended; cause k is in row k - 1.
    """

    offsets: IntArray  # (n_groups + 1,)
    time: FloatArray  # (n_points,)
    n_at_risk: FloatArray  # (n_points,)
    n_events: FloatArray  # (n_causes, n_points)
    incidence: FloatArray  # (n_causes, n_points) share ended by that cause up to the time
    std_error: FloatArray  # (n_causes, n_points)
    low: FloatArray  # log(-log) limits; nan before the cause's first event
    high: FloatArray
    conf_level: float


def aalen_johansen(
    rows: Lifetimes, cause: IntArray, n_causes: int, *, conf_level: float = 0.95
) -> IncidenceCurves:
    """Cumulative incidence of each cause in each group.

    ``cause``: 1 .. n_causes, shape (n_rows,); ignored if the row did not end. ``F_k(t) = sum S(t_j
    -) d_kj / n_j``, S the Kaplan-Meier curve of any end; risk set on (entry, end].  The variance is
    Aalen's (1978, Ann. Stat. 6, 534) as given by Pintilie 2006, Competing Risks, eq. 4.5 (from
    memory of the library the tests compare with).
    """
    check_fraction("conf_level", conf_level)
    cause = as_groups("cause", cause)
    check_same_shape(cause=cause, low=rows.low)
    ended = np.flatnonzero(rows.failed)
    if (rows.failed & ~rows.exact).any():
        raise ValueError("aalen_johansen needs ends known exactly, but some rows are intervals")
    if ended.size and not 1 <= cause[ended].min() <= cause[ended].max() <= n_causes:
        raise ValueError(f"cause must be 1 to {n_causes} where a row ended")
    order = ended[order_by_time(rows.low[ended], rows.group[ended])]
    starts = run_starts(rows.low[order], rows.group[order])
    time, group = rows.low[order[starts]], rows.group[order[starts]]
    offsets = offsets_of(group, rows.n_groups)
    n = weight_at_risk(time, group, (rows.entry, rows.low), rows.group, rows.weight)
    d = np.zeros((n_causes, time.size))
    if starts.size:
        weights = rows.weight[order] * (cause[order] == np.arange(1, n_causes + 1)[:, None])
        d = np.add.reduceat(weights, starts, axis=1)
    any_d = d.sum(axis=0)
    with np.errstate(divide="ignore"):
        before = np.exp(sums_before(np.log1p(-any_d / n), offsets))
    incidence = np.array([running_sums(before * row / n, offsets) for row in d])
    incidence = incidence.reshape(n_causes, time.size)
    std_error = np.zeros_like(incidence)
    for k in range(n_causes):
        variance = _aalen_variance(n, any_d, d[k], (before, incidence[k]), offsets)
        std_error[k] = np.sqrt(np.maximum(variance, 0.0))
    z = float(special.ndtri(0.5 + conf_level / 2))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        spread = np.exp(z * std_error / (incidence * np.log(incidence)))
        low, high = incidence ** (1 / spread), incidence**spread
    nothing = (incidence <= 0) | (incidence >= 1)
    return IncidenceCurves(
        offsets=offsets,
        time=time,
        n_at_risk=n,
        n_events=d,
        incidence=incidence,
        std_error=std_error,
        low=np.where(nothing, np.nan, low),
        high=np.where(nothing, np.nan, high),
        conf_level=conf_level,
    )


def _aalen_variance(
    n: FloatArray,
    any_d: FloatArray,
    d: FloatArray,
    curves: tuple[FloatArray, FloatArray],
    offsets: IntArray,
) -> FloatArray:
    """``sum_j (F(t) - F_j)^2 a_j + b_j - 2 (F(t) - F_j) c_j``, multiplied out into sums."""
    before, incidence = curves
    a, b, c = np.zeros_like(n), np.zeros_like(n), np.zeros_like(n)
    np.divide(any_d, (n - 1) * (n - any_d), out=a, where=(n > 1) & (n > any_d))
    np.divide((n - d) * d * before**2, (n - 1) * n**2, out=b, where=n > 1)
    share = d * (n - d) * before
    np.divide(share, n * (n - any_d) * (n - 1), out=c, where=(n > 1) & (n > any_d))
    sums = [
        running_sums(row, offsets)
        for row in (a, a * incidence, a * incidence**2, b, c, c * incidence)
    ]
    square = incidence**2 * sums[0] - 2 * incidence * sums[1] + sums[2]
    return np.asarray(square + sums[3] - 2 * (incidence * sums[4] - sums[5]))
