"""Did the fix hold?  Mixture-cure Weibull with background, pooled over groups of attempts.

The call::

    result = fix_held(group, low_km, high_km, background_per_km, stratum=stratum)  # (n,) each
    result.p_not_held     # (n,)  P(the attempt failed | clean to low); NaN where it returned
    result.p_same_fault   # (n,)  P(the attempt failed | returned), else the fault is a new one
    result.km_to_go       # (n,)  clean km beyond low until P < threshold; NaN where it returned
    result.groups         # per group: n_attempts, n_informative, n_returned, p_mean, p_low, ...
    result.return_probability(group, low_km, high_km, background_per_km)      # 1 - G and parts
    result.expected_returns(group, low_km, high_km, n_clean_scans, background_per_km)  # for O/E

An attempt came back in (low, high] evidenced km, high inf when it was not seen to; low 0 and
high inf is an attempt nobody looked at: it gets what its group says and has no weight in it.  A
group is what has one share of failures: a family of faults, for one kind of attempt, first or
repeated.  A stratum is the groups that lend each other strength; make it kind x first or
repeat, for repeats are of vehicles picked by a failure: simulated, repeats that failed in 15 %
were given 12 % as groups of the first attempts' pool, 16 % as a stratum of their own.  The
background is the rate of new faults of the same code (posterior mean of ``rates``); leaving it
out is the greatest single error to be made here.

Estimation is empirical Bayes on a grid (``fix_held_grid``): there is no optimiser per group, so
none can fail on a group without returns.  P of an attempt is averaged over what its group may
be, not computed from a point estimate, and so is km to go.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from afterclear.analyses.checks import (
    FloatArray,
    IntArray,
    as_floats,
    as_groups,
    check_finite,
    check_intervals,
    check_non_negative,
    check_same_shape,
)
from afterclear.analyses.fix_held_grid import Rows, chunks
from afterclear.analyses.fix_held_pool import Levels, Pool, fitted_pool, is_informative
from afterclear.analyses.fix_held_posterior import Summary, stacked
from afterclear.analyses.fix_held_prior import Prior

UNSEEN = -1  # code of a group that had no part in the fit; -1 - k: of one in stratum k


@dataclass(frozen=True, slots=True)
class GroupsHeld:
    """One row per group.  ``p`` is the share of attempts that failed."""

    n_attempts: IntArray
    n_informative: IntArray  # attempts with a clean km or a return: those that can be judged
    n_returned: IntArray
    p_mean: FloatArray
    p_low: FloatArray  # of the central posterior interval at conf_level; the prior is fitted,
    p_high: FloatArray  # not known, yet simulated 95 % intervals covered .96 to .98
    eta_median_km: FloatArray  # 63 % of failed attempts have come back by then
    clean_km_needed: FloatArray  # for a new attempt, from 0, until P < threshold


@dataclass(frozen=True, slots=True)
class _Kept:
    """What is kept of the groups' posteriors; each stratum's prior is a row among them."""

    # of each group in ``summary``, then of unseen ones from the last stratum to the first
    row_of_group: IntArray  # shape (n_groups + n_strata,)
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
    p_same_fault: FloatArray  # (n,) P(failed | returned in (low, high]); NaN: it did not
    km_to_go: FloatArray  # (n,) 0: P is below the threshold; inf: out of reach; NaN: it returned
    groups: GroupsHeld
    priors: tuple[Prior, ...]  # of each stratum
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
        n_strata = len(self.priors)
        codes = as_groups("group + strata", np.asarray(group) + n_strata) - n_strata
        if codes.max(initial=UNSEEN) >= n_groups:
            raise ValueError(f"group must be below {n_groups}, or {UNSEEN} for an unseen one")
        return _checked_rows(codes, low_km, high_km, background)


def fix_held(  # noqa: PLR0913 - four rows of data, four settings with defaults
    group: ArrayLike,
    low_km: ArrayLike,
    high_km: ArrayLike,
    background_per_km: ArrayLike = 0.0,
    *,
    stratum: ArrayLike = 0,
    threshold: float = 0.05,
    conf_level: float = 0.95,
    n_groups: int | None = None,
) -> FixHeld:
    """Judge attempts by what was seen of them and of their groups.

    ``group``: codes 0 or more, shape (n,).  ``low_km``, ``high_km``: the fault came back in
    (low, high] evidenced km; high inf: not seen to.  ``background_per_km``: rate of new faults
    of the same code.  ``stratum``: codes 0 or more of what groups are pooled with, the same for
    all attempts of a group.  Both of shape (n,) or one for all.  ``threshold``: P below which
    an attempt counts as held.  ``n_groups``: more than the codes seen, to have groups without
    attempts answered from the prior of stratum 0.  Any order of the rows gives the same bits.

    References: Meeker 1987, Technometrics 29(1), 51-65, for the model; Morris 1983, JASA
    78(381), 47-55, for parametric empirical Bayes.

    """
    levels = Levels(threshold, conf_level)
    every = _checked_rows(as_groups("group", group), low_km, high_km, background_per_km)
    counts = _counts(every, n_groups)
    stratum_of_group = _stratum_of_group(every.group, stratum, len(counts[0]))
    pools = [
        fitted_pool(every, np.flatnonzero(stratum_of_group[every.group] == code), levels)
        for code in range(int(stratum_of_group.max(initial=0)) + 1)
    ]
    kept = _kept(pools, stratum_of_group)
    groups = _groups_held(counts, kept.summary, kept.row_of_group[: len(counts[0])])
    p_failed, km_to_go = groups.p_mean[every.group], groups.clean_km_needed[every.group]
    for pool in pools:
        p_failed[pool.place], km_to_go[pool.place] = pool.p_failed, pool.km_to_go
    return FixHeld(
        p_not_held=np.where(every.returned, np.nan, p_failed),
        p_same_fault=np.where(every.returned, p_failed, np.nan),
        km_to_go=km_to_go,
        groups=groups,
        priors=tuple(pool.prior for pool in pools),
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
        for rows in (slice(None), is_informative(every), every.returned)
    )
    return attempts, informative, returned


def _stratum_of_group(group: IntArray, stratum: ArrayLike, n_groups: int) -> IntArray:
    codes = as_groups("stratum", stratum)
    if codes.size == 1:
        codes = np.full(group.size, codes[0])
    check_same_shape(group=group, stratum=codes)
    of_group = np.zeros(n_groups, dtype=np.int64)
    of_group[group] = codes
    split = of_group[group] != codes
    if split.any():
        raise ValueError(f"group {group[split][0]} has attempts in more than one stratum")
    return of_group


def _kept(pools: list[Pool], stratum_of_group: IntArray) -> _Kept:
    first_row = np.cumsum([0, *(pool.codes.size + 1 for pool in pools)])
    prior_row = first_row[1:] - 1  # a pool's last
    row_of_group = np.concatenate([prior_row[stratum_of_group], prior_row[::-1]])
    for pool, first in zip(pools, first_row, strict=False):
        row_of_group[pool.codes] = first + np.arange(pool.codes.size)
    return _Kept(row_of_group, stacked([pool.summary for pool in pools]))


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
