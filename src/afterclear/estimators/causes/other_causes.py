"""The other causes of returns, fitted cell by cell to what failures leave unexplained.

A window (low, high] contributes ``e^(-H(low)) (ratio + B)`` where it returned and ``e^(-H(low))``
where it is clean, B = 1 - e^-(H(high) - H(low)) and ``ratio`` from the groups
(``fix_held.pool.left_to_others``).  Cells are evaluated on nodes of their own (``cell_nodes``)
under one prior (``cell_prior``).
"""

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from afterclear.estimators.arrays.validation import FloatArray, IntArray
from afterclear.estimators.causes.cell_nodes import (
    N_KAPPA,
    N_RHO,
    N_THETA,
    N_WEAR,
    CellNodes,
    Moments,
    Wear,
    new_hazard,
)
from afterclear.estimators.causes.cell_prior import CellPrior, Cells
from afterclear.estimators.fix_held.grid import chunks

_ROWS_AT_ONCE = 2048
_EM_STEPS = 15
_LEAST = 1e-12
_THREADS = 2
_WEARS_RATHER = 0.5  # below, a cell's parts more likely do not wear

_Found = TypeVar("_Found")
_Sums = tuple[IntArray, FloatArray]


@dataclass(frozen=True, slots=True)
class Windows:
    """Attempts with evidence, sorted by cell, shape (n,) each."""

    cell: IntArray
    low_km: FloatArray
    high_km: FloatArray  # inf: not returned
    new_per_km: FloatArray  # rate of new faults of this vehicle and family
    older: FloatArray  # hazard of a part fitted before, in (low, high]; 0: not returned, or none

    @property
    def returned(self) -> "Windows":
        """Those that came back."""
        return self.part(np.flatnonzero(np.isfinite(self.high_km)))

    def part(self, rows: slice | IntArray) -> "Windows":
        """Pick some of the rows."""
        return Windows(
            self.cell[rows],
            self.low_km[rows],
            self.high_km[rows],
            self.new_per_km[rows],
            self.older[rows],
        )


