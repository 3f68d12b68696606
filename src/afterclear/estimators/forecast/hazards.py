"""How often components fail per km of each cell of age, and how well that is known.

A component's rate in a cell is the fleet's rate of the cell, times how much more often the
component fails in that state, times what is its own in the cell: each drawn towards the one before
as far as the fleet's components are alike (gamma-Poisson, ``rates.shrunken_rates``).
"""

from dataclasses import dataclass

import numpy as np

from afterclear.estimators.arrays.validation import FloatArray
from afterclear.estimators.forecast.past import BEGINS, N_CELLS, OFFSETS, STATES, Sums
from afterclear.estimators.rates.rates import shrunken_rates

_LEANS = 1.0  # failure's worth of the band before (own judgement)
# with hardly a failure in a state: half of one more in this distance (own judgement)
_PSEUDO, _PSEUDO_KM = 0.5, 100_000.0


@dataclass(frozen=True, slots=True)
class Hazards:
    """Failures per km, (n_components, N_CELLS), and what their errors have in common."""

    per_km: FloatArray
    own_sd: FloatArray  # relative, of what is a cell's own
    of_component: FloatArray  # share of an error of the component's factor that a cell has
    component_sd: FloatArray  # relative, (n_components, n_states)
    of_fleet: FloatArray  # share of an error of the fleet's cell that a component's cell has
    fleet_sd: FloatArray  # relative, (N_CELLS,)

    def variance(self, expected: FloatArray) -> tuple[FloatArray, float]:
        """Variance of expected failures from what is not known of the rates.

        ``expected``: by component and cell. Gives that of each component, (n_components,), and of
        their sum.
        """
        own = ((expected * self.own_sd) ** 2).sum(axis=1)
        shared = np.zeros(own.size)
        for state in range(len(STATES)):
            cells = slice(OFFSETS[state], OFFSETS[state + 1])
            moved = (expected[:, cells] * self.of_component[:, cells]).sum(axis=1)
            shared += (moved * self.component_sd[:, state]) ** 2
        moved = expected * self.of_fleet
        of_each = own + shared + ((moved * self.fleet_sd) ** 2).sum(axis=1)
        together = own.sum() + shared.sum() + ((moved.sum(axis=0) * self.fleet_sd) ** 2).sum()
        return of_each, float(together)

    def cumulated(self) -> FloatArray:
        """Failures expected up to the begin of each band, from age 0: (n_components, N_CELLS)."""
        found = np.zeros_like(self.per_km)
        for state, edges in enumerate(STATES):
            first, last = OFFSETS[state], OFFSETS[state + 1]
            steps = self.per_km[:, first : last - 1] * np.diff(edges)
            found[:, first + 1 : last] = np.cumsum(steps, axis=1)
        return found

    def up_to(self, state: int, age_km: FloatArray) -> FloatArray:
        """Failures expected of a unit up to some ages, (n_components, n)."""
        cell = OFFSETS[state] + np.searchsorted(STATES[state], age_km, side="right") - 1
        found: FloatArray = self.per_km[:, cell] * (age_km - BEGINS[cell])
        found += self.cumulated()[:, cell]
        return found


def fit_hazards(sums: Sums) -> Hazards:
    """Estimate the rates of all components and cells."""
    n_components = sums.n.shape[0]
    # what fails in its first km has hardly gone any
    km = np.maximum(sums.km, np.where(sums.n > 0, 1.0, 0.0))
    n_cell, km_cell = sums.n.sum(axis=0), km.sum(axis=0)
    found = np.zeros((4, n_components, N_CELLS))
    component_sd = np.zeros((n_components, len(STATES)))
    fleet = np.zeros(N_CELLS)
    for state in range(len(STATES)):
        cells = slice(OFFSETS[state], OFFSETS[state + 1])
        fleet[cells] = _by_band(n_cell[cells], km_cell[cells])
        expected = km[:, cells] * fleet[cells]
        factor, shape, leans = _drawn(sums.n[:, cells].sum(axis=1), expected.sum(axis=1))
        component_sd[:, state] = 1 / np.sqrt(shape)
        expected *= factor[:, None]
        own, own_shape, own_leans = (
            each.reshape(n_components, -1)
            for each in _drawn(sums.n[:, cells].ravel(), expected.ravel())
        )
        rate = fleet[cells] * factor[:, None] * own
        # what leans on something adds up to what was seen all the same
        n_seen, n_told = sums.n[:, cells].sum(), (rate * km[:, cells]).sum()
        found[0][:, cells] = rate * (n_seen + _PSEUDO) / (n_told + _PSEUDO)
        found[1][:, cells] = 1 / np.sqrt(own_shape)
        found[2][:, cells] = own_leans
        found[3][:, cells] = own_leans * leans[:, None]
    return Hazards(
        per_km=found[0],
        own_sd=found[1],
        of_component=found[2],
        component_sd=component_sd,
        of_fleet=found[3],
        fleet_sd=1 / np.sqrt(n_cell + 1.0),
    )


def _by_band(n: FloatArray, km: FloatArray) -> FloatArray:
    """Rates of the whole fleet by band of age; each leans on the one before by one failure.

    Ages that hardly any unit has reached say little: they go on as the band before them.
    """
    found = np.zeros(n.size)
    before = (n.sum() + _PSEUDO) / (km.sum() + _PSEUDO_KM)
    for band in range(n.size):
        before = found[band] = (n[band] + _LEANS) / (km[band] + _LEANS / before)
    return found


def _drawn(count: FloatArray, expected: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Factor on what is expected, the shape of its gamma, and how far it leans on that; (n,)."""
    ones = np.ones(count.size)
    if not (expected.sum() > 0 and count.sum() > 0):
        return ones, np.full(count.size, np.inf), ones
    found = shrunken_rates(count, expected) if is_spread_seen(count, expected) else None
    if found is None or not found.has_spread:
        return ones, np.full(count.size, np.inf), ones
    factor = (found.a + count) / (found.a + expected)
    return factor, found.a + count, found.a / (found.a + expected)


def is_spread_seen(count: FloatArray, expected: FloatArray) -> bool:
    """Whether counts differ by more than Poisson numbers of the same sum, expected as told.

    Where they do not, the likelihood falls from no spread on (its slope there; for equal units
    Levin and Reeds 1977, Annals of Statistics 5(1), 79-87, from memory), and a fit that would find
    none costs most of a small fleet's forecast.
    """
    mean = expected * count.sum() / expected.sum()
    return bool(((count - mean) ** 2 - count).sum() > 0)
