"""Nodes of its own for a group whose posterior is too narrow for the common grid.

With some hundred attempts a posterior fits between two common nodes: its mean would be off by up to
half a step and its interval empty.  Such groups are evaluated again on 28 x 13 x 3 nodes around the
posterior, until the nodes suit the posterior.  Midpoint sums of a bell curve are good to 1e-3 at
steps of 1.6 standard deviations and to rounding error below one.

A fit of several causes in rounds needs it for the largest kin only: a curve on the common nodes is
off by up to a fifth in scale, and with thousands of returns lifetimes of parts bend to mend it.
There a sample shows the curve well enough (``sharpened_by_some``).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from afterclear.estimators.arrays.validation import BoolArray, FloatArray, IntArray
from afterclear.estimators.fix_held.grid import (
    N_ETA,
    N_P,
    N_SHAPE,
    Nodes,
    Rows,
    log_likelihood,
)
from afterclear.estimators.fix_held.prior import Kin, Prior

_LEAST_SD = 0.6  # in steps; a narrower posterior needs closer nodes
_HALF_WIDTH = 4.5  # standard deviations shown on each side
_EDGE_WEIGHT = 1e-3  # more than this on an outermost node: the posterior goes on beyond
_MOST_ROUNDS = 8  # two or three are usual; after the last one the table stays as it is
_LOG_SHAPE_SPAN = (np.log(0.35), np.log(3.5))
_SHAPE_STEP = (0.01, 0.4)  # least and most, of ln shape
_SHAPE_STEP_IN_SD = 1.2  # three nodes at -1.2, 0 and 1.2 standard deviations
_FIRST_SHAPE_STEP = 0.25

# In a fit in rounds: least returns of kin that need nodes of their own, and most attempts of a
# group that are evaluated on them.
MANY_RETURNS = 2_000
_MOST_OF_GROUP = 1_000


@dataclass(frozen=True, slots=True)
class _Axis:
    """Marginal of one axis: ``weight`` on even ``node``s between the limits of the axis."""

    weight: FloatArray  # (g, k)
    node: FloatArray  # (g, k)
    limits: tuple[float, float]

    @property
    def step(self) -> FloatArray:
        step: FloatArray = self.node[:, 1] - self.node[:, 0]
        return step

    def moments(self) -> tuple[FloatArray, FloatArray]:
        """Mean and standard deviation."""
        mean = np.einsum("gk,gk->g", self.weight, self.node)
        away = self.node - mean[:, None]
        return mean, np.sqrt(np.einsum("gk,gk->g", self.weight, away**2))

    def runs_over(self) -> BoolArray:
        """Whether the posterior goes on beyond the nodes, short of the axis' limits."""
        half = self.step / 2
        at_low = self.node[:, 0] - half <= self.limits[0] + half * 1e-6
        at_high = self.node[:, -1] + half >= self.limits[1] - half * 1e-6
        over: BoolArray = (~at_low & (self.weight[:, 0] > _EDGE_WEIGHT)) | (
            ~at_high & (self.weight[:, -1] > _EDGE_WEIGHT)
        )
        return over

    def is_narrow(self) -> BoolArray:
        """Whether the posterior is too narrow for the nodes."""
        narrow: BoolArray = self.moments()[1] < _LEAST_SD * self.step
        return narrow

    def closer(self) -> FloatArray:
        """Lay even nodes around the posterior; twice as wide as now where it runs over."""
        mean, sd = self.moments()
        half = _HALF_WIDTH * np.sqrt(sd**2 + np.where(self.is_narrow(), self.step / 2, 0) ** 2)
        width = self.step * self.node.shape[1]
        half = np.where(self.runs_over(), width, half)
        low = np.clip(mean - half, *self.limits)
        high = np.clip(mean + half, *self.limits)
        place = (np.arange(self.node.shape[1]) + 0.5) / self.node.shape[1]
        nodes: FloatArray = low[:, None] + (high - low)[:, None] * place
        return nodes


@dataclass(frozen=True, slots=True)
class _Bell:
    """Parabola through the log marginal of the three shapes: where it peaks, how wide it is."""

    peak: FloatArray
    sd: FloatArray
    middle: FloatArray
    step: FloatArray

    @classmethod
    def of(cls, weight: FloatArray, node: FloatArray) -> "_Bell":
        log_weight = np.log(np.maximum(weight, 1e-300))
        step = node[:, 2] - node[:, 1]
        bend = 2 * log_weight[:, 1] - log_weight[:, 0] - log_weight[:, 2]
        tilt = (log_weight[:, 2] - log_weight[:, 0]) / 2
        # no bend: no peak in sight, go the way that rises
        offset = np.where(bend > 0, tilt / np.where(bend > 0, bend, 1.0), np.sign(tilt) * 2)
        sd = np.where(bend > 0, 1 / np.sqrt(np.where(bend > 0, bend, 1.0)), 2.0)
        return cls(node[:, 1] + np.clip(offset, -2, 2) * step, sd * step, node[:, 1], step)

    def closer(self) -> FloatArray:
        """Three nodes at the peak, as far apart as the posterior is wide."""
        step = np.clip(_SHAPE_STEP_IN_SD * self.sd, *_SHAPE_STEP)
        step = np.clip(step, self.step / 4, self.step * 2)
        return self._around(np.clip(self.peak, *_LOG_SHAPE_SPAN), step)

    @staticmethod
    def _around(middle: FloatArray, step: FloatArray) -> FloatArray:
        nodes: FloatArray = middle[:, None] + step[:, None] * np.array([-1.0, 0.0, 1.0])
        return nodes

    def suits(self) -> BoolArray:
        """Whether the nodes are where and as far apart as they should be."""
        ideal = np.clip(_SHAPE_STEP_IN_SD * self.sd, *_SHAPE_STEP)
        peak = np.clip(self.peak, *_LOG_SHAPE_SPAN)
        near = np.abs(peak - self.middle) <= 0.5 * self.step
        suits: BoolArray = near & (self.step <= 1.6 * ideal) & (self.step >= ideal / 1.6)
        return suits


