"""What the attempts of one kind at one component show, under every share, curve and lifetime.

Repairs of a component, or its bare clears, are a *side*: one share of failures p, one curve.  Its
cells have lifetimes and rates of new faults of their own.  A return's likelihood is d + q B, where
d and q depend on (p, curve) and B, the chance of another cause, on (lifetime, factor of new
faults): both are evaluated together, because a late return that is no failure makes a worn part
more likely, and with it that the next one is none.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from afterclear.estimators.arrays.validation import BoolArray, FloatArray, IntArray
from afterclear.estimators.causes.fleet_figures import KAPPA, LOG_RHO, LOG_THETA, CellKind, Figures
from afterclear.estimators.fix_held.grid import N_CURVES, N_P, Float32Array, Nodes, chunks

N_POINTS = N_P * N_CURVES + 1  # (p, curve); the last: no fix fails
_RETURNS_AT_ONCE = 8  # 8 x 1093 x 155 doubles are 11 MB; a product of 8 chances stays above 1e-96
_CLEAN_AT_ONCE = 1_000  # 1,000 x 1092 doubles are 9 MB
_LEAST_CHANCE, _LEAST, _LEAST_SINGLE = 1e-12, 1e-300, 1e-37
_MOST_HAZARD = 1e6


@dataclass(frozen=True, slots=True)
class Tried:
    """Attempts with evidence, shape (n,) each; km as driven, and over the stretch."""

    kind: IntArray  # 0: repair, 1: bare clear
    kin: IntArray
    apart: FloatArray  # ln odds of failing of its stratum over those of its kind
    cell: IntArray
    low_km: FloatArray
    high_km: FloatArray  # inf: not returned
    new_per_km: FloatArray
    new_log_sd: FloatArray  # of the ln of that rate
    older: FloatArray  # hazard of a part fitted before
    low: FloatArray
    high: FloatArray

    @property
    def back(self) -> BoolArray:
        """Whether the fault was seen again."""
        return np.isfinite(self.high_km)


@dataclass(frozen=True, slots=True)
class CellSeen:
    """Returns of a cell, and the likelihood of all its attempts but for clean ones' failures."""

    kind: CellKind
    rows: IntArray  # of its returns, shape (r,)
    failed: FloatArray  # p (S(low) - S(high)) at every point, shape (r, 1093)
    hidden: FloatArray  # p S(high)
    q: FloatArray  # 1 - p + p S(high)
    chance: FloatArray  # B, shape (r, k)
    worn: FloatArray  # wear's share of it, shape (r, k)
    likelihood: Float32Array  # over the greatest of each point, shape (1093 or 1, k)
    log_top: FloatArray  # that greatest, shape (1093 or 1,)

    def log_averaged(self, figures: Figures) -> FloatArray:
        """Log likelihood averaged over lifetimes, shape (h, 1093 or 1)."""
        # single precision: half the time of the whole, good to 1e-6
        mixed = self.lives(figures).astype(np.float32) @ self.likelihood.T
        averaged: FloatArray = np.log(np.maximum(mixed, _LEAST_SINGLE)) + self.log_top
        return averaged

    def lives(self, figures: Figures) -> FloatArray:
        """Weight of lifetimes under the figures, shape (h, k)."""
        return figures.lives(self.kind)

    def pieces(self) -> Iterator[tuple[slice, FloatArray]]:
        """Likelihood of some returns at a time, shape (m, 1093, k)."""
        for some in chunks(0, self.rows.size, _RETURNS_AT_ONCE):
            yield some, self._returned(some)

    def _returned(self, some: slice) -> FloatArray:
        found: FloatArray = self.q[some, :, None] * self.chance[some, None, :]
        found += self.failed[some, :, None]
        return np.maximum(found, _LEAST, out=found)


@dataclass(frozen=True, slots=True)
class Side:
    """Attempts of one kind at one component."""

    kind: int
    rows: IntArray
    log_clean: FloatArray  # of clean attempts, shape (1093,)
    cells: Sequence[CellSeen]

    def log_likelihood(self, figures: Figures) -> FloatArray:
        """At every point, averaged over lifetimes, shape (h, 1093)."""
        total = np.broadcast_to(self.log_clean, (len(figures.values), N_POINTS)).copy()
        for cell in self.cells:
            total += cell.log_averaged(figures)
        return total


