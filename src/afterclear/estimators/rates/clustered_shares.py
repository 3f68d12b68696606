"""A share at one site against the others', where pieces of work share vehicles."""

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from afterclear.estimators.arrays.ragged import group_sums
from afterclear.estimators.arrays.validation import (
    FloatArray,
    IntArray,
    as_floats,
    as_groups,
    check_non_negative,
    check_same_shape,
)


def clustered_difference_p(
    counted: ArrayLike, of: ArrayLike, group: ArrayLike, n_groups: int
) -> FloatArray:
    """Two-sided p of each group's share against that of all others, shape (n_groups,).

    ``counted`` of ``of``: one row a cluster (a vehicle) in a group (a site), shape (n_rows,);
    clusters are independent, pieces of work on one vehicle are not.  The difference of the two
    shares over its linearised variance between clusters, by Student's distribution with one degree
    of freedom less than the group has clusters.  1 where nothing varies or a side has fewer than
    two clusters: then only the test on single pieces of work counts.

    Reference: Cochran 1977, Sampling Techniques, 6.4 (ratio of totals over clusters; from memory).
    """
    counts, sizes = as_floats("counted", counted), as_floats("of", of)
    groups = as_groups("group", group)
    check_same_shape(counted=counts, of=sizes, group=groups)
    check_non_negative("counted", counts)
    check_non_negative("of", sizes)
    total, total_of = (group_sums(values, groups, n_groups) for values in (counts, sizes))
    clusters = np.bincount(groups, minlength=n_groups).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = total / total_of
        others_share = (total.sum() - total) / (total_of.sum() - total_of)
        own = _spread(counts, sizes, share[groups], groups, n_groups)
        own *= clusters / (clusters - 1) / total_of**2
        others = _others_spread(counts, sizes, others_share, groups, n_groups)
        left = clusters.sum() - clusters
        others *= left / (left - 1) / (total_of.sum() - total_of) ** 2
        score = (share - others_share) / np.sqrt(own + others)
        p_value = 2 * special.stdtr(np.maximum(clusters - 1, 1), -np.abs(score))
    return np.where(np.isfinite(p_value), p_value, 1.0)


def _spread(
    counts: FloatArray, sizes: FloatArray, share: FloatArray, groups: IntArray, n_groups: int
) -> FloatArray:
    """Squared differences of clusters from a share, added up by group."""
    return group_sums((counts - sizes * share) ** 2, groups, n_groups)


def _others_spread(
    counts: FloatArray, sizes: FloatArray, share: FloatArray, groups: IntArray, n_groups: int
) -> FloatArray:
    """Add up the same over the clusters of all other groups, about each group's own share.

    By its expansion in sums over everything less sums over the group.
    """
    parts = [
        values.sum() - group_sums(values, groups, n_groups)
        for values in (counts**2, counts * sizes, sizes**2)
    ]
    return np.asarray(np.maximum(parts[0] - 2 * share * parts[1] + share**2 * parts[2], 0.0))
