"""How widely a number of failures to come is spread around what is expected.

A number whose mean is itself gamma distributed is negative binomial (gamma-Poisson; Greenwood and
Yule 1920, Journal of the Royal Statistical Society 83, 255). Mean and variance are given, the
distribution is the one that has them; never narrower than by chance alone.
"""

import numpy as np
from numpy.typing import ArrayLike

from afterclear.estimators.arrays.counts import negative_binomial_quantile, poisson_quantile
from afterclear.estimators.arrays.validation import FloatArray, as_floats, check_same_shape

_HARDLY = 1e-6  # of the mean: a spread as by chance


def quantile(mean: ArrayLike, variance: ArrayLike, level: float) -> FloatArray:
    """Give the number that is not exceeded with this chance, shape (n,)."""
    means, wide = as_floats("mean", mean), as_floats("variance", variance)
    check_same_shape(mean=means, variance=wide)
    extra = wide - means
    is_wide = extra > _HARDLY * means
    with np.errstate(divide="ignore", invalid="ignore"):
        size = np.where(is_wide, means**2 / np.where(is_wide, extra, 1.0), 1.0)
        share = size / (size + means)
    by_chance = poisson_quantile(level, means)
    found = np.where(is_wide, negative_binomial_quantile(level, size, share), by_chance)
    return np.where(means > 0, found, 0.0)


def interval(
    mean: ArrayLike, variance: ArrayLike, conf_level: float = 0.9
) -> tuple[FloatArray, FloatArray]:
    """Give the ends of the central interval, shape (n,) each."""
    tail = (1 - conf_level) / 2
    return quantile(mean, variance, tail), quantile(mean, variance, 1 - tail)


def at_least_one(mean: ArrayLike, variance: ArrayLike) -> FloatArray:
    """Give the chance of one or more, shape (n,)."""
    means, wide = as_floats("mean", mean), as_floats("variance", variance)
    check_same_shape(mean=means, variance=wide)
    extra = np.maximum(wide - means, 0.0)
    over = np.where(means > 0, extra / np.where(means > 0, means, 1.0), 0.0)
    # size ln(size / (size + mean)), with size = mean / over; its limit without a spread is -mean
    with np.errstate(divide="ignore", invalid="ignore"):
        exponent = np.where(over > _HARDLY, means / over * np.log1p(over), means)
    return np.asarray(-np.expm1(-exponent), dtype=np.float64)
