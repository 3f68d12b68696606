"""The prior of cells, before their own returns count: learnt from all the others.

ln rho ~ N(m, .15) by kind of attempt.  A cell's part wears with a share learnt from the others, its
ln theta ~ N(mean + component + brand, .4): a brand that is weak on one component lowers the prior
on the others, and a thin cell is shrunken towards its component and its brand. No cell contributes
to its own prior, and the uncertainty of a few others widens it: in a fleet with one component,
returns must not set the prior that then explains them.
"""

from dataclasses import dataclass, replace

import numpy as np

from afterclear.estimators.arrays.validation import BoolArray, FloatArray, IntArray
from afterclear.estimators.causes.cell_nodes import N_KAPPA, N_THETA, CellNodes

# own judgement; simulated fleets with lifetimes of 20,000 to 150,000 km confirm it
_RHO_SD = 0.15
_RHO_PSEUDO = 10.0  # cells at rho 1
_LIFE_MEAN, _LIFE_MEAN_SD = np.log(90_000.0), 0.8
_LIFE_SD = 0.4  # of a cell around the mean of component and brand
_EFFECT_SD = 0.5  # of a component's, of a brand's effect on ln theta
_KAPPA_MEAN, _KAPPA_SD = np.log(2.5), 0.25
_WEARS_PSEUDO = (1.0, 1.0)  # cells that wear, that do not
# weight of a prior's own spread against one cell's
_FIXED = (_LIFE_SD / _LIFE_MEAN_SD) ** 2
_LEAN = (_LIFE_SD / _EFFECT_SD) ** 2


@dataclass(frozen=True, slots=True)
class Cells:
    """What each cell is, shape (w,) each."""

    component: IntArray
    brand: IntArray
    kind: IntArray
    wears: BoolArray  # a part may have been fitted


@dataclass(frozen=True, slots=True)
class CellPrior:
    """The prior of every cell, shape (w,) each, and the effects it is made of."""

    cells: Cells
    log_rho: FloatArray
    wears: FloatArray  # P(its part wears); 0: none was fitted
    log_theta: FloatArray
    log_theta_sd: FloatArray
    life: float  # mean ln theta over all
    by_component: FloatArray
    by_brand: FloatArray

    @classmethod
    def before(cls, cells: Cells) -> "CellPrior":
        """Return the prior without any data."""
        none = np.zeros(cells.kind.size)
        n_components, n_brands = (
            int(codes.max(initial=-1)) + 1 for codes in (cells.component, cells.brand)
        )
        empty = cls(
            cells, none, none, none, none, _LIFE_MEAN, np.zeros(n_components), np.zeros(n_brands)
        )
        return empty.without_own(none, none, none)

    def log_density(self, nodes: CellNodes) -> FloatArray:
        """Log prior mass at the nodes up to a constant, shape (w, 5, 22)."""
        log_rho_cell, log_life_cell = nodes.log_cell()
        rho = _log_normal(nodes.log_rho, self.log_rho[:, None], _RHO_SD)
        theta = _log_normal(nodes.log_theta, self.log_theta[:, None], self.log_theta_sd[:, None])
        kappa = _log_normal(nodes.log_kappa, _KAPPA_MEAN, _KAPPA_SD)
        life = np.repeat(theta, N_KAPPA, axis=1) + np.tile(kappa, (1, N_THETA))
        with np.errstate(divide="ignore"):  # no part was fitted: no lifetime has any weight
            life += (log_life_cell + np.log(self.wears))[:, None]
        by_life = np.concatenate([np.log1p(-self.wears)[:, None], life], axis=1)
        density: FloatArray = (rho + log_rho_cell[:, None])[:, :, None] + by_life[:, None, :]
        return density

    def learnt(self, weight: FloatArray, nodes: CellNodes) -> "CellPrior":
        """One step of EM from the cells' posteriors, shape (w, 5, 22)."""
        log_rho = np.einsum("wr,wr->w", weight.sum(axis=2), nodes.log_rho)
        worn = weight[:, :, 1:].sum(axis=1)
        total = np.einsum("wk,wk->w", worn, np.repeat(nodes.log_theta, N_KAPPA, axis=1))
        share = worn.sum(axis=1)
        return self._effects(share, total).without_own(log_rho, share, total)

    def _effects(self, share: FloatArray, total: FloatArray) -> "CellPrior":
        """Mean, components and brands in turn, each given the others.

        ``share``: P(a cell's part wears); ``total``: that times its mean ln theta.
        """
        cells = self.cells
        rest = self.by_component[cells.component] + self.by_brand[cells.brand]
        away = (total - share * rest).sum() + _FIXED * _LIFE_MEAN
        found = replace(self, life=float(away / (share.sum() + _FIXED)))
        away = total - share * (found.mean - self.by_component[cells.component])
        found = replace(
            found, by_component=_effect(cells.component, away, share, self.by_component)
        )
        away = total - share * (found.mean - self.by_brand[cells.brand])
        return replace(found, by_brand=_effect(cells.brand, away, share, self.by_brand))

    @property
    def mean(self) -> FloatArray:
        """Ln theta by the effects, the cell's own part in them, shape (w,)."""
        cells = self.cells
        mean: FloatArray = (
            self.life + self.by_component[cells.component] + self.by_brand[cells.brand]
        )
        return mean

    def without_own(self, log_rho: FloatArray, share: FloatArray, total: FloatArray) -> "CellPrior":
        """Remove each cell from its own effects, and widen by the uncertainty that remains."""
        cells = self.cells
        summed = np.bincount(cells.kind, log_rho)[cells.kind] - log_rho
        others = np.bincount(cells.kind)[cells.kind] - 1
        n_may = cells.wears.sum() - 1
        wears = (share.sum() - share + _WEARS_PSEUDO[0]) / (n_may + sum(_WEARS_PSEUDO))
        away, mean = total - share * self.mean, np.zeros(share.size)
        variance = np.full(share.size, _LIFE_SD**2)
        all_ = np.zeros_like(cells.kind)
        for codes, effect, lean, sd in (
            (all_, np.array([self.life]), _FIXED, _LIFE_MEAN_SD),
            (cells.component, self.by_component, _LEAN, _EFFECT_SD),
            (cells.brand, self.by_brand, _LEAN, _EFFECT_SD),
        ):
            weight = np.bincount(codes, share)[codes] - share + lean
            mean += effect[codes] - away / weight
            variance += sd**2 * lean / weight
        return replace(
            self,
            log_rho=summed / (others + _RHO_PSEUDO),
            wears=np.where(cells.wears, np.clip(wears, 0.0, 0.999), 0.0),
            log_theta=mean,
            log_theta_sd=np.sqrt(variance),
        )


def _effect(codes: IntArray, away: FloatArray, share: FloatArray, before: FloatArray) -> FloatArray:
    top, bottom = (np.bincount(codes, row, before.size) for row in (away, share))
    effect: FloatArray = top / (bottom + _LEAN)
    return effect


def _log_normal(value: FloatArray, mean: FloatArray | float, sd: FloatArray | float) -> FloatArray:
    density: FloatArray = -0.5 * ((value - mean) / sd) ** 2 - np.log(sd * np.sqrt(2 * np.pi))
    return density
