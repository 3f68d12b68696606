"""Did the fix hold?  Mixture-cure Weibull, pooled over groups of attempts.

The parts of a judgement; ``causes/judging.py`` puts them together with the other causes of a
return::

    attempts = sorted_attempts(rows, stratum, kin, span_km=(150, 12_000))
    result = attempts.result(rows, fitted_pool(attempts.evidence, levels), threshold)
    result.p_not_held     # (n,)  P(the attempt failed | clean to low); NaN where it returned
    result.p_same_fault   # (n,)  P(the attempt failed | returned), else another cause
    result.km_to_go       # (n,)  clean km beyond low until P < threshold; NaN where it returned
    result.groups         # per group: n_attempts, n_informative, n_returned, p_mean, p_low, ...
    result.return_probability(group, low_km, high_km, other)      # 1 - G and parts
    result.expected_returns(group, low_km, high_km, n_clean_scans, other)  # for O/E

An attempt came back in (low, high] evidenced km, high inf if no return was seen; low 0 and high inf
is an attempt without evidence: it gets its group's estimate and has no weight in it. A group has
one share of failures: a family of faults, for one kind of attempt, first or repeated.  A stratum is
the groups that lend each other strength first; make it kind x first or repeat, because repeats are
on vehicles selected by a failure: simulated, repeats that failed in 15 % were given 12 % as groups
of the first attempts' pool, 16 % as a stratum of their own.  Kin are groups whose failures come
back after the same distances, however often they fail.  ``other`` is the hazard of other causes
inside the window; leaving it out is the largest single error possible here.

A fleet may also be one where no fix fails (``none_fails``): chances are averaged over both.
Estimation is empirical Bayes on a grid (``grid``): there is no optimiser per group, so none can
fail on a group without returns.  P of an attempt, and km to go, are averaged over the group's
posterior, not computed from a point estimate.  References: Meeker 1987, Technometrics 29(1), 51-65,
for the model; Morris 1983, JASA 78(381), 47-55, for parametric empirical Bayes.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from afterclear.estimators.arrays.validation import (
    FloatArray,
    IntArray,
    as_floats,
    as_groups,
    check_intervals,
    check_non_negative,
    check_same_shape,
)
from afterclear.estimators.fix_held.grid import Rows, chunks
from afterclear.estimators.fix_held.pool import (
    Evidence,
    Pool,
    evidence_of,
    follow_up_span,
    is_informative,
)
from afterclear.estimators.fix_held.posterior import Summary
from afterclear.estimators.fix_held.prior import Prior
from afterclear.estimators.fix_held.stretch import Stretch

UNSEEN = -1  # code of a group that was not in the fit; -1 - k: of one in stratum k


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
    """What is stored of the groups' posteriors; each stratum's prior is a row among them."""

    # of each group in ``summary``, then of unseen ones from the last stratum to the first
    row_of_group: IntArray  # shape (n_groups + n_strata,)
    summary: Summary

    def log_clean(self, group: IntArray, km: FloatArray, other: FloatArray) -> FloatArray:
        """Ln G(km): G is P(nothing seen up to km), under the group's posterior.

        ``other``: cumulative hazard of other causes up to km.
        """
        clean = np.empty(km.size)
        for chunk in chunks(0, km.size):
            kept = self.row_of_group[group[chunk]]
            gone = 1 - self.summary.curves.of(kept).survival(km[chunk])
            clean[chunk] = np.einsum("ij,ij->i", self.summary.failed[kept], gone)
        log_clean: FloatArray = np.log1p(-np.minimum(clean, 1 - 1e-16)) - other
        return log_clean


@dataclass(frozen=True, slots=True)
class FixHeld:
    """Results for each attempt, each group, and of an attempt not yet made."""

    p_not_held: FloatArray  # (n,) P(failed | clean to low); NaN: it returned
    p_same_fault: FloatArray  # (n,) P(failed | returned in (low, high]); NaN: it did not
    km_to_go: FloatArray  # (n,) 0: P is below the threshold; inf: out of reach; NaN: it returned
    groups: GroupsHeld
    priors: tuple[Prior, ...]  # of each stratum, of fleets where some fixes fail
    none_fails: float  # P(this is a fleet where none does)
    threshold: float
    kept: _Kept

    def return_probability(
        self,
        group: ArrayLike,
        low_km: ArrayLike,
        high_km: ArrayLike,
        other: tuple[ArrayLike, ArrayLike] = (0.0, 0.0),
    ) -> FloatArray:
        """P(any return in (low, high] | clean to low), shape (n,); low 0 gives 1 - G(high).

        ``group`` may hold ``UNSEEN``.  ``other``: cumulative hazard of other causes up to low and
        up to high.  Summed over the stretches between an attempt's scans, up to the scan that ends
        it, this is the expectation for a site's returns; raw shares of returns would blame sites
        that scan more often.
        """
        codes, (low, high), (by_low, by_high) = self._checked(group, low_km, high_km, other)
        return -np.expm1(
            self.kept.log_clean(codes, high, by_high) - self.kept.log_clean(codes, low, by_low)
        )

    def expected_returns(
        self,
        group: ArrayLike,
        low_km: ArrayLike,
        high_km: ArrayLike,
        n_clean_scans: ArrayLike,
        other: tuple[ArrayLike, ArrayLike] = (0.0, 0.0),
    ) -> FloatArray:
        """Sum up the returns to expect of each attempt inside its own evidence, shape (n,).

        The sum of ``return_probability`` over its clean stretches and, if it came back, the one it
        came back in; its ``n_clean_scans`` count as equally informative.  Observed returns minus
        this have mean 0 whatever the scans, so both may be added up over a site.
        """
        codes, (low, high), (by_low, by_high) = self._checked(group, low_km, high_km, other)
        looks = np.maximum(as_floats("n_clean_scans", n_clean_scans), 1.0)
        log_low = self.kept.log_clean(codes, low, by_low)
        is_back = np.isfinite(high)
        end, by_end = np.where(is_back, high, low), np.where(is_back, by_high, by_low)
        last = -np.expm1(self.kept.log_clean(codes, end, by_end) - log_low)  # 0: not returned
        return looks * -np.expm1(log_low / looks) + last

    def _checked(
        self,
        group: ArrayLike,
        low_km: ArrayLike,
        high_km: ArrayLike,
        other: tuple[ArrayLike, ArrayLike],
    ) -> tuple[IntArray, tuple[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]:
        n_groups = self.groups.p_mean.size
        n_strata = len(self.priors)
        codes = as_groups("group + strata", np.asarray(group) + n_strata) - n_strata
        if codes.max(initial=UNSEEN) >= n_groups:
            raise ValueError(f"group must be below {n_groups}, or {UNSEEN} for an unseen one")
        low, high = as_floats("low_km", low_km), as_floats("high_km", high_km)
        check_same_shape(group=codes, low_km=low, high_km=high)
        check_intervals(low, high)
        by_low, by_high = (np.broadcast_to(as_floats("other", part), low.shape) for part in other)
        for part in (by_low, by_high):
            check_non_negative("other", part)
        return codes, (low, high), (by_low, by_high)


@dataclass(frozen=True, slots=True)
class SortedAttempts:
    """All rows, those with evidence sorted."""

    counts: tuple[IntArray, IntArray, IntArray]  # attempts, informative, returned of each group
    of_group: IntArray  # stratum of each group
    evidence: Evidence

    def with_other(self, other: FloatArray) -> "SortedAttempts":
        """Add other causes' hazards, of every row of the input, into the evidence."""
        return replace(self, evidence=self.evidence.with_other(other))

    def stretched(self, stretch: Stretch) -> "SortedAttempts":
        """Give some strata's failures other distances."""
        return replace(self, evidence=self.evidence.stretched(stretch))

    def result(self, every: Rows, pool: Pool, threshold: float) -> FixHeld:
        """Put together the results."""
        kept = _kept(pool, self.of_group)
        groups = _groups_held(self.counts, kept.summary, kept.row_of_group[: len(self.of_group)])
        p_failed, km_to_go = groups.p_mean[every.group], groups.clean_km_needed[every.group]
        p_failed[pool.place], km_to_go[pool.place] = pool.p_failed, pool.km_to_go
        return FixHeld(
            p_not_held=np.where(every.returned, np.nan, p_failed),
            p_same_fault=np.where(every.returned, p_failed, np.nan),
            km_to_go=km_to_go,
            groups=groups,
            priors=tuple(pool.priors),
            none_fails=pool.none_fails,
            threshold=threshold,
            kept=kept,
        )