@dataclass(frozen=True, slots=True)
class CellKinds:
    """Of every cell, shape (w,) each."""

    brand: IntArray
    shift: FloatArray
    wears: BoolArray


def side_of(tried: Tried, rows: IntArray, kinds: CellKinds, nodes: Nodes) -> Side:
    """Evaluate the attempts ``rows``, all of one kind at one component."""
    cells = [
        _cell_seen(tried, rows[tried.cell[rows] == cell], kinds, nodes)
        for cell in np.unique(tried.cell[rows])
    ]
    clean = _log_clean(tried, rows[~tried.back[rows]], nodes)
    return Side(int(tried.kind[rows[0]]), rows, np.append(clean.ravel(), 0.0), cells)


def _log_clean(tried: Tried, rows: IntArray, nodes: Nodes) -> FloatArray:
    """Log likelihood of failures of attempts that stayed clean, summed, shape (28, 39)."""
    logs = np.zeros((N_P, N_CURVES))
    for some in chunks(0, rows.size, _CLEAN_AT_ONCE):
        part = rows[some]
        p = shares(tried.apart[part], nodes)[:, :, None]
        gone = 1 - nodes.curves.survival(tried.low[part])[:, None, :]
        logs += np.log(np.maximum(1 - p * gone, _LEAST)).sum(axis=0)
    return logs


def shares(apart: FloatArray, nodes: Nodes) -> FloatArray:
    """Shares of failures at the nodes of the side, of strata apart from it, shape (n, 28)."""
    odds = nodes.p[0] / (1 - nodes.p[0]) * np.exp(apart)[:, None]
    found: FloatArray = odds / (1 + odds)
    return found


def _cell_seen(tried: Tried, rows: IntArray, kinds: CellKinds, nodes: Nodes) -> CellSeen:
    cell, back = int(tried.cell[rows[0]]), rows[tried.back[rows]]
    wears, rho = bool(kinds.wears[cell]), np.exp(LOG_RHO)
    before = _hazard(tried.low_km[rows], wears=wears).sum(axis=0)[:, None]
    before = before + rho * (tried.new_per_km[rows] * tried.low_km[rows]).sum()
    wear = _hazard(tried.high_km[back], wears=wears) - _hazard(tried.low_km[back], wears=wears)
    wear += tried.older[back][:, None]
    new = (tried.new_per_km[back] * (tried.high_km[back] - tried.low_km[back]))[:, None] * rho
    both = (wear[:, :, None] + new[:, None, :]).reshape(back.size, before.size)
    worn = np.repeat(wear, rho.size, axis=1) / np.maximum(both, _LEAST)
    p = shares(tried.apart[back], nodes)[:, :, None]
    now, later = (
        nodes.curves.survival(km)[:, None, :] for km in (tried.low[back], tried.high[back])
    )
    seen = CellSeen(
        CellKind(
            int(kinds.brand[cell]),
            float(kinds.shift[cell]),
            wears,
            float(tried.new_log_sd[rows].mean()),
        ),
        back,
        _points(p * (now - later), 0.0),
        _points(p * later, 0.0),
        _points(1 - p + p * later, 1.0),
        np.maximum(-np.expm1(-both), _LEAST_CHANCE),
        worn,
        np.empty(0, dtype=np.float32),
        np.empty(0),
    )
    logs = np.zeros((N_POINTS if back.size else 1, before.size))
    for _, likelihood in seen.pieces():
        logs += np.log(np.maximum(likelihood.prod(axis=0), _LEAST))
    logs -= before.ravel()
    top = logs.max(axis=1)
    return replace(seen, likelihood=np.exp(logs - top[:, None]).astype(np.float32), log_top=top)


def _points(values: FloatArray, where_none_fails: float) -> FloatArray:
    """Values at (p, curve), shape (r, 28, 39), as rows of points."""
    return np.pad(
        values.reshape(len(values), N_POINTS - 1),
        ((0, 0), (0, 1)),
        constant_values=where_none_fails,
    )


def _hazard(km: FloatArray, *, wears: bool) -> FloatArray:
    """Cumulative hazard of wear under every lifetime, the first of which has none; (n, 31 or 1)."""
    none = np.zeros((km.size, 1))
    if not wears:
        return none
    with np.errstate(divide="ignore"):  # km 0: hazard 0
        hazard = np.exp(KAPPA * (np.log(km)[:, None] - LOG_THETA))
    return np.concatenate([none, np.minimum(hazard, _MOST_HAZARD)], axis=1)
