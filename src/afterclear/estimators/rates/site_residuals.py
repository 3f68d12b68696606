"""Whose fixes fail: what each attempt's evidence says of it, against what others' work let expect.

With p the share of its group that fails and P = P(failed | all that was seen), r = P - p has mean 0
whatever the scans were, and whatever wear and new faults did: they are in P already.  Summed over
a site it is the score of the site's own effect on the log odds of failing.

A site's own work is left out of what is expected of it, by a closed form and not by refitting:
the pooled model learned from that work, and the larger the site, the less its faults would show.
Sites answer for repairs, and for come-backs that are likelier failures than wear or new faults;
the test is of P(failed) against the others' share, its variance that of sums over vehicles.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from afterclear.estimators.arrays.ragged import cells_of, group_sums
from afterclear.estimators.arrays.validation import (
    BoolArray,
    FloatArray,
    IntArray,
    check_same_shape,
)
from afterclear.estimators.rates.case_mix import Pooled
from afterclear.estimators.rates.rates import benjamini_hochberg

_LEAST_SHARE = 1e-4
_PSEUDO_FAILED, _PSEUDO_ATTEMPTS = 1.0, 4.0  # of a stratum nobody else works in


@dataclass(frozen=True, slots=True)
class SiteResiduals:
    """Test of each site, shape (n_sites,); NaN: too few attempts to tell."""

    log_odds: FloatArray  # of failing, against the others; one step of Newton
    p_value: FloatArray  # two-sided
    q_value: FloatArray


def shares_without_own(pooled: Pooled, p_failed: FloatArray, site: IntArray) -> FloatArray:
    """Share of each attempt's group that fails as the other sites' work tells, shape (n,).

    ``p_failed``: P(failed | all that was seen), under the group's share; the same where nothing
    was.  A beta prior whose mean is the others' in the stratum, and the others' expected failures,
    each moved with the share by what its evidence leaves open: dP/dp = P (1 - P) / (p (1 - p)).
    """
    check_same_shape(p_failed=p_failed, site=site, group=pooled.group)
    share = _inside(pooled.share_failed)
    open_ = p_failed * (1 - p_failed) / (share * (1 - share))
    fixed = p_failed - share * open_
    # n, failures that do not move with the share, and how much moves, of all but the site's own
    n, known, moves = _rest(pooled.stratum, site, (np.ones(site.size), fixed, open_))
    mean = (_PSEUDO_FAILED + known) / np.maximum(_PSEUDO_ATTEMPTS + n - moves, 1.0)
    n, known, moves = _rest(pooled.group, site, (np.ones(site.size), fixed, open_))
    weight = pooled.prior_weight
    found = (weight * _inside(mean) + known) / np.maximum(weight + n - moves, _LEAST_SHARE)
    return _inside(found)


def site_residuals(
    pooled: Pooled,
    p_failed: FloatArray,
    without_own: FloatArray,
    holders: tuple[IntArray, IntArray],
    enough: BoolArray,
) -> SiteResiduals:
    """Test each site against the others.

    ``without_own``: from ``shares_without_own``.  ``holders``: site and vehicle of each attempt;
    work on one vehicle is not independent, so the variance is that of sums over vehicles.
    ``enough``: which sites are tested, shape (n_sites,).
    """
    site, vehicle = holders
    moved = special.logit(_inside(p_failed)) + special.logit(without_own)
    moved -= special.logit(_inside(pooled.share_failed))
    p_moved = special.expit(moved)
    residual = p_moved - without_own
    n_sites = enough.size
    score = group_sums(residual, site, n_sites)
    # Var P = p (1 - p) - E[P (1 - P)] if the site is like the others; r^2 would grow with its own
    informed = without_own * (1 - without_own) - p_moved * (1 - p_moved)
    size = group_sums(informed, site, n_sites)
    spread = size * _design_effect(residual, site, vehicle)
    known = enough & (spread > _LEAST_SHARE)
    z = score / np.sqrt(np.where(known, spread, 1.0))
    p_value = np.where(known, 2 * special.ndtr(-np.abs(z)), np.nan)
    log_odds = np.where(known, score / np.where(known, size, 1.0), np.nan)
    return SiteResiduals(log_odds, p_value, benjamini_hochberg(p_value))


def _design_effect(residual: FloatArray, site: IntArray, vehicle: IntArray) -> float:
    """How much more sums over vehicles spread than independent attempts would; 1 or more.

    From the whole fleet, a site has few vehicles; sites' own means are taken out, so that a bad
    site does not hide itself.
    """
    some = residual != 0
    n_sites = int(site.max(initial=-1)) + 1
    n = group_sums(some.astype(np.float64), site, n_sites)
    mean = group_sums(residual, site, n_sites) / np.maximum(n, 1.0)
    away = np.where(some, residual - mean[site], 0.0)
    cell, first = cells_of(site, vehicle)
    alone = float(away @ away)
    together = float((group_sums(away, cell, first.size) ** 2).sum())
    return max(1.0, together / alone) if alone > 0 else 1.0


def _inside(share: FloatArray) -> FloatArray:
    return np.clip(share, _LEAST_SHARE, 1 - _LEAST_SHARE)


def _rest(group: IntArray, site: IntArray, rows: tuple[FloatArray, ...]) -> tuple[FloatArray, ...]:
    """Sum over each attempt's group at all sites but its own."""
    cell, _ = cells_of(group, site)
    n_groups, n_cells = int(group.max(initial=-1)) + 1, int(cell.max(initial=-1)) + 1
    return tuple(
        group_sums(row, group, n_groups)[group] - group_sums(row, cell, n_cells)[cell]
        for row in rows
    )