def sorted_attempts(
    every: Rows,
    stratum: ArrayLike,
    kin: ArrayLike | None = None,
    n_groups: int | None = None,
    span_km: tuple[float, float] | None = None,
) -> SortedAttempts:
    """Sort rows.

    ``stratum``, ``kin``: codes 0 or more, of each row or one for all, the same in a group; no
    ``kin``: each group has a curve of its own.  ``n_groups``:
    more than the codes seen, to have groups without attempts answered from the prior of
    stratum 0.  ``span_km``: scales a failure may have; None: as far as the follow-up goes.  Any
    order of the rows gives the same bits.
    """
    counts = _counts(every, n_groups)
    n = len(counts[0])
    by_stratum = _of_group("stratum", every.group, stratum, n)
    by_kin = _of_group("kin", every.group, every.group if kin is None else kin, n)
    n_strata = int(by_stratum.max(initial=0)) + 1
    span = span_km or follow_up_span(every)
    evidence = evidence_of(every, (by_stratum, by_kin), n_strata, span)
    return SortedAttempts(counts, by_stratum, evidence)


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


def _of_group(name: str, group: IntArray, of_row: ArrayLike, n_groups: int) -> IntArray:
    codes = as_groups(name, of_row)
    if codes.size == 1:
        codes = np.full(group.size, codes[0])
    check_same_shape(group=group, **{name: codes})
    of_group = np.zeros(n_groups, dtype=np.int64)
    of_group[group] = codes
    split = of_group[group] != codes
    if split.any():
        raise ValueError(f"group {group[split][0]} has attempts in more than one {name}")
    return of_group


def _kept(pool: Pool, stratum_of_group: IntArray) -> _Kept:
    first_prior, n_strata = pool.codes.size, len(pool.priors)
    row_of_group = np.concatenate(
        [first_prior + stratum_of_group, first_prior + np.arange(n_strata)[::-1]]
    )
    row_of_group[pool.codes] = np.arange(pool.codes.size)
    return _Kept(row_of_group, pool.summary)


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
