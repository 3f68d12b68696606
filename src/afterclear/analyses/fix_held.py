"""Did the fix hold?  Mixture-cure Weibull with background, pooled over groups of attempts.

The call::

    result = fix_held(group, low_km, high_km, background_per_km)   # all shape (n,), codes 0..
    result.p_not_held     # (n,)  P(the attempt failed | clean to low); NaN where it returned
    result.p_same_fault   # (n,)  P(it is the old fault | returned); NaN where it did not
    result.km_to_go       # (n,)  clean km beyond low until P < threshold; NaN where it returned
    result.groups         # per group: n_attempts, n_informative, n_returned, p_mean, p_low, ...
    result.return_probability(group, low_km, high_km, background_per_km)      # 1 - G and parts
    result.expected_returns(group, low_km, high_km, n_clean_scans, background_per_km)  # for O/E

A group is what shares a share of failures: family x kind x first or repeat attempt; never mix
bare clears with repairs.  An attempt came back in (low, high] evidenced km, high inf when it
was not seen to; low 0 and high inf is an attempt nobody looked at: it gets what its group says
and has no weight in it.  The background is the rate of new faults of the same code; leaving it
out is the greatest single error to be made here (pass the posterior mean of ``rates``).

Estimation is empirical Bayes on a grid (``fix_held_grid``): there is no optimiser per group, so
none can fail on a group without returns.  A posterior is exact on the grid: P of an attempt is
averaged over what its group may be, not computed from a point estimate, and so is km to go.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from afterclear.analyses.checks import (
    BoolArray,
    FloatArray,
    IntArray,
    as_floats,
    as_groups,
    check_finite,
    check_fraction,
    check_intervals,
    check_non_negative,
    check_same_shape,
)
from afterclear.analyses.fix_held_grid import (
    N_CURVES,
    N_P,
    Float32Array,
    Nodes,
    Rows,
    chunks,
    common_nodes,
    log_likelihood,
)
from afterclear.analyses.fix_held_posterior import (
    Summary,
    judge,
    normalised,
    stacked,
    summarise,
)
from afterclear.analyses.fix_held_prior import Prior, fit_prior
from afterclear.analyses.fix_held_zoom import sharpened

UNSEEN = -1  # group code of an attempt whose group had no part in the fit

# What a longest follow-up is taken to be: a single odometer slip shall not stretch the grid.
_LONGEST_QUANTILE = 0.99
# Where nothing was observed at all there is no scale in the data (km; any number would do).
_NO_DATA_LONGEST_KM = 30_000.0
_GROUPS_AT_ONCE = 256  # 256 x 28 x 39 doubles are 2.2 MB


@dataclass(frozen=True, slots=True)
class GroupsHeld:
    """One row per group.  ``p`` is the share of attempts that failed."""

    n_attempts: IntArray
    n_informative: IntArray  # attempts with a clean km or a return: those that can be judged
    n_returned: IntArray
    p_mean: FloatArray
    p_low: FloatArray  # of the posterior interval at conf_level; covers somewhat less,
    p_high: FloatArray  # .84 to .88 where .90 was asked for: the prior is fitted, not known
    eta_median_km: FloatArray  # 63 % of failed attempts have come back by then
    clean_km_needed: FloatArray  # for a new attempt, from 0, until P < threshold


@dataclass(frozen=True, slots=True)
class _Kept:
    """What is kept of the groups' posteriors.  Rows are groups with evidence, then the prior."""

    row_of_group: IntArray  # shape (n_groups + 1,): of each group, and of UNSEEN at the end
    summary: Summary

    def log_clean(self, rows: Rows, km: FloatArray) -> FloatArray:
        """Ln G(km): G is P(nothing seen up to km), under the group's posterior."""
        clean = np.empty(km.size)
        for chunk in chunks(0, km.size):
            kept = self.row_of_group[rows.group[chunk]]
            gone = 1 - self.summary.curves.of(kept).survival(km[chunk])
            clean[chunk] = np.einsum("ij,ij->i", self.summary.failed[kept], gone)
        # no background and no limit of distance: 0 x inf, and no new faults
        background = rows.background_per_km
        new_faults = np.where(background > 0, background, 1.0) * np.where(background > 0, km, 0.0)
        log_clean: FloatArray = np.log1p(-np.minimum(clean, 1 - 1e-16)) - new_faults
        return log_clean


