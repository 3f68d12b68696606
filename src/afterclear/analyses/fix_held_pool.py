"""One stratum of ``fix_held``: its prior fitted, then its groups and attempts judged by it."""

from dataclasses import dataclass

import numpy as np

from afterclear.analyses.checks import BoolArray, FloatArray, IntArray, check_fraction
from afterclear.analyses.fix_held_grid import (
    N_CURVES,
    N_P,
    Float32Array,
    Rows,
    common_nodes,
    log_likelihood,
)
from afterclear.analyses.fix_held_posterior import Summary, judge, normalised, stacked, summarise
from afterclear.analyses.fix_held_prior import Prior, fit_prior
from afterclear.analyses.fix_held_zoom import sharpened

# What a longest follow-up is taken to be: a single odometer slip shall not stretch the grid.
_LONGEST_QUANTILE = 0.99
# Where nothing was observed at all there is no scale in the data (km; any number would do).
_NO_DATA_LONGEST_KM = 30_000.0
_GROUPS_AT_ONCE = 256  # 256 x 28 x 39 doubles are 2.2 MB
_LEAST_LIKELIHOOD = 1e-37  # over the greatest; single precision ends there


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
    """What became of a stratum.  Attempts are its informative ones, sorted; groups too."""

    place: IntArray  # where each attempt stood in the input, shape (n,)
    p_failed: FloatArray  # (n,)
    km_to_go: FloatArray  # (n,), NaN: returned
    codes: IntArray  # of the groups with evidence, shape (g,)
    summary: Summary  # of these groups and, last, of the prior: shape (g + 1,)
    prior: Prior


def is_informative(rows: Rows) -> BoolArray:
    """Tell whether anybody looked: a clean km or a return."""
    informative: BoolArray = (rows.low_km > 0) | rows.returned
    return informative


def fitted_pool(every: Rows, mine: IntArray, levels: Levels) -> Pool:
    """Fit and judge the rows ``mine`` of all rows."""
    place, codes, rows = _sorted_evidence(every, mine)
    longest_km = _longest_km(rows)
    table = _likelihoods(rows, codes.size, longest_km)
    prior = fit_prior(table, longest_km)
    p_failed, km_to_go, summary = _judged(rows, table, prior, longest_km, levels)
    return Pool(place, p_failed, km_to_go, codes, summary, prior)


def _sorted_evidence(every: Rows, mine: IntArray) -> tuple[IntArray, IntArray, Rows]:
    """Where the rows stood, the code of each group, the rows sorted with groups from 0 on."""
    place = mine[is_informative(every.part(mine))]
    rows = every.part(place)
    order = np.lexsort((rows.background_per_km, rows.high_km, rows.low_km, rows.group))
    rows = rows.part(order)
    codes, compact = np.unique(rows.group, return_inverse=True)
    return place[order], codes, Rows(compact, rows.low_km, rows.high_km, rows.background_per_km)


def _longest_km(rows: Rows) -> float:
    if not rows.group.size:
        return _NO_DATA_LONGEST_KM
    seen_to = np.where(rows.returned, rows.high_km, rows.low_km)
    return float(np.quantile(seen_to, _LONGEST_QUANTILE))


def _blocks(n_groups: int) -> list[range]:
    starts = range(0, n_groups, _GROUPS_AT_ONCE)
    return [range(first, min(first + _GROUPS_AT_ONCE, n_groups)) for first in starts]


def _likelihoods(rows: Rows, n_groups: int, longest_km: float) -> Float32Array:
    """Likelihood of each group on the common nodes over its greatest: 4.4 KB a group."""
    nodes = common_nodes(longest_km)
    table = np.empty((n_groups, N_P, N_CURVES), dtype=np.float32)
    for block in _blocks(n_groups):
        logs = log_likelihood(rows.block(block), len(block), nodes)
        logs -= logs.max(axis=(1, 2), keepdims=True)
        np.exp(logs, out=logs)
        table[block.start : block.stop] = np.maximum(logs, _LEAST_LIKELIHOOD, out=logs)
    return table


def _judged(
    rows: Rows, table: Float32Array, prior: Prior, longest_km: float, levels: Levels
) -> tuple[FloatArray, FloatArray, Summary]:
    """P(failed) and km to go of the attempts; the groups with the prior at the end."""
    common = common_nodes(longest_km)
    log_prior = prior.log_density(common)
    pieces, summaries = [], []
    for block in _blocks(len(table)):
        log_table = np.log(table[block.start : block.stop].astype(np.float64))
        part = rows.block(block)
        weight, nodes = sharpened(part, normalised(log_table + log_prior), common, prior)
        pieces.append(judge(part, weight, nodes, levels.threshold))
        summaries.append(summarise(weight, nodes, levels.threshold, levels.conf_level))
    summaries.append(summarise(normalised(log_prior), common, levels.threshold, levels.conf_level))
    p_failed, km_to_go = (
        np.concatenate([np.empty(0), *(piece[i] for piece in pieces)]) for i in (0, 1)
    )
    return p_failed, km_to_go, stacked(summaries)
