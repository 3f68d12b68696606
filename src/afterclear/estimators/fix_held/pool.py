"""The steps of ``fix_held``: priors fitted, then groups and attempts judged by them.

The steps allow a fit of other causes in rounds: the evidence of clean attempts does not change
(``Evidence``), that of returns depends on the other causes (``likelihoods``), and what they leave
to others is computed in each round (``left_to_others``).

Bare clears and repairs, first attempts and repeats are strata of their own: a repeat is shrunken
towards repeats first. Groups are components, not corners or cylinders: a fleet has few attempts at
each corner.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TypeVar

import numpy as np

from afterclear.estimators.arrays.validation import BoolArray, FloatArray, IntArray, check_fraction
from afterclear.estimators.fix_held.grid import (
    N_CURVES,
    N_P,
    Float32Array,
    Nodes,
    Rows,
    chunks,
    common_nodes,
    log_likelihood,
    terms,
)
from afterclear.estimators.fix_held.none_fails import chance_of_none
from afterclear.estimators.fix_held.posterior import Summary, judge, stacked, summarise
from afterclear.estimators.fix_held.prior import Kin, Prior, fit_priors
from afterclear.estimators.fix_held.stretch import Stretch
from afterclear.estimators.fix_held.zoom import sharpened, sharpened_by_some

# The quantile that counts as the longest follow-up: one odometer slip must not stretch the grid.
_LONGEST_QUANTILE = 0.99
# Without any observation there is no scale in the data (km; any number would do).
_NO_DATA_LONGEST_KM = 30_000.0
# Scales to evaluate if none are given, as shares of the longest follow-up; beyond it a return could
# not be seen.
_ETA_SPAN = (0.005, 1.0)
_THREADS = 2
_GROUPS_AT_ONCE = 256  # 256 x 28 x 39 doubles are 2.2 MB
_LEAST_BASE = 1e-300  # a chance of other causes that is none
_LEAST_SINGLE = 1e-12  # the same in single precision: what is less is no cause
_LEAST_LIKELIHOOD = 1e-37  # over the greatest; single precision ends there


_Found = TypeVar("_Found")


@dataclass(frozen=True, slots=True)
class Levels:
    """Settings of a judgement, each strictly between 0 and 1."""

    threshold: float  # P(failed) below which an attempt counts as held
    conf_level: float  # of the intervals of p

    def __post_init__(self) -> None:
        check_fraction("threshold", self.threshold)
        check_fraction("conf_level", self.conf_level)


@dataclass(frozen=True, slots=True)
class Pool:
    """What the evidence shows.  Attempts are the informative ones, sorted; groups too."""

    place: IntArray  # row of each attempt in the input, shape (n,)
    p_failed: FloatArray  # (n,)
    km_to_go: FloatArray  # (n,), NaN: returned
    codes: IntArray  # of the groups with evidence, shape (g,)
    summary: Summary  # of these groups and, after them, of each stratum's prior
    priors: list[Prior]  # of each stratum
    none_fails: float  # P(no fix of the fleet fails)


@dataclass(frozen=True, slots=True)
class Evidence:
    """Attempts with evidence, and the log likelihood of those not returned.

    That changes only with the stretch.
    """

    place: IntArray  # row of each attempt in the input, shape (n,)
    codes: IntArray  # of the groups with evidence, shape (g,)
    shared_kin: Kin  # of these groups, up to the stretch
    rows: Rows  # (n,) sorted, groups coded from 0 on; km over the stretch of their stratum
    span_km: tuple[float, float]  # least and greatest scale evaluated
    stretch: Stretch
    clean_logs: Float32Array  # log likelihood of the clean attempts, shape (g, 28, 39)

    @property
    def kin(self) -> Kin:
        """Groups that have one curve."""
        return self.stretch.kin(self.shared_kin)

    @property
    def common(self) -> Nodes:
        """The nodes all groups are evaluated on first."""
        return common_nodes(self.span_km)

    def with_other(self, other: FloatArray) -> "Evidence":
        """Add other causes' hazards, of every row of the input, into the rows."""
        mine = np.where(self.rows.returned, other[self.place], 0.0)
        return replace(self, rows=replace(self.rows, other=mine))

    def stretched(self, stretch: Stretch) -> "Evidence":
        """Give some strata's failures other distances: theirs are divided by the factor."""
        if stretch.log == self.stretch.log:
            return replace(self, stretch=stretch)
        by_stratum = self.stretch.factor / stretch.factor
        change = by_stratum[self.kin.stratum[self.rows.group]]
        rows = replace(
            self.rows, low_km=self.rows.low_km * change, high_km=self.rows.high_km * change
        )
        return replace(self, rows=rows, stretch=stretch).with_clean_logs()

    def with_clean_logs(self) -> "Evidence":
        """Evaluate the clean attempts."""
        logs = np.empty((self.codes.size, N_P, N_CURVES), dtype=np.float32)
        clean = self.rows.part(~self.rows.returned)

        def fill(block: range) -> None:
            part = clean.block(block)
            logs[block.start : block.stop] = log_likelihood(part, len(block), self.common)

        _each_block(fill, self.blocks)
        return replace(self, clean_logs=logs)

    @property
    def blocks(self) -> list[range]:
        """Groups some hundred at a time, kin together."""
        n = self.codes.size
        starts = np.append(self.shared_kin.first, n)
        even = np.arange(0, n + _GROUPS_AT_ONCE, _GROUPS_AT_ONCE).clip(max=n)
        edges = np.unique(starts[np.searchsorted(starts, even)])
        return [range(first, last) for first, last in pairwise(edges.tolist())]


