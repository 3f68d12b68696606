"""What to expect of a site's work: from other sites, on vehicles like its own.

A pooled model learned what it expects of a component partly from the site to be judged; the more of
the work is its own, the less its failures would show (``site_residuals.shares_without_own`` takes
that share out again).  And a model that knows component and kind of attempt still expects too
little of an old platform: ``case_mix_factors`` estimates such factors over all sites, with each
site's own factor divided out, so that a bad site does not make its platform look bad.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from afterclear.estimators.arrays.ragged import group_sums
from afterclear.estimators.arrays.validation import (
    BoolArray,
    FloatArray,
    IntArray,
    as_floats,
    as_groups,
    check_finite,
    check_non_negative,
    check_same_shape,
)
from afterclear.estimators.rates.rates import shrunken_rates

_ROUNDS = 30
_SETTLED = 1e-4  # relative change of a factor: far below what counts of events can show


def case_mix_factors(
    traits: Sequence[IntArray], site: IntArray, returned: ArrayLike, expected: ArrayLike
) -> FloatArray:
    """Factor on what is expected of each attempt for its traits, shape (n_attempts,).

    ``traits``: numbers of an attempt's cell by each trait (kind of work, platform, ...), one
    array a trait; ``site``: its number; ``returned``, ``expected`` as in ``site_ratios``; all of
    shape (n_attempts,).  A cell's factor is observed over expected with all other factors, the
    sites' among them, in the expectation, drawn towards 1 by what it is worth
    (``shrunken_rates``); each in turn until none moves.  The sum over all attempts stays.
    """
    sites = as_groups("site", site)
    keys = [as_groups("traits", cells) for cells in traits]
    came, chance = as_floats("returned", returned), as_floats("expected", expected)
    check_same_shape(site=sites, returned=came, expected=chance)
    for cells in keys:
        check_same_shape(traits=cells, site=sites)
    for name, values in (("returned", came), ("expected", chance)):
        check_finite(name, values)
        check_non_negative(name, values)
    if not chance.sum() > 0 or not came.sum() > 0:
        return np.ones(chance.size)
    keys.append(sites)
    factors = [np.ones(chance.size) for _ in keys]
    for _ in range(_ROUNDS):
        moved = 0.0
        for number, cells in enumerate(keys):
            others = chance * np.prod([*factors[:number], *factors[number + 1 :]], axis=0)
            found = _shrunken_ratio(cells, came, others)[cells]
            moved = max(moved, float(np.abs(found / factors[number] - 1).max()))
            factors[number] = found
        if moved < _SETTLED:
            break
    factor = np.prod(factors[:-1], axis=0)
    return np.asarray(factor * chance.sum() / (chance @ factor))


def _shrunken_ratio(group: IntArray, came: FloatArray, chance: FloatArray) -> FloatArray:
    """Posterior mean of observed over expected of each group, 1 on average."""
    n_groups = int(group.max(initial=0)) + 1
    observed, expected = (group_sums(row, group, n_groups) for row in (came, chance))
    some = expected > 0
    ratio = np.ones(n_groups)
    if some.sum() > 1:
        ratio[some] = shrunken_rates(observed[some], expected[some]).mean()
    return np.asarray(ratio * expected.sum() / (ratio @ expected))


@dataclass(frozen=True, slots=True)
class Pooled:
    """The fit's estimate of each attempt's group, arrays of shape (n_attempts,)."""

    group: IntArray
    stratum: IntArray
    share_failed: FloatArray  # posterior mean of its group
    prior_share: FloatArray  # of its stratum
    prior_weight: FloatArray  # in attempts: a + b of the beta prior

    def part(self, rows: BoolArray) -> "Pooled":
        """Pick some of the rows."""
        return Pooled(
            self.group[rows],
            self.stratum[rows],
            self.share_failed[rows],
            self.prior_share[rows],
            self.prior_weight[rows],
        )


def expected_beside(
    pooled: Pooled, site: IntArray, returned: ArrayLike, expected: ArrayLike, ratio: FloatArray
) -> FloatArray:
    """Return each attempt's expectation as the average over sites, shape (n_attempts,).

    For comparing sites inside strata (``separated_ratios``): one yardstick for all, in which each
    group's share is estimated with every site's own ``ratio``, shape (n_sites,), divided out.
    """
    came, chance = as_floats("returned", returned), as_floats("expected", expected)
    sites, group = as_groups("site", site), pooled.group
    check_same_shape(site=sites, returned=came, expected=chance, group=group)
    n_groups = int(group.max(initial=-1)) + 1
    seen = group_sums(came, group, n_groups)[group]
    n_expected = group_sums(chance * ratio[sites], group, n_groups)[group]
    events = pooled.prior_share * pooled.prior_weight
    return np.asarray(
        chance * (events + seen) / (pooled.share_failed * pooled.prior_weight + n_expected)
    )
