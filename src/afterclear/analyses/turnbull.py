"""Survival when a failure is only known to lie between two scans: Turnbull's estimate.

For display of pools of about 20 or more informative rows.  Single attempts are judged by the
parametric models, which need not guess where in an interval the failure lay.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize

from afterclear.analyses.checks import BoolArray, FloatArray, IntArray, check_fraction
from afterclear.analyses.lives import Lives
from afterclear.analyses.ragged import group_sums, offsets_of, running_sums, sums_before

_GAP = 1e-10  # largest relative breach of the Kuhn-Tucker conditions taken as "the maximum"
_ROUNDS = 60  # accelerated steps taken for all groups together
_STAGE = 10  # steps between looks at which groups are done
_NEWTON_ROUNDS = 60  # second-order steps for a group those did not finish
_SHORTEST = 1e-12  # share of a Newton step below which there is nothing to gain
_ROUNDING = 1e-14  # of a log-likelihood: two that differ by less are as good as equal
# of the largest mass: less must earn its place by its score, in the first and in later steps
_CARRYING = (1e-2, 1e-2, 1e-2, 1e-2, 1e-9)
_SUM_WEIGHT = 20.0  # of the row that holds masses to a sum of 1, beside rows of order 1
_SHRINK = 1e-3  # an extrapolated mass keeps at least this share of what plain EM gives it


@dataclass(frozen=True, slots=True)
class TurnbullCurves:
    """Probability masses on innermost intervals, group after group.

    Group g owns intervals ``offsets[g]:offsets[g + 1]``; its failure times carry ``mass`` in
    (left, right], or at the point where left equals right.  How a mass lies inside its
    interval is not known: draw a box, not a line.
    """

    offsets: IntArray  # (n_groups + 1,)
    left: FloatArray  # (n_intervals,)
    right: FloatArray  # inf: had not failed when last seen
    mass: FloatArray  # sums to 1 in each group that has rows
    n_rows: FloatArray  # (n_groups,) informative rows by weight
    log_likelihood: FloatArray  # (n_groups,)
    gap: FloatArray  # (n_groups,) largest score / n - 1: 0 at the maximum (Kuhn-Tucker)


@dataclass(frozen=True, slots=True)
class _Cells:
    """Rows against innermost intervals: row i may have failed in any of first .. last."""

    first: IntArray  # (n_rows,) numbered through all groups
    last: IntArray
    weight: FloatArray
    row_group: IntArray
    interval_group: IntArray  # (n_intervals,)
    offsets: IntArray  # (n_groups + 1,)
    n_rows: FloatArray  # (n_groups,)

    def coverage(self, mass: FloatArray) -> FloatArray:
        """Probability of each row under the masses."""
        upto, before = running_sums(mass, self.offsets), sums_before(mass, self.offsets)
        return upto[self.last] - before[self.first]

    def scores(self, coverage: FloatArray) -> FloatArray:
        """Slope of the log-likelihood by each mass, over the number of rows; at most 1."""
        share = self.weight / coverage
        n_intervals = self.interval_group.size
        opened = group_sums(share, self.first, n_intervals)
        closed = group_sums(share, self.last, n_intervals)
        summed = running_sums(opened, self.offsets) - sums_before(closed, self.offsets)
        return summed / self.n_rows[self.interval_group]

    def log_likelihood(self, coverage: FloatArray) -> FloatArray:
        """Log-likelihood of each group, shape (n_groups,)."""
        return group_sums(self.weight * np.log(coverage), self.row_group, self.n_rows.size)


def turnbull(rows: Lives) -> TurnbullCurves:
    """Nonparametric maximum likelihood estimate of each group's failure times.

    Intervals are open on the left and closed on the right, so a row ending where another
    begins shares no point with it.  Rows without follow-up, (0, inf), say nothing and are left
    out.  Left truncation is not handled and refused.  Self-consistency steps (EM), sped up by
    squared extrapolation, run for all groups together; a group that needs more is finished by
    Newton steps over the cone of masses.  ``gap`` says how far the Kuhn-Tucker conditions
    (all scores at most n) are from being met.

    References: Turnbull 1976, J. R. Stat. Soc. B 38, 290; Gentleman & Geyer 1994, Biometrika
    81, 618; Varadhan & Roland 2008, Scand. J. Stat. 35, 335; Wang 2007, J. R. Stat. Soc. B 69,
    185 (from memory).

    """
    if rows.entry.any():
        raise ValueError("turnbull does not handle left truncation; fit a Weibull instead")
    rows = rows.take(rows.informative)
    left, right, cells = _innermost_intervals(rows)
    mass = 1.0 / np.diff(cells.offsets)[cells.interval_group]
    open_groups = np.flatnonzero(np.diff(cells.offsets) > 0)
    for _ in range(_ROUNDS // _STAGE):
        unfinished, own = _some_groups(cells, open_groups)
        trial = mass[own]
        for _ in range(_STAGE):
            trial = _accelerated_step(unfinished, trial)
        mass[own] = trial
        open_groups = open_groups[_gaps(unfinished, trial) > _GAP]
        if open_groups.size == 0:
            break
    for group in open_groups:
        inside = slice(cells.offsets[group], cells.offsets[group + 1])
        mass[inside] = _newton_masses(_cells_of(cells, int(group)), mass[inside])
    coverage = cells.coverage(mass)
    return TurnbullCurves(
        offsets=cells.offsets,
        left=left,
        right=right,
        mass=mass,
        n_rows=cells.n_rows,
        log_likelihood=cells.log_likelihood(coverage),
        gap=_gaps(cells, mass),
    )


def turnbull_survival(curves: TurnbullCurves, time: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest survival the masses allow at each time, shape (n_groups, n_times).

    The two agree wherever the time lies in no interval that carries mass.  nan: no rows.
    """
    n_groups = curves.offsets.size - 1
    group = np.repeat(np.arange(n_groups), np.diff(curves.offsets))
    table = np.zeros((2, n_groups, time.size))
    # a mass in (left, right] is surely over by right, and may begin just after left
    point = curves.left == curves.right
    surely = curves.right[:, None] <= time
    maybe = surely | (~point[:, None] & (curves.left[:, None] < time) & (time < np.inf))
    np.add.at(table[0], group, curves.mass[:, None] * maybe)
    np.add.at(table[1], group, curves.mass[:, None] * surely)
    table[:, curves.n_rows == 0] = np.nan
    return 1 - table[0], 1 - table[1]


