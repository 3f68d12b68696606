"""Small fleets: chances averaged over all figures of the fleet that fit what was seen.

The rounds of ``judging`` end at one state: one middle life of parts, one distance of failures.  Of
ten vehicles it is one of many that fit, and chances under it are too sure of themselves.  Here
failures, wear and new faults of a component are weighed together (``sides``), and the fleet's
figures are integrated over draws (``fleet_figures``), with worlds in which no fix fails, or every
one does, as points of their own.  It is Bayes' rule, but for three things taken from the rounds:
the hazard of parts fitted before, the factor between distances of clears and of repairs, and how
far apart the shares of repeats are.

The more returns, the less it differs from where the rounds end, and the more it costs: larger
fleets are judged by the rounds.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from afterclear.estimators.arrays.validation import FloatArray, IntArray
from afterclear.estimators.causes.fleet_figures import WORLD_BEFORE, Figures, averaged_figures
from afterclear.estimators.causes.sides import (
    CellKinds,
    CellSeen,
    Side,
    Tried,
    side_of,
)
from afterclear.estimators.fix_held.grid import N_CURVES, N_P, Nodes

MOST_RETURNS = 800
_LEAST = 1e-300


@dataclass(frozen=True, slots=True)
class Average:
    """What is known of a small fleet."""

    some: float  # P(any fix fails)
    kin: IntArray  # component of each side, shape (s,)
    kind: IntArray  # and its kind
    weight: FloatArray  # of (p, curve), given that some fix fails, shape (s, 28, 39)
    unseen: FloatArray  # the same of a side without attempts, by kind, shape (2, 28, 39)
    p_failed: FloatArray  # (n,) of returns; NaN: not returned
    worn: FloatArray  # (n,) P(the part wore out) of returns


@dataclass(frozen=True, slots=True)
class _ByCurve:
    """Log likelihoods of a side under some draws."""

    points: FloatArray  # averaged over lifetimes, times the weight of each share: (h, 28, 39)
    some: FloatArray  # summed over shares, shape (h, 39)
    none: FloatArray  # no fix fails, shape (h,)
    every: FloatArray  # every fix fails, shape (h, 39)


@dataclass(frozen=True, slots=True)
class _Given:
    """Draws of the figures, with the chances of worlds under each, shape (3, h)."""

    figures: Figures
    worlds: FloatArray
    nodes: Nodes

    @property
    def log_curves(self) -> FloatArray:
        """Log weight of curves, shape (h, 39)."""
        return self.figures.log_curves(self.nodes)

    @property
    def p_some(self) -> float:
        """P(any fix fails)."""
        return float(self.worlds[[0, 2]].sum())

    def by_curve(self, side: Side) -> _ByCurve:
        logs = side.log_likelihood(self.figures)
        grid = logs[:, :-1].reshape(-1, N_P, N_CURVES)
        points = grid + self.figures.log_shares(side.kind, self.nodes)[:, :, None]
        return _ByCurve(points, _log_sum(points), logs[:, -1], grid[:, -1])

    def posteriors(self, sides: list[Side]) -> list[FloatArray]:
        """Weight of every draw and point for each side of a component, shape (h, 1093)."""
        each = [self.by_curve(side) for side in sides]
        log_curves = self.log_curves
        some, every = (
            special.softmax(log_curves + sum(one), axis=1) * world[:, None]
            for one, world in (
                ([one.some for one in each], self.worlds[0]),
                ([one.every for one in each], self.worlds[2]),
            )
        )
        return [
            self._points(np.exp(one.points - one.some[:, None]) * some[:, None], every)
            for one in each
        ]

    def unseen(self, kind: int) -> FloatArray:
        """Return the same of a side without attempts."""
        curves = np.exp(self.log_curves)
        some, every = (curves * self.worlds[k][:, None] for k in (0, 2))
        shares_ = np.exp(self.figures.log_shares(kind, self.nodes))
        return self._points(shares_[:, :, None] * some[:, None], every)

    def _points(self, some: FloatArray, every: FloatArray) -> FloatArray:
        some[:, -1] += every
        return np.column_stack([some.reshape(len(some), -1), self.worlds[1]])

    def some(self, table: FloatArray) -> FloatArray:
        """Weight of (p, curve) given that some fix fails, shape (28, 39)."""
        inside = np.maximum(table[:-1].reshape(N_P, N_CURVES), _LEAST)
        found: FloatArray = inside / inside.sum()
        return found

    def causes(self, cell: CellSeen, table: FloatArray) -> tuple[FloatArray, FloatArray]:
        """P(failed) and P(the part wore out) of a cell's returns, shape (r,) each."""
        by_draw = table * np.exp(cell.log_top - cell.log_averaged(self.figures))
        joint = cell.likelihood * (by_draw.T @ cell.lives(self.figures))
        p_failed, worn = np.empty(cell.rows.size), np.empty(cell.rows.size)
        for some, likelihood in cell.pieces():
            chance = cell.chance[some]
            each = np.stack([np.ones_like(chance), chance, chance * cell.worn[some]], axis=2)
            left = (joint / likelihood) @ each  # (m, 1093, 3)
            hidden = cell.hidden[some]
            failed = cell.failed[some] * left[..., 0] + hidden * left[..., 1]
            p_failed[some] = failed.sum(axis=1)
            worn[some] = ((cell.q[some] - hidden) * left[..., 2]).sum(axis=1)
        return np.minimum(p_failed, 1.0), worn


