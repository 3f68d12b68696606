"""What sort of work a site had: factors on expected come-backs for platform, age and the like.

A pooled model that knows family and kind of attempt still expects too little of an old platform.
Such a cell's factor is told from all sites together, each site's own factor divided out, so that
a bad site does not make the platform it happens to work on look bad, nor the other way round.
"""

import numpy as np
from numpy.typing import ArrayLike

from afterclear.analyses.checks import (
    FloatArray,
    IntArray,
    as_floats,
    as_groups,
    check_finite,
    check_non_negative,
    check_same_shape,
)
from afterclear.analyses.ragged import group_sums
from afterclear.analyses.rates import shrunken_rates

_ROUNDS = 50
_SETTLED = 1e-6  # relative change of a factor: far below what a count of events can tell


def case_mix_factors(
    cell: IntArray, site: IntArray, returned: ArrayLike, expected: ArrayLike
) -> FloatArray:
    """Factor on what is expected of each attempt for its cell, shape (n_attempts,).

    ``cell``, ``site``: numbers; ``returned``, ``expected`` as in ``site_ratios``; all of shape
    (n_attempts,).  Observed over expected of each cell with sites' factors in the expectation,
    drawn towards the mean of cells by what it is worth (``shrunken_rates``), and of each site
    with cells' factors in it, in turn until neither moves.  Multiplied out, expected come-backs
    add up to the observed ones over all attempts no better and no worse than before.
    """
    cells, sites = as_groups("cell", cell), as_groups("site", site)
    came, chance = as_floats("returned", returned), as_floats("expected", expected)
    check_same_shape(cell=cells, site=sites, returned=came, expected=chance)
    for name, values in (("returned", came), ("expected", chance)):
        check_finite(name, values)
        check_non_negative(name, values)
    if not chance.sum() > 0 or not came.sum() > 0:
        return np.ones(chance.size)
    by_cell, by_site = np.ones(int(cells.max()) + 1), np.ones(int(sites.max()) + 1)
    for _ in range(_ROUNDS):
        before = by_cell
        by_site = _shrunken_ratio(sites, came, chance * by_cell[cells], by_site.size)
        by_cell = _shrunken_ratio(cells, came, chance * by_site[sites], by_cell.size)
        if np.abs(by_cell / before - 1).max() < _SETTLED:
            break
    factor = by_cell[cells]
    return np.asarray(factor * chance.sum() / (chance @ factor))


def _shrunken_ratio(
    group: IntArray, came: FloatArray, chance: FloatArray, n_groups: int
) -> FloatArray:
    """Posterior mean of observed over expected of each group, 1 on average."""
    observed, expected = (group_sums(row, group, n_groups) for row in (came, chance))
    some = expected > 0
    ratio = np.ones(n_groups)
    ratio[some] = shrunken_rates(np.where(some, observed, 0.0)[some], expected[some]).mean()
    return np.asarray(ratio * expected.sum() / (ratio @ expected))
