"""The grid on which ``fix_held`` evaluates groups: its nodes, and the likelihood of rows on it.

Each group of attempts has a share of failures ``p``, a Weibull scale ``eta`` and a shape.  A
return in (L, R], inside which other causes (new faults, wear) have the cumulative hazard h,
contributes, up to a constant factor,

    B + p (D - B)     B = 1 - e^(-h),  D = S(L) - S(R) e^(-h)

and an attempt clean to L contributes 1 + p (S(L) - 1): both are ``base + p * slope``.  In p a
group's likelihood is thus a polynomial, which Gauss-Chebyshev nodes, even in the arcsine of
sqrt(p), integrate exactly up to degree 55 (Abramowitz & Stegun 25.4.38).
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from afterclear.estimators.arrays.validation import BoolArray, FloatArray, IntArray

Float32Array = NDArray[np.float32]
_Precision = TypeVar("_Precision", np.float32, np.float64)

N_P, N_ETA, N_SHAPE = 28, 13, 3
N_CURVES = N_ETA * N_SHAPE
ANGLE_STEP = np.pi / (2 * N_P)
LOG_SHAPES: FloatArray = np.log([0.7, 1.0, 1.5])

_ROWS_AT_ONCE = 1024  # 1024 x 39 doubles are .3 MB: a handful of such arrays stay near the core
_FACTORS_AT_ONCE = 2048  # in runs of 16 these are 28 x 128 x 39 doubles or 1.1 MB
# A product of 16 factors, each at least p 1e-15, stays above the smallest double for p > 1e-4;
# below that a zero is what such a node deserves.
_FACTORS_PER_LOG = 16
_LEAST_D = 1e-15
_LEAST_PRODUCT = 1e-300


@dataclass(frozen=True, slots=True)
class Rows:
    """Attempts that carry information, sorted by group, low, high, other: shape (n,)."""

    group: IntArray
    low_km: FloatArray
    high_km: FloatArray  # inf: not returned
    other: FloatArray  # cumulative hazard of other causes in (low, high]; 0 where not returned

    def part(self, rows: slice | BoolArray | IntArray) -> "Rows":
        """Pick some of the rows."""
        return Rows(
            self.group[rows],
            self.low_km[rows],
            self.high_km[rows],
            self.other[rows],
        )

    def block(self, groups: range) -> "Rows":
        """Pick the rows of some groups that follow on each other, coded from 0."""
        first, last = np.searchsorted(self.group, [groups.start, groups.stop])
        part = self.part(slice(int(first), int(last)))
        return replace(part, group=part.group - groups.start)

    @property
    def returned(self) -> BoolArray:
        """Whether the fault was seen again."""
        return np.isfinite(self.high_km)


@dataclass(frozen=True, slots=True)
class Nodes:
    """Where a posterior is evaluated; the first axis is the group, or 1 long for all alike."""

    angle: FloatArray  # arcsin(sqrt(p)), shape (g, 28)
    log_eta: FloatArray  # shape (g, 13)
    log_shape: FloatArray  # shape (g, 3)

    @property
    def p(self) -> FloatArray:
        """Shares of failures, shape (g, 28)."""
        return np.sin(self.angle) ** 2

    @property
    def curves(self) -> "Curves":
        """Every scale with every shape."""
        return Curves(
            np.repeat(self.log_eta, N_SHAPE, axis=1), np.tile(np.exp(self.log_shape), N_ETA)
        )

    def of(self, groups: IntArray | slice) -> "Nodes":
        """Nodes of some groups; those that are alike for all stay as they are."""
        if len(self.angle) == 1:
            return self
        return Nodes(self.angle[groups], self.log_eta[groups], self.log_shape[groups])


@dataclass(frozen=True, slots=True)
class Curves:
    """Weibull curves, shape (g, 39), g as in ``Nodes``."""

    log_eta: FloatArray
    shape: FloatArray

    def of(self, rows: BoolArray | IntArray) -> "Curves":
        """Curves of some rows; those that are alike for all stay as they are."""
        if len(self.shape) == 1:
            return self
        return Curves(self.log_eta[rows], self.shape[rows])

    def hazard(self, km: FloatArray) -> FloatArray:
        """Cumulative hazard (km / eta)^shape of each row under each curve, shape (n, 39)."""
        with np.errstate(divide="ignore"):  # km 0: hazard 0
            log_km = np.log(km)
        return np.exp(self.shape * (log_km[:, None] - self.log_eta))

    def survival(self, km: FloatArray) -> FloatArray:
        """S(km) of each row under each curve, shape (n, 39)."""
        return np.exp(-self.hazard(km))


def common_nodes(span_km: tuple[float, float]) -> Nodes:
    """Nodes for all groups, scales from the least of ``span_km`` to the greatest."""
    least, most = (float(np.log(km)) for km in span_km)
    angle = np.linspace(ANGLE_STEP / 2, np.pi / 2 - ANGLE_STEP / 2, N_P)
    return Nodes(
        angle=angle[None, :],
        log_eta=np.linspace(least, most, N_ETA)[None, :],
        log_shape=LOG_SHAPES[None, :],
    )


@dataclass(frozen=True, slots=True)
class Terms:
    """Evidence of rows under each curve: likelihood ``base + p slope``, failed ``p failed``."""

    base: FloatArray  # (n,)
    slope: FloatArray  # (n, 39)
    failed: FloatArray  # (n, 39)

    def part(self, rows: IntArray) -> "Terms":
        """Pick some of the rows."""
        return Terms(self.base[rows], self.slope[rows], self.failed[rows])

    def divided(
        self, weight: NDArray[_Precision], group: IntArray, p: FloatArray
    ) -> NDArray[_Precision]:
        """Sum over p of ``weight`` over each row's likelihood, shape (n, 39).

        ``weight``: shape (g, 28, 39), ``group``: a row's place in it, ``p``: shape (1 or n, 28).
        Node by node: the table of all rows at all nodes would leave the core's memory. In the
        precision of ``weight``.
        """
        precision = weight.dtype
        base = np.repeat(self.base.astype(precision), N_CURVES).reshape(-1, N_CURVES)
        slope, by_node = self.slope.astype(precision), p.astype(precision)
        total = np.zeros_like(slope)
        for node in range(N_P):
            factor = slope * by_node[:, node, None]
            factor += base
            total += np.divide(weight[group, node], factor, out=factor)
        return total


def terms(rows: Rows, curves: Curves) -> Terms:
    """Likelihood terms of rows; other causes up to L are left out: they are no evidence about p."""
    hazard_low = curves.hazard(rows.low_km)
    base = np.ones(rows.low_km.size)
    failed = np.exp(-hazard_low)
    back = rows.returned
    if back.any():
        base[back] = -np.expm1(-rows.other[back])
        hazard_high = curves.of(back).hazard(rows.high_km[back])
        fell = -np.expm1(hazard_low[back] - hazard_high)  # (S(L) - S(R)) / S(L), no cancelling
        in_window = failed[back] * fell + np.exp(-hazard_high) * base[back, None]
        failed[back] = np.maximum(in_window, _LEAST_D)
    return Terms(base, failed - base[:, None], failed)


def chunks(first: int, last: int, size: int = _ROWS_AT_ONCE) -> Iterator[slice]:
    """Slices of ``size`` rows or less that cover first to last."""
    for start in range(first, last, size):
        yield slice(start, min(start + size, last))


def log_likelihood(rows: Rows, n_groups: int, nodes: Nodes) -> FloatArray:
    """Log likelihood of groups at their nodes, shape (n_groups, 28, 39), less a constant."""
    total = np.zeros((n_groups, N_P, N_CURVES))
    for chunk in chunks(0, rows.group.size, _FACTORS_AT_ONCE):
        part = rows.part(chunk)
        local = nodes.of(part.group)
        found, sums = _log_sums(part.group, terms(part, local.curves), local.p)
        total[found] += sums
    return total


def _log_sums(group: IntArray, term: Terms, p: FloatArray) -> tuple[IntArray, FloatArray]:
    """Sum of log factors by group; one logarithm for a run of 16 factors, not one for each.

    All runs' first factors, then all second ones: whole arrays are multiplied, longest runs first.
    """
    new_group = np.flatnonzero(np.diff(group, prepend=-1))
    place = np.arange(group.size) - np.repeat(new_group, np.diff(new_group, append=group.size))
    place %= _FACTORS_PER_LOG
    starts = np.flatnonzero(place == 0)
    length = np.diff(starts, append=group.size)
    rank = np.empty_like(starts)
    rank[np.argsort(-length, kind="stable")] = np.arange(starts.size)
    order = np.lexsort((np.repeat(rank, length), place))
    logs = _products(term.part(order), p[order] if len(p) > 1 else p, np.bincount(place))
    np.maximum(logs, _LEAST_PRODUCT, out=logs)
    np.log(logs, out=logs)
    sums = np.add.reduceat(logs[:, rank], np.searchsorted(starts, new_group), axis=1)
    return group[new_group], sums.transpose(1, 0, 2)


def _products(term: Terms, p: FloatArray, n_runs: IntArray) -> FloatArray:
    """Likelihoods of runs of rows, shape (28, runs, 39).

    Rows by their place in a run, ``n_runs`` that have such a place; longest runs first.
    """
    base = np.repeat(term.base, N_CURVES).reshape(-1, N_CURVES)
    by_node = p.T[:, :, None]
    product = np.ones((N_P, n_runs[0], N_CURVES))
    last = 0
    for n in n_runs:
        rows = slice(last, last := last + n)
        factor = (by_node if len(p) == 1 else by_node[:, rows]) * term.slope[rows]
        factor += base[rows]
        product[:, :n] *= factor
    return product
