"""What ``fix_held`` concludes from groups' posteriors: about groups, and about attempts.

A posterior is a table of weights over nodes, shape (g, 28, 39), summing to 1 over the last two
axes.  Attempts are judged by averaging over it.  With the attempt's own evidence in the
posterior and c = base + p slope its likelihood,

    P(failed | all seen) = E[p failed / c]

and, clean to L and later to x, P(failed) = N(x) / (N(x) + M) with N(x) = E[p S(x) / c] and
M = E[(1 - p) / c]: the predictive E[p S] / E[1 - p + p S] of a posterior without the attempt.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from operator import attrgetter

import numpy as np

from afterclear.estimators.arrays.validation import FloatArray
from afterclear.estimators.fix_held.grid import (
    N_ETA,
    N_SHAPE,
    Curves,
    Nodes,
    Rows,
    chunks,
    terms,
)

# Where a search for the clean distance gives up, in scales of the longest-lived curve.
_FAR = 200.0
_MOST_STEPS = 80
_LOG_KM_TOLERANCE = 1e-10


@dataclass(frozen=True, slots=True)
class Summary:
    """One row per group of a block of posteriors."""

    p_mean: FloatArray
    p_low: FloatArray
    p_high: FloatArray
    eta_median_km: FloatArray
    clean_km_needed: FloatArray
    failed: FloatArray  # E[p, curve], shape (g, 39); sums to p_mean
    curves: Curves  # those of the columns of ``failed``, shape (g, 39)

    def stretched(self, factor: FloatArray) -> "Summary":
        """Multiply all distances of each group by its factor, shape (g,)."""
        return replace(
            self,
            eta_median_km=self.eta_median_km * factor,
            clean_km_needed=self.clean_km_needed * factor,
            curves=replace(self.curves, log_eta=self.curves.log_eta + np.log(factor)[:, None]),
        )


def stacked(parts: Sequence[Summary]) -> Summary:
    """Summaries of blocks of groups as one."""

    def together(name: str) -> FloatArray:
        return np.concatenate([attrgetter(name)(part) for part in parts])

    return Summary(
        together("p_mean"),
        together("p_low"),
        together("p_high"),
        together("eta_median_km"),
        together("clean_km_needed"),
        together("failed"),
        Curves(together("curves.log_eta"), together("curves.shape")),
    )


def summarise(
    weight: FloatArray, nodes: Nodes, threshold: float, conf_level: float, some: float = 1.0
) -> Summary:
    """Mean and interval of p, median scale, clean km a new attempt needs.

    ``some``: P(any fix of the fleet fails); the posteriors are of fleets where one does.
    """
    failed = some * np.einsum("gpc,gp->gc", weight, np.broadcast_to(nodes.p, weight.shape[:2]))
    by_angle = weight.sum(axis=2)
    by_eta = weight.sum(axis=1).reshape(-1, N_ETA, N_SHAPE).sum(axis=2)
    tail = (1 - conf_level) / 2
    p_low, p_high = (
        np.sin(np.clip(_quantile(by_angle, nodes.angle, q), 0, np.pi / 2)) ** 2 * (q > 0)
        for q in (1 - (1 - level) / some for level in (tail, 1 - tail))
    )
    p_mean = failed.sum(axis=1)
    start = np.zeros_like(p_mean)
    return Summary(
        p_mean=p_mean,
        p_low=p_low,
        p_high=p_high,
        eta_median_km=np.exp(_quantile(by_eta, nodes.log_eta, 0.5)),
        clean_km_needed=km_until(threshold, start, failed, p_mean, nodes.curves),
        failed=failed,
        curves=Curves(
            np.broadcast_to(nodes.curves.log_eta, failed.shape),
            np.broadcast_to(nodes.curves.shape, failed.shape),
        ),
    )


def _quantile(weight: FloatArray, node: FloatArray, level: float) -> FloatArray:
    """Quantile of each group, weights spread evenly over cells around even nodes."""
    above = np.cumsum(weight, axis=1)
    cell = np.minimum((above < level).sum(axis=1), weight.shape[1] - 1)
    row = np.arange(len(weight))
    inside = (level - above[row, cell]) / weight[row, cell] + 0.5  # 1/2 at the cell's upper edge
    grid = np.broadcast_to(node, weight.shape)
    quantile: FloatArray = grid[row, cell] + np.clip(inside, -0.5, 0.5) * (grid[:, 1] - grid[:, 0])
    return quantile


def judge(
    rows: Rows, weight: FloatArray, nodes: Nodes, threshold: float, some: float = 1.0
) -> tuple[FloatArray, FloatArray]:
    """P(failed) of each attempt and, for those not returned, the km until it is small.

    ``rows``: groups coded as ``weight`` has them, from 0.  Both results have shape (n,); km to
    go is NaN for returned attempts.  ``some`` as in ``summarise``.
    """
    p_failed = np.empty(rows.group.size)
    km_to_go = np.full(rows.group.size, np.nan)
    weighted_p = weight * (some * nodes.p[:, :, None])
    for chunk in chunks(0, rows.group.size):
        part = rows.part(chunk)
        local = nodes.of(part.group)
        term = terms(part, local.curves)
        share = term.divided(weighted_p, part.group, local.p)
        p = np.minimum(np.einsum("nc,nc->n", share, term.failed), 1.0)
        p_failed[chunk] = p
        clean = ~part.returned
        km_to_go[chunk][clean] = km_until(
            threshold,
            part.low_km[clean],
            share[clean],
            p[clean],
            local.curves.of(clean),
        )
    return p_failed, km_to_go


def km_until(
    threshold: float, low_km: FloatArray, share: FloatArray, p: FloatArray, curves: Curves
) -> FloatArray:
    """Clean km beyond ``low_km`` until P(failed) is down to the threshold, shape (n,).

    ``share``: E[p / c, curve], shape (n, 39); ``p``: P(failed) at low.  0 where it is below
    already, inf if not even the farthest distance tried is enough.
    """
    go = np.zeros(low_km.size)
    todo = np.flatnonzero(p > threshold)
    if not todo.size:
        return go
    target = np.log(threshold / (1 - threshold)) + np.log1p(-np.minimum(p[todo], 1 - 1e-16))
    km = _solve(share[todo], target, curves.of(todo), low_km[todo])
    go[todo] = np.maximum(km - low_km[todo], 0.0)
    return go


def _solve(
    share: FloatArray, log_target: FloatArray, curves: Curves, low_km: FloatArray
) -> FloatArray:
    """Km at which N falls to the target: Newton on ln km, kept inside a bracket by halving."""
    with np.errstate(divide="ignore"):
        low = np.maximum(np.log(low_km), curves.log_eta.min(axis=1) - np.log(_FAR) * 5)
    high = np.maximum(curves.log_eta.max(axis=1) + np.log(_FAR), low + 1)
    unreachable = _log_hidden(high, share, curves)[0] > log_target
    middle = (share * curves.log_eta).sum(axis=1) / share.sum(axis=1)
    log_km = np.clip(middle + 1, low, high)
    for _ in range(_MOST_STEPS):
        value, slope = _log_hidden(log_km, share, curves)
        too_near = value > log_target
        low, high = np.where(too_near, log_km, low), np.where(too_near, high, log_km)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = log_km - (value - log_target) / slope
        inside = (step > low) & (step < high)
        step = np.where(inside, step, (low + high) / 2)
        done = bool(np.all(np.abs(step - log_km) <= _LOG_KM_TOLERANCE))
        log_km = step
        if done:
            break
    return np.where(unreachable, np.inf, np.exp(log_km))


def _log_hidden(
    log_km: FloatArray, share: FloatArray, curves: Curves
) -> tuple[FloatArray, FloatArray]:
    """Ln N and its slope by ln km; N is the chance that a failure is still hidden."""
    hazard = np.exp(curves.shape * (log_km[:, None] - curves.log_eta))
    hidden = share * np.exp(-hazard)
    hazard *= curves.shape
    total = hidden.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.log(total), -np.einsum("nc,nc->n", hidden, hazard) / total
