"""Counts of onsets some of which only follow from the one before: failed fixes that return."""

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from afterclear.estimators.arrays.counts import binomial_chance
from afterclear.estimators.arrays.validation import (
    FloatArray,
    as_floats,
    check_non_negative,
    check_same_shape,
)


def chained_excess_p(
    count: ArrayLike, expected: ArrayLike, return_share: ArrayLike, *, mid_p: bool = True
) -> FloatArray:
    """P(as many onsets as ``count`` or more) where a share of all onsets are returns, shape (n,).

    ``expected``: onsets expected, returns among them.  ``return_share``: chance that an onset is
    followed by a return of the same fault, in [0, 1).  New faults are Poisson, each brings a
    geometric number of onsets, so that n onsets hold 1 + Binomial(n - 1, 1 - share) new ones:

        P(N >= n) = sum_j Binomial(j; n - 1, 1 - share) P(Poisson(expected (1 - share)) > j)

    Without returns it is the Poisson's own.  ``mid_p``: the count itself goes in with half its
    probability.

    Reference: Polya-Aeppli distribution, Johnson, Kemp & Kotz 2005, Univariate Discrete
    Distributions, 9.7 (from memory).

    """
    counts, means = as_floats("count", count), as_floats("expected", expected)
    shares = as_floats("return_share", return_share)
    check_same_shape(count=counts, expected=means, return_share=shares)
    for name, values in (("count", counts), ("expected", means), ("return_share", shares)):
        check_non_negative(name, values)
    if np.any(shares >= 1):
        raise ValueError("return_share is below 1: a chain of returns has an end")
    above = _at_least(counts, means, shares)
    if not mid_p:
        return above
    return (above + _at_least(counts + 1, means, shares)) / 2


def _at_least(counts: FloatArray, means: FloatArray, shares: FloatArray) -> FloatArray:
    found = np.where(counts > 0, 0.0, 1.0)
    for new_before in range(int(counts.max(initial=0))):
        rows = np.flatnonzero(counts > new_before)
        # the binomial of n - 1 onsets after the first, of which so many are new
        weight = binomial_chance(new_before, counts[rows] - 1, 1 - shares[rows])
        found[rows] += weight * special.gammainc(new_before + 1, (means * (1 - shares))[rows])
    return np.asarray(np.minimum(found, 1.0), dtype=np.float64)


def variance_factor(return_share: ArrayLike) -> FloatArray:
    """How many times the Poisson's the variance of such a count is, shape (n,)."""
    shares = as_floats("return_share", return_share)
    return np.asarray((1 + shares) / (1 - shares), dtype=np.float64)