def turnbull_band(
    rows: Lives,
    unit: IntArray,
    time: FloatArray,
    *,
    rng: np.random.Generator,
    n_resamples: int = 400,
    conf_level: float = 0.95,
) -> tuple[FloatArray, FloatArray]:
    """Percentile bootstrap limits of one pool's survival at ``time``, for display only.

    ``unit``: the vehicle of each row, shape (n_rows,); whole vehicles are drawn, since attempts
    on one vehicle are not independent.  The masses have no usable standard error (their error
    shrinks by the cube root of n where every row is an interval), so no test rests on this.
    """
    check_fraction("conf_level", conf_level)
    if rows.n_groups != 1:
        raise ValueError(f"turnbull_band takes one group, but got {rows.n_groups}")
    _, number = np.unique(unit, return_inverse=True)
    n_units = int(number.max()) + 1
    draws = rng.multinomial(n_units, np.full(n_units, 1 / n_units), size=n_resamples)
    weight = (draws[:, number] * rows.weight).ravel()
    group = np.repeat(np.arange(n_resamples), number.size)
    tiled = Lives(
        low=np.tile(rows.low, n_resamples),
        high=np.tile(rows.high, n_resamples),
        entry=np.tile(rows.entry, n_resamples),
        weight=weight,
        group=group,
        n_groups=n_resamples,
    )
    lowest, highest = turnbull_survival(turnbull(tiled.take(weight > 0)), time)
    tail = (1 - conf_level) / 2
    return np.nanquantile(lowest, tail, axis=0), np.nanquantile(highest, 1 - tail, axis=0)


def _innermost_intervals(rows: Lives) -> tuple[FloatArray, FloatArray, _Cells]:
    """Intervals that begin at some row's left end and end at the next right end."""
    n = rows.low.size
    value = np.concatenate((rows.low, rows.high))
    # at one value: a point begins, then intervals end, then intervals begin (open left)
    kind = np.concatenate((np.where(rows.exact, 0, 2), np.ones(n, dtype=np.int64)))
    group = np.concatenate((rows.group, rows.group))
    order = np.lexsort((kind, value, group))
    is_left = order < n
    begins = np.flatnonzero(is_left[:-1] & ~is_left[1:])  # a group ends with a right end
    place = np.empty(2 * n, dtype=np.int64)
    place[order] = np.arange(2 * n)
    interval_group = group[order][begins]
    cells = _Cells(
        first=np.searchsorted(begins, place[:n]),
        last=np.searchsorted(begins, place[n:]) - 1,
        weight=rows.weight,
        row_group=rows.group,
        interval_group=interval_group,
        offsets=offsets_of(interval_group, rows.n_groups),
        n_rows=group_sums(rows.weight, rows.group, rows.n_groups),
    )
    return value[order][begins], value[order][begins + 1], cells


def _gaps(cells: _Cells, mass: FloatArray) -> FloatArray:
    """Largest score of each group less 1, shape (n_groups,); 0 for a group without rows."""
    gap = np.zeros(cells.n_rows.size)
    np.maximum.at(gap, cells.interval_group, cells.scores(cells.coverage(mass)) - 1)
    return gap