@dataclass(frozen=True, slots=True)
class FixHeld:
    """What can be said of each attempt, each group, and of an attempt not yet made."""

    p_not_held: FloatArray  # (n,) P(failed | clean to low); NaN: it returned
    p_same_fault: FloatArray  # (n,) P(the old fault | returned in (low, high]); NaN: it did not
    km_to_go: FloatArray  # (n,) 0: P is below the threshold; inf: out of reach; NaN: it returned
    groups: GroupsHeld
    prior: Prior
    threshold: float
    kept: _Kept

    def return_probability(
        self,
        group: ArrayLike,
        low_km: ArrayLike,
        high_km: ArrayLike,
        background_per_km: ArrayLike = 0.0,
    ) -> FloatArray:
        """P(any return in (low, high] | clean to low), shape (n,); low 0 gives 1 - G(high).

        ``group`` may hold ``UNSEEN``.  Summed over the stretches between an attempt's scans, up
        to the scan that ends it, this is what a site's returns are to be compared with; raw
        shares of returns would blame who looks more often.
        """
        rows = self._rows(group, low_km, high_km, background_per_km)
        return -np.expm1(
            self.kept.log_clean(rows, rows.high_km) - self.kept.log_clean(rows, rows.low_km)
        )

    def expected_returns(
        self,
        group: ArrayLike,
        low_km: ArrayLike,
        high_km: ArrayLike,
        n_clean_scans: ArrayLike,
        background_per_km: ArrayLike = 0.0,
    ) -> FloatArray:
        """Sum up the returns to expect of each attempt inside its own evidence, shape (n,).

        The sum of ``return_probability`` over its clean stretches and, if it came back, the one
        it came back in; its ``n_clean_scans`` are taken as equally telling.  Observed returns
        minus this have mean 0 whatever the scans, so both may be added up over a site.
        """
        rows = self._rows(group, low_km, high_km, background_per_km)
        looks = np.maximum(as_floats("n_clean_scans", n_clean_scans), 1.0)
        log_low = self.kept.log_clean(rows, rows.low_km)
        end = np.where(rows.returned, rows.high_km, rows.low_km)
        last = -np.expm1(self.kept.log_clean(rows, end) - log_low)  # 0 where it did not return
        return looks * -np.expm1(log_low / looks) + last

    def _rows(
        self, group: ArrayLike, low_km: ArrayLike, high_km: ArrayLike, background: ArrayLike
    ) -> Rows:
        n_groups = self.groups.p_mean.size
        codes = as_groups("group + 1", np.asarray(group) + 1) - 1
        if codes.max(initial=UNSEEN) >= n_groups:
            raise ValueError(f"group must be below {n_groups}, or {UNSEEN} for an unseen one")
        return _checked_rows(codes, low_km, high_km, background)


def fix_held(  # noqa: PLR0913 - four rows of data, three settings with defaults
    group: ArrayLike,
    low_km: ArrayLike,
    high_km: ArrayLike,
    background_per_km: ArrayLike = 0.0,
    *,
    threshold: float = 0.05,
    conf_level: float = 0.95,
    n_groups: int | None = None,
) -> FixHeld:
    """Judge attempts by what was seen of them and of their groups.

    ``group``: codes 0 or more, shape (n,).  ``low_km``, ``high_km``: the fault came back in
    (low, high] evidenced km; high inf: not seen to.  ``background_per_km``: rate of new faults
    of the same code, shape (n,) or one for all.  ``threshold``: P below which an attempt counts
    as held.  ``n_groups``: more than the codes seen, to have groups without attempts answered
    from the prior.  Any order of the rows gives the same bits.

    References: Meeker 1987, Technometrics 29(1), 51-65, for the model; Morris 1983, JASA
    78(381), 47-55, for parametric empirical Bayes.

    """
    check_fraction("threshold", threshold)
    check_fraction("conf_level", conf_level)
    every = _checked_rows(as_groups("group", group), low_km, high_km, background_per_km)
    counts = _counts(every, n_groups)
    order, rows, row_of_group = _evidence(every, len(counts[0]))
    longest_km = _longest_km(rows)
    table = _likelihoods(rows, longest_km)
    prior = fit_prior(table, longest_km)
    judged = _judged(rows, table, prior, common_nodes(longest_km), (threshold, conf_level))

    kept = _Kept(row_of_group, judged.summary)
    groups = _groups_held(counts, judged.summary, row_of_group[:-1])
    p_failed, km_to_go = groups.p_mean[every.group], groups.clean_km_needed[every.group]
    p_failed[order], km_to_go[order] = judged.p_failed, judged.km_to_go
    return FixHeld(
        p_not_held=np.where(every.returned, np.nan, p_failed),
        p_same_fault=np.where(every.returned, p_failed, np.nan),
        km_to_go=km_to_go,
        groups=groups,
        prior=prior,
        threshold=threshold,
        kept=kept,
    )