@dataclass(frozen=True, slots=True)
class Left:
    """What returns leave to other causes, given all other attempts; shape (r,) each.

    A return's likelihood is d + q B, B the chance of another cause in its window.
    """

    place: IntArray  # row of each return in the input
    p_failed: FloatArray  # P(its fix failed | it returned)
    ratio: FloatArray  # d / q


def is_informative(rows: Rows) -> BoolArray:
    """Whether there is any evidence: a clean km or a return."""
    informative: BoolArray = (rows.low_km > 0) | rows.returned
    return informative


def follow_up_span(every: Rows) -> tuple[float, float]:
    """Scales of which something can be seen: as far as the follow-up goes."""
    longest = _longest_km(every.part(is_informative(every)))
    return _ETA_SPAN[0] * longest, _ETA_SPAN[1] * longest


def evidence_of(
    every: Rows, of_group: tuple[IntArray, IntArray], n_strata: int, span: tuple[float, float]
) -> Evidence:
    """Sort rows.

    ``of_group``: stratum and kin of each group; ``span``: least and greatest scale to evaluate, km.
    """
    place = np.flatnonzero(is_informative(every))
    rows = every.part(place)
    stratum, kin = of_group
    keys = (stratum[rows.group], kin[rows.group])
    order = np.lexsort((rows.other, rows.high_km, rows.low_km, rows.group, *keys))
    place, rows = place[order], rows.part(order)
    new = np.flatnonzero(np.diff(rows.group, prepend=-1))
    codes = rows.group[new]
    local = np.repeat(np.arange(codes.size), np.diff(new, append=rows.group.size))
    dense = np.unique(kin[codes], return_inverse=True)[1]
    return Evidence(
        place,
        codes,
        Kin(stratum[codes], dense, n_strata),
        replace(rows, group=local),
        span,
        Stretch.none(n_strata),
        np.empty(0, dtype=np.float32),
    ).with_clean_logs()


def likelihoods(evidence: Evidence) -> Float32Array:
    """Likelihood of each group on the common nodes over its greatest: 4.4 KB a group."""
    back = evidence.rows.part(evidence.rows.returned)
    table = np.empty_like(evidence.clean_logs)

    def fill(block: range) -> None:
        where = slice(block.start, block.stop)
        logs = log_likelihood(back.block(block), len(block), evidence.common)
        logs += evidence.clean_logs[where]
        logs -= logs.max(axis=(1, 2), keepdims=True)
        np.exp(logs, out=logs)
        table[where] = np.maximum(logs, _LEAST_LIKELIHOOD, out=logs)

    _each_block(fill, evidence.blocks)
    return table


def left_to_others(
    evidence: Evidence, table: Float32Array, priors: Sequence[Prior], some: float = 1.0
) -> Left:
    """Remove each return from its group's posterior, and weigh what is left for other causes.

    By E[f / c] over a posterior with the return in it, c its own likelihood: in proportion to
    E[f] without it.  Plugging in a group's mean would count the return twice.  Kin with
    thousands of returns are weighed on nodes of their own.  ``some``: P(any fix of the fleet
    fails).
    """
    is_back = evidence.rows.returned

    def weigh(block: range) -> list[tuple[FloatArray, FloatArray]]:
        rows = evidence.rows.block(block)
        kin = evidence.kin.of(slice(block.start, block.stop))
        weight = _posterior(evidence, table, priors, block)
        weight, nodes = sharpened_by_some(rows, weight, evidence.common, kin, priors)
        # single precision: one of several rounds, and half the time
        weighted = (weight * (some * nodes.p[:, :, None])).astype(np.float32)
        part = rows.part(rows.returned)
        pieces = chunks(0, part.group.size)
        return [_left(part.part(chunk), weighted, nodes.of(part.group[chunk])) for chunk in pieces]

    pieces = [piece for block in _each_block(weigh, evidence.blocks) for piece in block]
    p_failed, ratio = (
        np.concatenate([np.empty(0), *(piece[i] for piece in pieces)]) for i in (0, 1)
    )
    return Left(evidence.place[is_back], p_failed, ratio)