def _some_groups(cells: _Cells, chosen: IntArray) -> tuple[_Cells, BoolArray]:
    """Cut out the chosen groups' cells, numbered anew, and say which intervals are theirs."""
    number = np.full(cells.n_rows.size, -1, dtype=np.int64)
    number[chosen] = np.arange(chosen.size)
    own_rows, own = number[cells.row_group] >= 0, number[cells.interval_group] >= 0
    place = np.cumsum(own) - 1
    interval_group = number[cells.interval_group[own]]
    some = _Cells(
        first=place[cells.first[own_rows]],
        last=place[cells.last[own_rows]],
        weight=cells.weight[own_rows],
        row_group=number[cells.row_group[own_rows]],
        interval_group=interval_group,
        offsets=offsets_of(interval_group, chosen.size),
        n_rows=cells.n_rows[chosen],
    )
    return some, own


def _accelerated_step(cells: _Cells, mass: FloatArray) -> FloatArray:
    """Two EM steps and an extrapolation through them, kept where it is the better one."""
    n_groups = cells.n_rows.size
    once = mass * cells.scores(cells.coverage(mass))
    twice = once * cells.scores(cells.coverage(once))
    change, bend = once - mass, twice - 2 * once + mass
    size = group_sums(change**2, cells.interval_group, n_groups)
    curve = group_sums(bend**2, cells.interval_group, n_groups)
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = np.where(curve > 0, np.sqrt(size / curve), 1.0)
    reach = np.maximum(reach, 1.0)[cells.interval_group]  # 1: just the second EM step
    far = np.maximum(mass + 2 * reach * change + reach**2 * bend, _SHRINK * twice)
    far /= group_sums(far, cells.interval_group, n_groups)[cells.interval_group]
    coverage = cells.coverage(far)
    # an extrapolation may leave a row nothing: its likelihood is then 0 and it is not kept
    with np.errstate(divide="ignore", invalid="ignore"):
        better = cells.log_likelihood(coverage) > cells.log_likelihood(cells.coverage(twice))
        far *= cells.scores(coverage)
    return np.where(better[cells.interval_group], far, twice)


def _cells_of(cells: _Cells, group: int) -> _Cells:
    """One group's cells, its intervals numbered from 0 and equal rows drawn together."""
    own, _ = _some_groups(cells, np.array([group]))
    n_intervals = own.interval_group.size
    distinct, number = np.unique(own.first * n_intervals + own.last, return_inverse=True)
    return replace(
        own,
        first=distinct // n_intervals,
        last=distinct % n_intervals,
        weight=group_sums(own.weight, number, distinct.size),
        row_group=np.zeros(distinct.size, dtype=np.int64),
    )


def _newton_masses(cells: _Cells, mass: FloatArray) -> FloatArray:
    """Masses of one group at the maximum, by constrained Newton steps (Wang 2007).

    Each step takes the intervals that carry mass and, between every two of them, the one whose
    score is highest; minimises the second-order picture of the likelihood over masses >= 0;
    and halves its length until the likelihood rises.
    """
    for step in range(_NEWTON_ROUNDS):
        coverage = cells.coverage(mass)
        scores = cells.scores(coverage)
        if scores.max() - 1 <= _GAP:
            break
        carrying = mass > mass.max() * _CARRYING[min(step, len(_CARRYING) - 1)]
        chosen = _candidates(carrying, scores)
        target = _quadratic_maximum(cells, coverage, chosen)
        mass = _rising_step(cells, mass, target)
    return mass


def _candidates(carrying: BoolArray, scores: FloatArray) -> IntArray:
    block = np.cumsum(carrying)
    order = np.lexsort((scores, block))
    ends = np.flatnonzero(np.diff(block[order], append=-1))
    chosen: BoolArray = carrying.copy()
    chosen[order[ends]] = True
    return np.flatnonzero(chosen)


def _quadratic_maximum(cells: _Cells, coverage: FloatArray, chosen: IntArray) -> FloatArray:
    """Masses >= 0 that maximise the likelihood's second-order picture, summing to 1."""
    within = (cells.first[:, None] <= chosen) & (chosen <= cells.last[:, None])
    root = np.sqrt(cells.weight / cells.n_rows[0])
    slopes = within * (root / coverage)[:, None]
    # the last row holds the sum to 1; its weight only has to be large beside the others
    system = np.vstack((slopes, np.full((1, chosen.size), _SUM_WEIGHT)))
    aim = np.append(2 * root, _SUM_WEIGHT)
    triangle = np.asarray(np.linalg.qr(np.column_stack((system, aim)), mode="r"))
    found, _ = optimize.nnls(triangle[:, :-1], triangle[:, -1])
    target = np.zeros(cells.interval_group.size)
    target[chosen] = found / found.sum()
    return target


def _rising_step(cells: _Cells, mass: FloatArray, target: FloatArray) -> FloatArray:
    before = cells.log_likelihood(cells.coverage(mass))[0]
    before -= abs(before) * _ROUNDING
    step = 1.0
    while step > _SHORTEST:
        trial = mass + step * (target - mass)
        coverage = cells.coverage(trial)
        if (coverage > 0).all() and cells.log_likelihood(coverage)[0] >= before:
            return trial
        step /= 2
    return mass
