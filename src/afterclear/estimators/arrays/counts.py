"""Chances and quantiles of counts, and of p values, from ``scipy.special``.

``scipy.stats`` has them too, but loading it takes a second or two of each analysis; tests hold
these to it.
"""

import numpy as np
from scipy import special

from afterclear.estimators.arrays.validation import FloatArray


def poisson_chance(count: FloatArray, mean: FloatArray) -> FloatArray:
    """P(exactly ``count``), shape (n,)."""
    log_chance = special.xlogy(count, mean) - special.gammaln(count + 1) - mean
    return np.asarray(np.exp(log_chance), dtype=np.float64)


def binomial_chance(count: float, size: FloatArray, share: FloatArray) -> FloatArray:
    """P(exactly ``count`` of ``size``), each with chance ``share``, shape (n,)."""
    rest = size - count
    ways = special.gammaln(size + 1) - special.gammaln(count + 1) - special.gammaln(rest + 1)
    log_chance = ways + special.xlogy(count, share) + special.xlog1py(rest, -share)
    return np.asarray(np.exp(log_chance), dtype=np.float64)


def poisson_quantile(level: float, mean: FloatArray) -> FloatArray:
    """Count that is not exceeded with chance ``level``, shape (n,)."""
    above = np.ceil(special.pdtrik(level, mean))
    below = np.maximum(above - 1, 0)
    return np.where(special.pdtr(below, mean) >= level, below, above)


def negative_binomial_quantile(level: float, size: FloatArray, share: FloatArray) -> FloatArray:
    """Count that is not exceeded with chance ``level``, shape (n,).

    Failures before ``size`` successes, each with chance ``share``.
    """
    above = np.ceil(special.nbdtrik(level, size, share))
    below = np.maximum(above - 1, 0)
    return np.where(special.betainc(size, below + 1, share) >= level, below, above)