def _checked_rows(
    group: IntArray, low_km: ArrayLike, high_km: ArrayLike, background_per_km: ArrayLike
) -> Rows:
    low, high = as_floats("low_km", low_km), as_floats("high_km", high_km)
    background = as_floats("background_per_km", background_per_km)
    if background.size == 1:
        background = np.full(low.size, background[0])
    check_same_shape(group=group, low_km=low, high_km=high, background_per_km=background)
    check_intervals(low, high)
    check_finite("background_per_km", background)
    check_non_negative("background_per_km", background)
    return Rows(group, low, high, background)


def _counts(every: Rows, n_groups: int | None) -> tuple[IntArray, IntArray, IntArray]:
    """Count attempts, informative attempts and returns of each group."""
    seen = int(every.group.max(initial=-1)) + 1
    if n_groups is not None and n_groups < seen:
        raise ValueError(f"n_groups is {n_groups}, but group codes go up to {seen - 1}")
    size = seen if n_groups is None else n_groups
    attempts, informative, returned = (
        np.bincount(every.group[rows], minlength=size)
        for rows in (slice(None), _is_informative(every), every.returned)
    )
    return attempts, informative, returned


def _is_informative(rows: Rows) -> BoolArray:
    return (rows.low_km > 0) | rows.returned


def _evidence(every: Rows, n_groups: int) -> tuple[IntArray, Rows, IntArray]:
    """Where the informative rows stood, the rows sorted and recoded, the row of each group.

    Groups without evidence, and UNSEEN as the last entry, point behind the others: the prior.
    """
    order = np.flatnonzero(_is_informative(every))
    part = every.part(order)
    sort = np.lexsort((part.background_per_km, part.high_km, part.low_km, part.group))
    order, part = order[sort], part.part(sort)
    codes, compact = np.unique(part.group, return_inverse=True)
    row_of_group = np.full(n_groups + 1, codes.size)
    row_of_group[codes] = np.arange(codes.size)
    return order, Rows(compact, part.low_km, part.high_km, part.background_per_km), row_of_group


def _longest_km(rows: Rows) -> float:
    if not rows.group.size:
        return _NO_DATA_LONGEST_KM
    seen_to = np.where(rows.returned, rows.high_km, rows.low_km)
    return float(np.quantile(seen_to, _LONGEST_QUANTILE))


def _n_groups(rows: Rows) -> int:
    return int(rows.group.max(initial=-1)) + 1


def _blocks(n_groups: int) -> list[range]:
    starts = range(0, n_groups, _GROUPS_AT_ONCE)
    return [range(first, min(first + _GROUPS_AT_ONCE, n_groups)) for first in starts]


def _likelihoods(rows: Rows, longest_km: float) -> Float32Array:
    """Likelihood of each group on the common nodes over its greatest: 4.4 KB a group."""
    nodes, n_groups = common_nodes(longest_km), _n_groups(rows)
    table = np.empty((n_groups, N_P, N_CURVES), dtype=np.float32)
    for block in _blocks(n_groups):
        logs = log_likelihood(rows.block(block), len(block), nodes)
        logs -= logs.max(axis=(1, 2), keepdims=True)
        table[block.start : block.stop] = np.exp(logs, out=logs)
    return table


@dataclass(frozen=True, slots=True)
class _Judged:
    """Results in the order of the sorted rows, and of the groups with the prior at the end."""

    p_failed: FloatArray
    km_to_go: FloatArray
    summary: Summary


def _judged(
    rows: Rows, table: Float32Array, prior: Prior, common: Nodes, levels: tuple[float, float]
) -> _Judged:
    log_prior = prior.log_density(common)
    relative = normalised(log_prior)
    pieces, summaries = [], []
    for block in _blocks(len(table)):
        weight = table[block.start : block.stop] * relative
        weight /= weight.sum(axis=(1, 2), keepdims=True)
        part = rows.block(block)
        weight, nodes = sharpened(part, weight, common, prior)
        pieces.append(judge(part, weight, nodes, levels[0]))
        summaries.append(summarise(weight, nodes, *levels))
    summaries.append(summarise(relative, common, *levels))
    p_failed, km_to_go = (
        np.concatenate([np.empty(0), *(piece[i] for piece in pieces)]) for i in (0, 1)
    )
    return _Judged(p_failed, km_to_go, stacked(summaries))


def _groups_held(
    counts: tuple[IntArray, IntArray, IntArray], summary: Summary, row: IntArray
) -> GroupsHeld:
    return GroupsHeld(
        *counts,
        p_mean=summary.p_mean[row],
        p_low=summary.p_low[row],
        p_high=summary.p_high[row],
        eta_median_km=summary.eta_median_km[row],
        clean_km_needed=summary.clean_km_needed[row],
    )