def averaged(tried: Tried, kinds: CellKinds, nodes: Nodes) -> Average:
    """Weigh everything that was seen under all figures of a fleet; ``nodes``: the common ones."""
    components = _components(tried, kinds, nodes)
    n_brands = int(kinds.brand.max(initial=-1)) + 1
    figures, weight = averaged_figures(n_brands, lambda f: _log_evidence(components, f, nodes))
    worlds = _log_evidence(components, figures, nodes) + np.log(WORLD_BEFORE)[:, None]
    given = _Given(figures, special.softmax(worlds, axis=0) * weight, nodes)
    n = tried.kin.size
    p_failed, worn = np.full(n, np.nan), np.full(n, np.nan)
    tables = []
    for sides in components:
        for side, table in zip(sides, given.posteriors(sides), strict=True):
            tables.append(given.some(table.sum(axis=0)))
            for cell in side.cells:
                p_failed[cell.rows], worn[cell.rows] = given.causes(cell, table)
    each = [side for sides in components for side in sides]
    return Average(
        given.p_some,
        np.array([tried.kin[side.rows[0]] for side in each]),
        np.array([side.kind for side in each]),
        np.array(tables),
        np.array([given.some(given.unseen(kind).sum(axis=0)) for kind in (0, 1)]),
        p_failed,
        worn,
    )


def _components(tried: Tried, kinds: CellKinds, nodes: Nodes) -> list[list[Side]]:
    found = []
    for kin in np.unique(tried.kin):
        mine = [np.flatnonzero((tried.kin == kin) & (tried.kind == kind)) for kind in (0, 1)]
        found.append([side_of(tried, rows, kinds, nodes) for rows in mine if rows.size])
    return found


def _log_evidence(components: list[list[Side]], figures: Figures, nodes: Nodes) -> FloatArray:
    """Log likelihood of everything under each draw, by world; shape (3, h)."""
    given = _Given(figures, np.empty(0), nodes)
    found, log_curves = np.zeros((3, len(figures.values))), given.log_curves
    for sides in components:
        by_curve = [given.by_curve(side) for side in sides]
        found += np.array([
            _log_sum(log_curves + sum(one.some for one in by_curve)),
            sum(one.none for one in by_curve),
            _log_sum(log_curves + sum(one.every for one in by_curve)),
        ])  # fmt: skip
    return found


def _log_sum(logs: FloatArray) -> FloatArray:
    """Ln of the sum of exp over axis 1 of finite logs.

    An eighth of the time of scipy's, which also knows signs, weights and infinities; a third of the
    average's was spent there.
    """
    top = logs.max(axis=1, keepdims=True)
    away = logs - top
    total: FloatArray = np.log(np.exp(away, out=away).sum(axis=1)) + top[:, 0]
    return total