@dataclass(frozen=True, slots=True)
class _View:
    """A block of posteriors, axis by axis."""

    angle: _Axis
    eta: _Axis
    shape: FloatArray  # marginal, (g, 3)

    @classmethod
    def of(cls, weight: FloatArray, nodes: Nodes, common: Nodes) -> "_View":
        by_curve = weight.sum(axis=1).reshape(-1, N_ETA, N_SHAPE)
        half = (common.log_eta[0, 1] - common.log_eta[0, 0]) / 2
        span = (float(common.log_eta[0, 0] - half), float(common.log_eta[0, -1] + half))
        g = len(weight)
        return cls(
            _Axis(weight.sum(axis=2), np.broadcast_to(nodes.angle, (g, N_P)), (0.0, np.pi / 2)),
            _Axis(by_curve.sum(axis=2), np.broadcast_to(nodes.log_eta, (g, N_ETA)), span),
            by_curve.sum(axis=1),
        )


def sharpened(
    rows: Rows, weight: FloatArray, common: Nodes, kin: Kin, priors: Sequence[Prior]
) -> tuple[FloatArray, Nodes]:
    """Posteriors and nodes of a block of groups, narrow ones on nodes of their own.

    ``rows``: of the block, groups coded from 0, and so is ``kin``.  ``weight``: posteriors on
    the common nodes, shape (g, 28, 39); returned as they are where the common nodes do.
    """
    first = _View.of(weight, common, common)
    todo = _whole(kin, np.arange(len(weight)), first.angle.is_narrow() | first.eta.is_narrow())
    if not todo.size:
        return weight, common
    return _sharpened(rows, weight, common, (kin, priors), todo)


def sharpened_by_some(
    rows: Rows, weight: FloatArray, common: Nodes, kin: Kin, priors: Sequence[Prior]
) -> tuple[FloatArray, Nodes]:
    """Do the same for kin with many returns, by a sample of their attempts; for rounds of a fit."""
    n_returns = np.bincount(kin.kin[rows.group[rows.returned]], minlength=kin.first.size)
    todo = np.flatnonzero(n_returns[kin.kin] >= MANY_RETURNS)
    if not todo.size:
        return weight, common
    return _sharpened(_some(rows, len(weight)), weight, common, (kin, priors), todo)


def _some(rows: Rows, n_groups: int) -> Rows:
    """Every second, third ... attempt of a large group; they are sorted by how far they went."""
    size = np.bincount(rows.group, minlength=n_groups)
    place = np.arange(rows.group.size) - (np.cumsum(size) - size)[rows.group]
    return rows.part(place % -(-size // _MOST_OF_GROUP)[rows.group] == 0)


def _sharpened(
    rows: Rows,
    weight: FloatArray,
    common: Nodes,
    of_groups: tuple[Kin, Sequence[Prior]],
    todo: IntArray,
) -> tuple[FloatArray, Nodes]:
    kin, priors = of_groups
    own = _own_nodes(common, len(weight))
    for _ in range(_MOST_ROUNDS):
        part = kin.of(todo)
        closer = _closer(_View.of(weight[todo], own.of(todo), common), own.of(todo), part)
        weight[todo] = part.posterior(_log_likelihood(rows, todo, closer), priors, closer)
        own.angle[todo], own.log_eta[todo] = closer.angle, closer.log_eta
        own.log_shape[todo] = closer.log_shape
        todo = _whole(kin, todo, ~_suits(_View.of(weight[todo], closer, common), closer))
        if not todo.size:
            break
    return weight, own


def _whole(kin: Kin, groups: IntArray, chosen: BoolArray) -> IntArray:
    """Take all kin of the groups chosen: they share the same curves."""
    return np.flatnonzero(np.isin(kin.kin, kin.kin[groups[chosen]]))


def _own_nodes(common: Nodes, n_groups: int) -> Nodes:
    """Copy the common nodes for each group."""
    return Nodes(
        np.repeat(common.angle, n_groups, axis=0),
        np.repeat(common.log_eta, n_groups, axis=0),
        np.repeat(common.log_shape, n_groups, axis=0),
    )


def _closer(view: _View, nodes: Nodes, kin: Kin) -> Nodes:
    even = np.isclose(np.diff(nodes.log_shape, 2)[:, 0], 0.0, atol=1e-9)
    mean = np.einsum("gk,gk->g", view.shape, nodes.log_shape)[:, None]
    start = mean + _FIRST_SHAPE_STEP * np.array([-1.0, 0.0, 1.0])  # the common ones are uneven
    shapes = np.where(even[:, None], _Bell.of(view.shape, nodes.log_shape).closer(), start)
    first = kin.first[kin.kin]  # one curve: the same to the last bit
    return Nodes(view.angle.closer(), view.eta.closer()[first], shapes[first])


def _suits(view: _View, nodes: Nodes) -> BoolArray:
    bad = view.angle.is_narrow() | view.angle.runs_over()
    bad |= view.eta.is_narrow() | view.eta.runs_over()
    suits: BoolArray = ~bad & _Bell.of(view.shape, nodes.log_shape).suits()
    return suits


def _log_likelihood(rows: Rows, groups: IntArray, nodes: Nodes) -> FloatArray:
    part = rows.part(np.isin(rows.group, groups))
    code = np.searchsorted(groups, part.group)
    recoded = Rows(code, part.low_km, part.high_km, part.other)
    return log_likelihood(recoded, groups.size, nodes)
