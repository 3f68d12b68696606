"""Funnel limits: how far a site's ratio may lie from 1 by chance, given how much it did.

With fewer than 10 sites the funnel is not widened: one bad site would hide itself.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from afterclear.estimators.arrays.validation import (
    BoolArray,
    FloatArray,
    as_floats,
    check_finite,
    check_fraction,
    check_non_negative,
    check_positive,
    check_same_shape,
)

ENOUGH_SITES = 10  # to estimate their spread; below it one site is more than a tenth
_WINSORISED = 0.1  # share pulled in at each end before the spread is measured


@dataclass(frozen=True, slots=True)
class Funnel:
    """Observed over expected with the limits chance sets it, arrays of shape (n,).

    ``phi`` is the spread of ordinary sites over that of chance alone; above 1 the limits are
    wider by its root.
    """

    ratio: FloatArray  # nan: nothing expected
    low: FloatArray
    high: FloatArray
    z: FloatArray  # 2 (sqrt observed - sqrt expected) / sqrt(max(1, phi))
    phi: float
    level: float

    @property
    def above(self) -> BoolArray:
        """Ratios above the upper limit."""
        return np.greater(self.ratio, self.high)

    @property
    def below(self) -> BoolArray:
        """Ratios below the lower limit."""
        return np.less(self.ratio, self.low)


def poisson_limits(expected: ArrayLike, share: float) -> FloatArray:
    """Ratio below which a count lies with probability ``share``, shape (n,).

    ``(k - (F(k) - share) / (F(k) - F(k - 1))) / expected`` with k the quantile: exact limits,
    interpolated so that they fall smoothly (Spiegelhalter 2005, Stat. Med. 24, 1185,
    appendix; from memory).
    """
    check_fraction("share", share)
    mean = as_floats("expected", expected)
    check_finite("expected", mean)
    check_positive("expected", mean)
    start = np.ceil(np.maximum(special.pdtrik(share, mean), 0.0))
    limit = _interpolated(
        lambda k: np.asarray(special.pdtr(k, mean), dtype=np.float64), start, share
    )
    return np.asarray(limit / mean, dtype=np.float64)


def winsorised_phi(observed: ArrayLike, expected: ArrayLike) -> float:
    """Mean square of ``2 (sqrt observed - sqrt expected)``, its outer tenths pulled in.

    1 where sites differ by chance only.  Pulling in keeps the few truly bad sites from
    widening the limits that are to catch them.  nan without sites.
    """
    counts, means = as_floats("observed", observed), as_floats("expected", expected)
    check_same_shape(observed=counts, expected=means)
    check_non_negative("observed", counts)
    check_non_negative("expected", means)
    z = 2 * (np.sqrt(counts) - np.sqrt(means))
    if z.size == 0:
        return float("nan")
    low, high = np.quantile(z, (_WINSORISED, 1 - _WINSORISED))
    return float(np.mean(np.clip(z, low, high) ** 2))


def funnel(observed: ArrayLike, expected: ArrayLike, *, level: float = 0.998) -> Funnel:
    """Ratio of each site with its limits; ``level`` 0.998 flags 2 in 1000 by chance alone.

    Over-dispersion multiplies the distance of both limits from 1 by ``sqrt(max(1, phi))``.  With
    fewer than 10 sites phi is taken to be 1: no tenth of them can be pulled in, and one bad site
    would hide itself.
    """
    check_fraction("level", level)
    counts, means = as_floats("observed", observed), as_floats("expected", expected)
    check_same_shape(observed=counts, expected=means)
    some = means > 0
    phi = winsorised_phi(counts[some], means[some]) if some.sum() >= ENOUGH_SITES else 1.0
    widening = float(np.sqrt(np.fmax(1.0, phi)))
    ratio, low, high = np.full((3, means.size), np.nan)
    ratio[some] = counts[some] / means[some]
    low[some] = poisson_limits(means[some], (1 - level) / 2)
    high[some] = poisson_limits(means[some], (1 + level) / 2)
    z = 2 * (np.sqrt(counts) - np.sqrt(means)) / widening
    return Funnel(
        ratio=ratio,
        low=np.maximum(1 - widening * (1 - low), 0.0),
        high=1 + widening * (high - 1),
        z=z,
        phi=phi,
        level=level,
    )


def _interpolated(
    below: Callable[[FloatArray], FloatArray], start: FloatArray, share: float
) -> FloatArray:
    """Count at which the straight line between two steps of ``below`` meets ``share``, >= 0."""
    k = start
    # the start comes from an inverse and may be one off by rounding
    k = np.where(below(k) < share, k + 1, k)
    k = np.where((k > 0) & (below(k - 1) >= share), k - 1, k)
    at, before = below(k), np.where(k > 0, below(k - 1), 0.0)
    return np.maximum(k - (at - share) / (at - before), 0.0)