@dataclass(frozen=True, slots=True)
class Others:
    """Posterior of every cell."""

    nodes: CellNodes
    prior: CellPrior
    weight: FloatArray  # (w, 5, 22), sums to 1 over the last two axes

    @classmethod
    def before(cls, cells: Cells) -> "Others":
        """Return the prior without any data, on common nodes."""
        nodes, prior = CellNodes.common(cells.kind.size), CellPrior.before(cells)
        return cls(nodes, prior, _normalised(prior.log_density(nodes)))

    def fitted(self, windows: Windows, ratio: FloatArray) -> "Others":
        """Fit cells and prior again, on nodes around the last posteriors.

        ``ratio``: of the returned rows, in their order.
        """
        table = _log_likelihood(self.nodes, windows, ratio)
        prior, weight = self.prior, self.weight
        for _ in range(_EM_STEPS):
            weight = _normalised(table + prior.log_density(self.nodes))
            prior = prior.learnt(weight, self.nodes)
        return replace(self, prior=prior, weight=weight)

    def closer(self) -> "Others":
        """Lay the nodes around the posteriors."""
        rho = Moments.of(self.weight.sum(axis=2), self.nodes.log_rho)
        worn = self.weight[:, :, 1:].sum(axis=1) + 1e-300
        worn = (worn / worn.sum(axis=1, keepdims=True)).reshape(-1, N_THETA, N_KAPPA)
        theta = Moments.of(worn.sum(axis=2), self.nodes.log_theta)
        kappa = Moments.of(worn.sum(axis=1), self.nodes.log_kappa)
        return replace(self, nodes=CellNodes.around(rho, theta, kappa))

    def chances(self, returned: Windows, ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Chance of another cause in each return's window, and wear's share of it; shape (r,).

        Each from its cell without the return itself.
        """
        chance, worn = np.empty(ratio.size), np.empty(ratio.size)
        lives = Wear.of(self.nodes)

        def look(chunk: slice) -> None:
            part = returned.part(chunk)
            new, wear = _within(self.nodes, lives, part)
            wear += part.older[:, None]
            b = _chance(new, wear)
            weight = self.weight[part.cell] / (ratio[chunk, None, None] + b)
            weight /= weight.sum(axis=(1, 2), keepdims=True)
            by_node = weight * b
            chance[chunk] = by_node.sum(axis=(1, 2))
            share = wear[:, None, :] / np.maximum(new[:, :, None] + wear[:, None, :], 1e-300)
            worn[chunk] = np.einsum("nrw,nrw->n", by_node, share) / chance[chunk]

        list(_each_chunk(look, ratio.size, _ROWS_AT_ONCE))
        return chance, worn

    def of_part(self, cell: IntArray, from_km: FloatArray, to_km: FloatArray) -> FloatArray:
        """Chance that a part of the cell wears out between two of its ages, shape (n,)."""
        chance = np.empty(cell.size)
        by_life, lives = self.weight.sum(axis=1), Wear.of(self.nodes)
        for chunk in chunks(0, cell.size, _ROWS_AT_ONCE):
            own = cell[chunk]
            wear = lives.hazard(own, to_km[chunk])
            wear -= lives.hazard(own, from_km[chunk])
            chance[chunk] = np.einsum("nw,nw->n", by_life[own], -np.expm1(-wear))
        return chance

    def usual_life(self) -> FloatArray:
        """Km by which half of a cell's parts have worn out, shape (w,); NaN: none known to wear."""
        worn = self.weight[:, :, 1:].sum(axis=1)
        share = worn.sum(axis=1)
        log_theta, kappa = self.nodes.wear
        median = log_theta + np.log(np.log(2)) / kappa
        mean = np.einsum("wk,wk->w", worn, median) / np.maximum(share, 1e-300)
        may = self.prior.cells.wears & (share > _WEARS_RATHER)
        return np.where(may, np.exp(mean), np.nan)


def _within(nodes: CellNodes, lives: Wear, part: Windows) -> tuple[FloatArray, FloatArray]:
    """Hazards inside (low, high]: new (n, 5), wear (n, 22)."""
    width = part.high_km - part.low_km
    wear = lives.hazard(part.cell, part.high_km)
    wear -= lives.hazard(part.cell, part.low_km)
    return new_hazard(nodes, part.cell, part.new_per_km * width), wear


def _chance(new: FloatArray, wear: FloatArray) -> FloatArray:
    """B at every node, shape (n, 5, 22): by a new fault, otherwise by wear."""
    by_new, by_wear = -np.expm1(-new), -np.expm1(-wear)
    chance: FloatArray = (1 - by_new)[:, :, None] * by_wear[:, None, :]
    chance += by_new[:, :, None]
    return np.maximum(chance, _LEAST, out=chance)


def _log_likelihood(nodes: CellNodes, windows: Windows, ratio: FloatArray) -> FloatArray:
    """Log likelihood of cells at their nodes, shape (w, 5, 22)."""
    n_cells = len(nodes.log_rho)
    table = np.zeros((n_cells, N_RHO, N_WEAR))
    known = np.bincount(
        windows.cell, weights=windows.new_per_km * windows.low_km, minlength=n_cells
    )
    worn, lives = np.zeros((n_cells, N_WEAR)), Wear.of(nodes)

    def clean(chunk: slice) -> _Sums:
        cell = windows.cell[chunk]
        return _by_cell(cell, lives.hazard(cell, windows.low_km[chunk]))

    for found, sums in _each_chunk(clean, windows.cell.size, 8 * _ROWS_AT_ONCE):
        worn[found] += sums
    table -= (np.exp(nodes.log_rho) * known[:, None])[:, :, None] + worn[:, None, :]
    returned = windows.returned

    def came_back(chunk: slice) -> _Sums:
        part = returned.part(chunk)
        new, wear = _within(nodes, lives, part)
        logs = np.log(_chance(new, wear + part.older[:, None]) + ratio[chunk, None, None])
        return _by_cell(part.cell, logs)

    for found, sums in _each_chunk(came_back, ratio.size, _ROWS_AT_ONCE):
        table[found] += sums
    return table


def _each_chunk(look: Callable[[slice], _Found], n: int, size: int) -> Iterator[_Found]:
    """Process chunks of rows, two at a time; results come in their order."""
    with ThreadPoolExecutor(_THREADS) as pool:
        yield from pool.map(look, chunks(0, n, size))


def _by_cell(cell: IntArray, values: FloatArray) -> _Sums:
    """Sum rows that follow on each other and are of one cell."""
    starts = np.flatnonzero(np.diff(cell, prepend=-1))
    return cell[starts], np.add.reduceat(values, starts, axis=0)


def _normalised(log_weight: FloatArray) -> FloatArray:
    weight: FloatArray = np.exp(log_weight - log_weight.max(axis=(1, 2), keepdims=True))
    weight /= weight.sum(axis=(1, 2), keepdims=True)
    return weight
