"""Attempts judged with new faults at a known rate, and no other cause: the parts put together."""

import numpy as np
from numpy.typing import ArrayLike

from afterclear.estimators.arrays.validation import (
    IntArray,
    as_floats,
    as_groups,
    check_finite,
    check_intervals,
    check_non_negative,
    check_same_shape,
)
from afterclear.estimators.fix_held.fix_held import FixHeld, sorted_attempts
from afterclear.estimators.fix_held.grid import Rows
from afterclear.estimators.fix_held.pool import Levels, fitted_pool


def fix_held(  # noqa: PLR0913 - four rows of data, four settings with defaults
    group: ArrayLike,
    low_km: ArrayLike,
    high_km: ArrayLike,
    background_per_km: ArrayLike = 0.0,
    *,
    stratum: ArrayLike = 0,
    kin: ArrayLike | None = None,
    threshold: float = 0.05,
    conf_level: float = 0.95,
    n_groups: int | None = None,
    span_km: tuple[float, float] | None = None,
) -> FixHeld:
    """Judge attempts by what was seen of them and of their groups.

    ``group``: codes 0 or more, shape (n,).  ``low_km``, ``high_km``: the fault came back in
    (low, high] evidenced km; high inf: not seen to.  ``background_per_km``: rate of new faults
    of the same code.  ``stratum``, ``kin``: codes 0 or more of what groups are pooled with, of
    those with one curve, the same for all attempts of a group.  All of shape (n,) or one for
    all.  ``threshold``: P below which an attempt counts as held.  ``n_groups``: more than the
    codes seen, to have groups without attempts answered from the prior of stratum 0.
    ``span_km``: least and greatest scale a failed fix may have; None: up to the longest
    follow-up.  Any order of the rows gives the same bits.

    References: Meeker 1987, Technometrics 29(1), 51-65, for the model; Morris 1983, JASA
    78(381), 47-55, for parametric empirical Bayes.

    """
    levels = Levels(threshold, conf_level)
    every = _checked_rows(as_groups("group", group), low_km, high_km, background_per_km)
    tried = sorted_attempts(every, stratum, kin, n_groups, span_km)
    return tried.result(every, fitted_pool(tried.evidence, levels), threshold)


def _checked_rows(
    group: IntArray, low_km: ArrayLike, high_km: ArrayLike, background_per_km: ArrayLike
) -> Rows:
    low, high = as_floats("low_km", low_km), as_floats("high_km", high_km)
    background = as_floats("background_per_km", background_per_km)
    if background.size == 1:
        background = np.full(low.size, background[0])
    check_same_shape(group=group, low_km=low, high_km=high, background_per_km=background)
    check_intervals(low, high)
    check_finite("background_per_km", background)
    check_non_negative("background_per_km", background)
    width = np.where(np.isfinite(high), high, low) - low
    return Rows(group, low, high, background * width)
