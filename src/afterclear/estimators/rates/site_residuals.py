"""Whose fixes fail: each attempt's evidence, against what others' work lets expect.

With p the share of its group that fails and P = P(failed | all that was seen), r = P - p has mean 0
whatever the scans were, and whatever wear and new faults there were: they are in P already.  Summed
over a site it is the score of the site's own effect on the log odds of failing.

A site's own work is left out of what is expected of it, by a closed form and not by refitting:
the pooled model learned from that work, and the larger the site, the less its faults would show.
Sites answer for repairs, and for come-backs that are likelier failures than wear or new faults;
the test is of P(failed) against the others' share, its variance that of sums over vehicles and
of what the others' share is not known to.
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
_Q_BELOW = 0.05  # a site stands out
_ROUNDS = 3
_PSEUDO_FAILED, _PSEUDO_ATTEMPTS = 1.0, 4.0  # of a stratum nobody else works in


@dataclass(frozen=True, slots=True)
class SiteResiduals:
    """Test of each site, shape (n_sites,); NaN: too few attempts for a test."""

    log_odds: FloatArray  # of failing, against the others; one step of Newton
    p_value: FloatArray  # two-sided
    q_value: FloatArray
    expected: FloatArray  # (n,) share of each attempt's group that fails at the others


@dataclass(frozen=True, slots=True)
class _Others:
    """What the other sites show about each attempt's group, shape (n,)."""

    share: FloatArray
    left_out: BoolArray  # (n_sites,) sites that are not among them


def site_residuals(
    pooled: Pooled, p_failed: FloatArray, groups: tuple[IntArray, IntArray], enough: BoolArray
) -> SiteResiduals:
    """Test each site against the others, and again without those that stand out.

    ``p_failed``: P(failed | all that was seen), under the group's share.  ``groups``: site and
    vehicle of each attempt; work on one vehicle is not independent, so the variance is that of
    sums over vehicles.  ``enough``: which sites are tested, shape (n_sites,).

    One bad site among the others makes ordinary sites look good: from the second round on, sites
    that stand out are not among the others.
    """
    site, vehicle = groups
    n = np.bincount(site, minlength=enough.size)
    left_out = np.zeros(enough.size, dtype=np.bool_)
    for _ in range(_ROUNDS):
        others = _Others(shares_without_own(pooled, p_failed, site, left_out), left_out)
        found = _tested(pooled, p_failed, others, (site, vehicle), enough)
        left_out = _standing_out(found, n)
        if np.array_equal(left_out, others.left_out):
            break
    return found


def _standing_out(found: SiteResiduals, n: IntArray) -> BoolArray:
    """Choose the surest of the sites that stand out: two sites and half the work stay."""
    order = np.argsort(np.nan_to_num(found.p_value, nan=1.0), kind="stable")[: n.size - 2]
    some = np.cumsum(n[order]) < n.sum() / 2
    left_out = np.zeros(n.size, dtype=np.bool_)
    left_out[order[some & (np.nan_to_num(found.q_value[order], nan=1.0) < _Q_BELOW)]] = True
    return left_out


def shares_without_own(
    pooled: Pooled, p_failed: FloatArray, site: IntArray, left_out: BoolArray | None = None
) -> FloatArray:
    """Share of each attempt's group that fails from the other sites' work, shape (n,).

    ``p_failed``: P(failed | all that was seen), under the group's share; the same where nothing
    was.  ``left_out``: sites that are not among the others.  A beta prior whose mean is the
    others' in the stratum, and the others' expected failures, each moved with the share by what
    its evidence leaves open: dP/dp = P (1 - P) / (p (1 - p)).
    """
    check_same_shape(p_failed=p_failed, site=site, group=pooled.group)
    share = _inside(pooled.share_failed)
    open_ = p_failed * (1 - p_failed) / (share * (1 - share))
    # n, failures that do not move with the share, and how much moves, of all but the site's own
    kept = np.ones(site.size) if left_out is None else (~left_out[site]).astype(np.float64)
    rows = (kept, kept * (p_failed - share * open_), kept * open_)
    n, known, moves = _rest(pooled.stratum, site, rows)
    mean = (_PSEUDO_FAILED + known) / np.maximum(_PSEUDO_ATTEMPTS + n - moves, 1.0)
    n, known, moves = _rest(pooled.group, site, rows)
    weight = pooled.prior_weight
    found = (weight * _inside(mean) + known) / np.maximum(weight + n - moves, _LEAST_SHARE)
    return _inside(found)


def _tested(
    pooled: Pooled,
    p_failed: FloatArray,
    others: _Others,
    groups: tuple[IntArray, IntArray],
    enough: BoolArray,
) -> SiteResiduals:
    site, vehicle = groups
    moved = special.logit(_inside(p_failed)) + special.logit(others.share)
    moved -= special.logit(_inside(pooled.share_failed))
    p_moved = special.expit(moved)
    residual = p_moved - others.share
    n_sites = enough.size
    score = group_sums(residual, site, n_sites)
    # Var P = p (1 - p) - E[P (1 - P)] if the site is like the others; r^2 would grow with its own
    informed = others.share * (1 - others.share) - p_moved * (1 - p_moved)
    size = group_sums(informed, site, n_sites)
    spread = size + _spread_of_shares(pooled, others, informed, site)
    spread *= _design_effect(residual, site, vehicle)
    known = enough & (spread > _LEAST_SHARE)
    z = score / np.sqrt(np.where(known, spread, 1.0))
    p_value = np.where(known, 2 * special.ndtr(-np.abs(z)), np.nan)
    log_odds = np.where(known, score / np.where(known, size, 1.0), np.nan)
    return SiteResiduals(log_odds, p_value, benjamini_hochberg(p_value), others.share)


def _spread_of_shares(
    pooled: Pooled, others: _Others, informed: FloatArray, site: IntArray
) -> FloatArray:
    """Variance of each site's score for what the others' shares are not known to, (n_sites,).

    The more of a group's work is the site's own, the less the others show: p (1 - p) m^2 / (w + M),
    m and M the attempts of the site and of the others by what their evidence is worth, w the
    prior's.  Left out, of 480 sites that were alike 38 had p below .05, and 31 so (nominal 24).
    """
    variance = others.share * (1 - others.share)
    worth = np.maximum(informed / variance, 0.0)
    cell, first = cells_of(pooled.group, site)
    own = group_sums(worth, cell, first.size)
    kept = np.where(others.left_out[site], 0.0, worth)
    (rest,) = _rest(pooled.group, site, (kept,))
    added = variance[first] * own**2 / (pooled.prior_weight + np.maximum(rest, 0.0))[first]
    return group_sums(added, site[first], others.left_out.size)


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