def _posterior(
    evidence: Evidence, table: Float32Array, priors: Sequence[Prior], block: range
) -> FloatArray:
    """Posteriors of a block of groups on the common nodes."""
    where = slice(block.start, block.stop)
    log_table = np.log(table[where].astype(np.float64))
    return evidence.kin.of(where).posterior(log_table, priors, evidence.common)


def _left(part: Rows, weighted: Float32Array, nodes: Nodes) -> tuple[FloatArray, FloatArray]:
    """P(failed) and d / q of returns; ``weighted``: posterior times p, shape (g, 28, 39)."""
    term = terms(part, nodes.curves)
    seen = replace(term, base=np.maximum(term.base, _LEAST_SINGLE))
    # E[p / c, curve], c the return's own likelihood
    share = seen.divided(weighted, part.group, nodes.p).astype(np.float64)
    p_failed = np.minimum(np.einsum("nc,nc->n", share, term.failed), 1.0)
    later = np.einsum("nc,nc->n", share, nodes.curves.survival(part.high_km))
    # term.failed is S(low) - S(high)(1 - B): take S(high) B out of it
    d = np.maximum(p_failed - later * term.base, 0.0)
    q = (1 - p_failed) / np.maximum(term.base, _LEAST_BASE) + later
    return p_failed, d / np.maximum(q, _LEAST_BASE)


def fitted_pool(evidence: Evidence, levels: Levels, before: Sequence[Prior] = ()) -> Pool:
    """Fit the priors, from those found before on, and judge groups and attempts."""
    table = likelihoods(evidence)
    priors = fit_priors(table, evidence.kin, evidence.span_km, before)
    none = chance_of_none(table, evidence.kin, priors, evidence.common)
    p_failed, km_to_go, summary = _judged(evidence, table, priors, levels, 1 - none)
    return Pool(evidence.place, p_failed, km_to_go, evidence.codes, summary, priors, none)


@dataclass(frozen=True, slots=True)
class Round:
    """One round of a fit of several causes."""

    left: Left
    priors: list[Prior]
    stretch: Stretch  # for the next one


def rough_left_to_others(evidence: Evidence, before: Sequence[Prior] = ()) -> Round:
    """Fit the priors roughly, and return what returns leave to other causes."""
    table = likelihoods(evidence)
    priors = fit_priors(table, evidence.kin, evidence.span_km, before, is_last=False)
    stretch = evidence.stretch.fitted(table, evidence.kin, priors, evidence.common)
    some = 1 - chance_of_none(table, evidence.kin, priors, evidence.common)
    return Round(left_to_others(evidence, table, priors, some), priors, stretch)


def _longest_km(rows: Rows) -> float:
    if not rows.group.size:
        return _NO_DATA_LONGEST_KM
    seen_to = np.where(rows.returned, rows.high_km, rows.low_km)
    return float(np.quantile(seen_to, _LONGEST_QUANTILE))


def _each_block(look: Callable[[range], _Found], blocks: list[range]) -> list[_Found]:
    """Process blocks of groups, two at a time: results do not depend on it."""
    if len(blocks) <= 1:
        return [look(block) for block in blocks]
    with ThreadPoolExecutor(_THREADS) as pool:
        return list(pool.map(look, blocks))


def _judged(
    evidence: Evidence, table: Float32Array, priors: list[Prior], levels: Levels, some: float
) -> tuple[FloatArray, FloatArray, Summary]:
    """P(failed) and km to go of the attempts; the groups with the priors at the end."""
    common, by_stratum = evidence.common, evidence.stretch.factor

    def look(block: range) -> tuple[tuple[FloatArray, FloatArray], Summary]:
        part = evidence.rows.block(block)
        kin = evidence.kin.of(slice(block.start, block.stop))
        weight = _posterior(evidence, table, priors, block)
        weight, nodes = sharpened(part, weight, common, kin, priors)
        summary = summarise(weight, nodes, levels.threshold, levels.conf_level, some)
        p_failed, km_to_go = judge(part, weight, nodes, levels.threshold, some)
        factor = by_stratum[kin.stratum]
        return (p_failed, km_to_go * factor[part.group]), summary.stretched(factor)

    found = _each_block(look, evidence.blocks)
    pieces, summaries = [each[0] for each in found], [each[1] for each in found]
    each = np.arange(len(priors))
    unseen = Kin(each, each, each.size).posterior(
        np.zeros((each.size, N_P, N_CURVES)), priors, common
    )
    unseen_summary = summarise(unseen, common, levels.threshold, levels.conf_level, some)
    summaries.append(unseen_summary.stretched(by_stratum))
    p_failed, km_to_go = (
        np.concatenate([np.empty(0), *(piece[i] for piece in pieces)]) for i in (0, 1)
    )
    return p_failed, km_to_go, stacked(summaries)
