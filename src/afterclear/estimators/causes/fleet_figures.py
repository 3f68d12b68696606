"""The few figures that describe a fleet, and what they say of its components, brands and cells.

How often repairs and bare clears fail, how far on, how long parts last and whether they wear at
all: a small fleet leaves all of it open, and a late return is a failed fix under some of these
figures, a worn part under others.  So none is plugged in: chances are averaged over draws of the
figures, each weighed by how likely it makes everything that was seen (``fleet_average``).

Every prior here is own judgement, and none was fitted to the simulated laws.  Odds of failing of
bare clears are within a factor of 2.7, those of repairs of 2: 8 to 57 % of them fail.  Of all
repairs at dealers 12 % were not right the first time (U.S. Customer Service Index Study 2025, as
quoted by others), of body repairs 5 to 22 % came back, by their price (claims of 2020, as quoted);
a fault with a code is the harder kind.  The middle distance of failures is anywhere in the span
within which a return counts as a failed fix at all, on a log scale: no more is known of it
beforehand.  Lives of parts are within a factor of 2 around 80,000 km.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

from afterclear.estimators.arrays.validation import FloatArray
from afterclear.estimators.causes.figure_draws import weighted_draws
from afterclear.estimators.fix_held.grid import N_ETA, N_SHAPE, Nodes

# worlds: some fixes fail, none does, all do; chances beforehand
WORLD_BEFORE: FloatArray = np.array([0.85, 0.1, 0.05])
# Mean and sd of: ln odds of failing of repairs and of bare clears, ln of their spread over
# components, the middle scale of failures as the normal value of its place in the span, ln of its
# spread, ln of the middle life of parts, ln odds that parts wear at all, and ln of how much more
# often new faults come after work.
_MEAN: FloatArray = np.array([-1.1, 0.0, np.log(0.7), 0.0, np.log(0.5), np.log(80_000.0), 2.0, 0.0])
_SD: FloatArray = np.array([0.7, 1.0, 0.4, 1.0, 0.4, 0.7, 1.5, 0.3])
_SPREAD, _ETA, _ETA_SD, _LIFE, _WEAR, _AGAIN, _BRANDS = 2, 3, 4, 5, 6, 7, 8
_BRAND_SD = 0.6  # of ln life
_LOG_SHAPES: FloatArray = np.log(np.tile([0.25, 0.5, 0.25], N_ETA))

# Nodes of a cell: lifetimes, each with some shapes of wear, beside a part that does not wear; and
# factors on the rate of new faults
_CELL_SD = 0.5  # of a cell's ln life around those of the fleet and its brand
_LOG_LIVES: FloatArray = np.linspace(np.log(4_000.0), np.log(400_000.0), 10)
_KAPPA, _KAPPA_SD = np.log(2.5), 0.25
_THREE: FloatArray = np.array([-1.2, 0.0, 1.2])
_LOG_THREE: FloatArray = special.log_softmax(-0.5 * _THREE**2)
LOG_THETA: FloatArray = np.repeat(_LOG_LIVES, _THREE.size)
KAPPA: FloatArray = np.exp(np.tile(_KAPPA + _KAPPA_SD * _THREE, _LOG_LIVES.size))
_LOG_KAPPA: FloatArray = np.tile(_LOG_THREE, _LOG_LIVES.size)
LOG_RHO: FloatArray = np.linspace(-1.0, 1.0, 5)
_RHO_SD = 0.2  # of a cell's ln rho around the fleet's, beside that of the rate itself


@dataclass(frozen=True, slots=True)
class CellKind:
    """What the lifetimes and new faults of a cell depend on."""

    brand: int  # its brand's place among those with figures of their own; -1: it has none
    shift: float  # effect of a brand that has none
    wears: bool
    new_log_sd: float  # of the ln of its rate of new faults


@dataclass(frozen=True, slots=True)
class Figures:
    """Draws of a fleet's figures."""

    values: FloatArray  # (h, 7 + brands)

    def log_shares(self, kind: int, nodes: Nodes) -> FloatArray:
        """Log weight of each share of failures; kind 0: repairs, 1: bare clears; (h, 28)."""
        p = nodes.p[0]
        away = (special.logit(p) - self.values[:, kind, None]) / self._exp(_SPREAD)
        # dp = 2 sqrt(p (1 - p)) d angle
        found: FloatArray = special.log_softmax(-0.5 * away**2 - 0.5 * np.log(p * (1 - p)), axis=1)
        return found

    def log_curves(self, nodes: Nodes) -> FloatArray:
        """Log weight of each curve of failures, shape (h, 39)."""
        least, most = nodes.log_eta[0, [0, -1]]
        middle = least + (most - least) * special.ndtr(self.values[:, _ETA, None])
        away = (np.repeat(nodes.log_eta[0], N_SHAPE) - middle) / self._exp(_ETA_SD)
        found: FloatArray = special.log_softmax(-0.5 * away**2 + _LOG_SHAPES, axis=1)
        return found

    def lives(self, cell: CellKind) -> FloatArray:
        """Weight of each lifetime and factor of new faults of a cell, shape (h, 5 or 155)."""
        sd = np.hypot(_RHO_SD, cell.new_log_sd)
        away = (LOG_RHO - self.values[:, _AGAIN, None]) / sd
        rho: FloatArray = special.softmax(-0.5 * away**2, axis=1)
        if not cell.wears:
            return rho
        mean = self.values[:, _LIFE, None] + cell.shift
        if cell.brand >= 0:
            mean = mean + self.values[:, _BRANDS + cell.brand, None]
        life = special.softmax(-0.5 * ((LOG_THETA - mean) / _CELL_SD) ** 2 + _LOG_KAPPA, axis=1)
        wear = special.expit(self.values[:, _WEAR, None])
        each = np.concatenate([1 - wear, wear * life], axis=1)
        by_node: FloatArray = (each[:, :, None] * rho[:, None, :]).reshape(len(each), -1)
        return by_node

    def _exp(self, column: int) -> FloatArray:
        found: FloatArray = np.exp(self.values[:, column, None])
        return found


def averaged_figures(
    n_brands: int, log_evidence: Callable[[Figures], FloatArray]
) -> tuple[Figures, FloatArray]:
    """Draws of the figures and their weights, shape (h,), which sum to 1.

    ``log_evidence``: of each draw and world, shape (3, h).
    """

    def log_likelihood(values: FloatArray) -> FloatArray:
        by_world = log_evidence(Figures(values)) + np.log(WORLD_BEFORE)[:, None]
        found: FloatArray = special.logsumexp(by_world, axis=0)
        return found

    mean = np.append(_MEAN, np.zeros(n_brands))
    sd = np.append(_SD, np.full(n_brands, _BRAND_SD))
    values, weight = weighted_draws(mean, sd, log_likelihood)
    return Figures(values), weight
