"""Which of two faults came first, compared with how long each could have been first.

Of two independent faults the one that stays longer is found first more often when both are seen
together: it has more time in which the other can begin.  So the count of "A before B" is compared
with what its own exposure would give, not with one half.
"""

import numpy as np
from scipy import special

from afterclear.estimators.arrays.validation import (
    FloatArray,
    check_finite,
    check_non_negative,
    check_same_shape,
)
from afterclear.estimators.codes.code_order import OnsetOrder


def exposed_order(
    a_first: FloatArray, b_first: FloatArray, share_a: FloatArray, ties: FloatArray
) -> OnsetOrder:
    """Test which onset is first more often than exposure explains, arrays of shape (n_pairs,).

    ``share_a``: the share of "A first" among untied pairs that two unrelated faults would show,
    within (0, 1).  Counts are whole.  The counts given back are scaled so that unrelated faults
    would be equal, ``a (1 - s)`` against ``b s``, doubled; p is the exact binomial test, two-sided
    by doubling the smaller tail.

    References: Clopper & Pearson 1934, Biometrika 26, 404 (the beta form of binomial tails; from
    memory).

    """
    check_same_shape(a_first=a_first, b_first=b_first, share_a=share_a, ties=ties)
    for name, row in (("a_first", a_first), ("b_first", b_first), ("share_a", share_a)):
        check_finite(name, row)
        check_non_negative(name, row)
    if ((share_a <= 0) | (share_a >= 1)).any():
        raise ValueError("share_a must lie within (0, 1)")
    n = a_first + b_first
    as_many = np.where(
        a_first > 0, special.betainc(np.maximum(a_first, 1), b_first + 1, share_a), 1
    )
    as_few = np.where(
        b_first > 0, special.betainc(np.maximum(b_first, 1), a_first + 1, 1 - share_a), 1
    )
    p_value = np.where(n > 0, np.minimum(2 * np.minimum(as_many, as_few), 1.0), 1.0)
    return OnsetOrder(2 * a_first * (1 - share_a), 2 * b_first * share_a, ties, p_value)
