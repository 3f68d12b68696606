"""Do the parts of two arms last equally long?  Stratified log-rank and Gehan tests, many at once.

Show the effect first (``life_ratio``), then the p value of one of these.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special

from afterclear.estimators.arrays.ragged import (
    cells_of,
    group_sums,
    order_by_time,
    run_starts,
    weight_at_risk,
    weight_before,
)
from afterclear.estimators.arrays.validation import (
    BoolArray,
    FloatArray,
    IntArray,
    as_groups,
    check_same_shape,
)
from afterclear.estimators.lifetimes.lifetimes import Lifetimes

Weighting = Literal["log_rank", "gehan"]

# Fewer and the chi-square is no good guide: the p value comes from shuffling the arms.
ENOUGH_FAILURES = 10
ENOUGH_UNITS = 5
_ROUNDING = 1e-9  # of the largest score: shuffles this close to the data are as extreme


@dataclass(frozen=True, slots=True)
class ArmTests:
    """Comparisons of arm 1 with arm 0, arrays of shape (n_groups,); nan: nothing to compare."""

    observed: FloatArray  # failures in arm 1
    expected: FloatArray  # in arm 1, were the arms alike
    n_failed: FloatArray  # in both arms
    chi_square: FloatArray  # 1 degree of freedom
    p_value: FloatArray  # two-sided
    permuted: BoolArray  # p_value comes from shuffling


@dataclass(frozen=True, slots=True)
class _Table:
    """Failure ages of each cell with the numbers at risk there, shape (n_points,)."""

    time: FloatArray
    cell: IntArray
    n_at_risk: FloatArray
    n_arm_1: FloatArray
    n_failed: FloatArray
    n_failed_1: FloatArray


def log_rank(
    rows: Lifetimes,
    arm: IntArray,
    *,
    stratum: IntArray | None = None,
    weighting: Weighting = "log_rank",
    rng: np.random.Generator | None = None,
    n_shuffles: int = 9999,
) -> ArmTests:
    """Test in each group whether arm 1 fails at the rate of arm 0, given age and stratum.

    ``arm``: 0 or 1, ``stratum``: any numbers, shape (n_rows,).  ``sum w (d_1 - d n_1 / n)`` over
    failure ages of all strata, with its hypergeometric variance; w is 1, or n for Gehan, which
    gives early failures more weight and depends on the censoring.  Left truncation enters the risk
    sets.  Each row is one unit.  With an ``rng``, groups with fewer than 10 failures, or 5 units in
    an arm, get their p value from shuffling arms inside strata; the statistic is a sum of scores
    that do not depend on the arms, so a shuffle is a sum too.

    References: Mantel 1966, Cancer Chemother. Rep. 50, 163; Gehan 1965, Biometrika 52, 203;
    Klein & Moeschberger 2003, Survival Analysis, section 7.3 (from memory).

    """
    arm = _checked_arms(rows, arm)
    keys = (rows.group,) if stratum is None else (rows.group, stratum)
    cell, first = cells_of(*keys)
    cell_group = rows.group[first]
    table = _table(rows, arm, cell)
    weight = table.n_at_risk if weighting == "gehan" else np.ones(table.time.size)
    n, d = table.n_at_risk, table.n_failed
    share = table.n_arm_1 / n
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.where(n > 1, d * share * (1 - share) * (n - d) / (n - 1), 0.0)
    point_group, n_groups = cell_group[table.cell], rows.n_groups
    excess = group_sums(weight * (table.n_failed_1 - d * share), point_group, n_groups)
    variance = group_sums(weight**2 * spread, point_group, n_groups)
    comparable = variance > 0
    with np.errstate(divide="ignore", invalid="ignore"):
        chi_square = np.where(comparable, excess**2 / variance, np.nan)
    p_value = special.chdtrc(1, chi_square)
    n_failed = group_sums(d, point_group, n_groups)
    permuted = np.zeros(n_groups, dtype=bool)
    if rng is not None:
        permuted = comparable & _few(arm, rows.group, n_failed)
        scores = _scores(rows, cell, table, weight)
        for group in np.flatnonzero(permuted):
            own = rows.group == group
            p_value[group] = _shuffled_p(scores[own], arm[own], cell[own], rng, n_shuffles)
    return ArmTests(
        observed=group_sums(table.n_failed_1, point_group, n_groups),
        expected=group_sums(d * share, point_group, n_groups),
        n_failed=n_failed,
        chi_square=chi_square,
        p_value=p_value,
        permuted=permuted,
    )


def _checked_arms(rows: Lifetimes, arm: IntArray) -> IntArray:
    arm = as_groups("arm", arm)
    check_same_shape(arm=arm, low=rows.low)
    if (arm > 1).any():
        raise ValueError(f"arm must be 0 or 1, but is {arm.max()} in row {int(np.argmax(arm))}")
    if (rows.failed & ~rows.exact).any():
        raise ValueError("log_rank needs failures known exactly; use life_ratio for intervals")
    if (rows.weight != 1).any():
        raise ValueError("log_rank takes one unit a row, but some weights are not 1")
    return arm


def _table(rows: Lifetimes, arm: IntArray, cell: IntArray) -> _Table:
    failed = np.flatnonzero(rows.failed)
    order = failed[order_by_time(rows.low[failed], cell[failed])]
    time, at_cell = rows.low[order], cell[order]
    starts = run_starts(time, at_cell)
    n_failed = np.diff(starts, append=order.size).astype(np.float64)
    n_failed_1 = (
        np.add.reduceat(arm[order].astype(np.float64), starts) if starts.size else np.empty(0)
    )
    time, at_cell = time[starts], at_cell[starts]
    watch = (rows.entry, rows.low)
    return _Table(
        time=time,
        cell=at_cell,
        n_at_risk=weight_at_risk(time, at_cell, watch, cell, rows.weight),
        n_arm_1=weight_at_risk(time, at_cell, watch, cell, arm.astype(np.float64)),
        n_failed=n_failed,
        n_failed_1=n_failed_1,
    )


def _few(arm: IntArray, group: IntArray, n_failed: FloatArray) -> BoolArray:
    in_arm_1 = group_sums(arm.astype(np.float64), group, n_failed.size)
    in_arm_0 = np.bincount(group, minlength=n_failed.size) - in_arm_1
    few_units = np.minimum(in_arm_0, in_arm_1) < ENOUGH_UNITS
    return np.asarray((n_failed < ENOUGH_FAILURES) | few_units)


def _scores(rows: Lifetimes, cell: IntArray, table: _Table, weight: FloatArray) -> FloatArray:
    """Score each row: what it adds to the statistic if it is in arm 1, failure less hazard."""
    hazard = weight * table.n_failed / table.n_at_risk
    upto_end, upto_entry = (
        weight_before(np.nextafter(age, np.inf), cell, table.time, table.cell, hazard)
        for age in (rows.low, rows.entry)
    )
    own = np.zeros(rows.low.size)
    failed = np.flatnonzero(rows.failed)
    # the weight at a row's own failure: what lies up to its age less what lies before
    upto, before = (
        weight_before(age, cell[failed], table.time, table.cell, weight)
        for age in (np.nextafter(rows.low[failed], np.inf), rows.low[failed])
    )
    own[failed] = upto - before
    return own - (upto_end - upto_entry)


def _shuffled_p(
    scores: FloatArray,
    arm: IntArray,
    cell: IntArray,
    rng: np.random.Generator,
    n_shuffles: int,
) -> float:
    """Share of shuffles, the data among them, with a statistic as far from 0."""
    sums = np.zeros(n_shuffles)
    for number in np.unique(cell):
        own = cell == number
        chosen = int(arm[own].sum())
        if 0 < chosen < own.sum():
            keys = rng.random((n_shuffles, int(own.sum())))
            rank = np.argpartition(keys, chosen - 1, axis=1)[:, :chosen]
            sums += scores[own][rank].sum(axis=1)
        else:
            sums += scores[own].sum() * (chosen > 0)
    found = abs(float((scores * arm).sum())) - _ROUNDING * float(np.abs(scores).max())
    return float((1 + (np.abs(sums) >= found).sum()) / (n_shuffles + 1))
