"""Which of two codes is the cause?  Three pieces of evidence, weighed into one score.

1. Repair of one alone: does B stay away after only A was repaired, more than A after B?
2. Order: is A's onset surely before B's more often than the other way round?
3. Asymmetry: does A bring B along more surely than B does A?  A tie-breaker only: it depends
   on what else causes either, and points the wrong way where B's control unit is read less.

All intervals come from scans that read that code's own control unit. The code seen first is not
always first: with B's unit read in 30 % of scans, naive order names A the cause 237 times to 14
when B is (simulated); intervals that do not overlap are right both ways.
"""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy import special

from afterclear.estimators.arrays.validation import (
    FloatArray,
    as_floats,
    check_finite,
    check_fraction,
    check_non_negative,
    check_same_shape,
)

StrArray: TypeAlias = NDArray[np.str_]

# Weights of the three terms and the n at which a term counts half: proposals, not tuned.
_WEIGHTS = (1.0, 0.5, 0.25)
_HALF_AT = 5.0


@dataclass(frozen=True, slots=True)
class OnsetOrder:
    """Which onset came first, arrays of shape (n_pairs,)."""

    a_first: FloatArray
    b_first: FloatArray
    ties: FloatArray  # onsets whose intervals overlap: no evidence
    p_value: FloatArray  # exact two-sided sign test; 1 without an untied pair


@dataclass(frozen=True, slots=True)
class RepairEvidence:
    """Which code stayed away when only the other was repaired, arrays of shape (n_pairs,).

    Counts may be sums of probabilities that a code is gone; a clean scan alone is not that. Repairs
    of one vehicle are counted one by one but weigh as one: the fault in it is the same each time.
    """

    b_gone: FloatArray  # of B, after repairs of A alone
    n_a_repaired: FloatArray
    a_gone: FloatArray
    n_b_repaired: FloatArray
    n_a_vehicles: FloatArray  # on which A alone was repaired
    n_b_vehicles: FloatArray


@dataclass(frozen=True, slots=True)
class Direction:
    """Cause and consequence of each pair, arrays of shape (n_pairs,)."""

    cause: StrArray  # a | b | unclear
    score: FloatArray  # above 0: A is the cause
    log_odds: FloatArray  # of the repair evidence
    log_odds_low: FloatArray
    log_odds_high: FloatArray
    order_p_value: FloatArray


def direction(
    repairs: RepairEvidence,
    order: OnsetOrder,
    counts: tuple[FloatArray, FloatArray, FloatArray],
    *,
    conf_level: float = 0.95,
) -> Direction:
    """Weigh the three pieces of evidence of each pair.

    ``counts``: episodes with both codes, with A and with B (a, a + b, a + c of the pair's
    table), shape (n_pairs,) each.  Each term is a logarithm, half added to counts, and shrunk
    by n / (n + 5); their weights are 1, 1/2 and 1/4.  A cause is called only where the limits
    of the repair evidence or the sign test exclude "neither", and the two do not disagree.
    """
    check_fraction("conf_level", conf_level)
    log_odds, error, n_repaired = _repair_term(repairs)
    both, with_a, with_b = (as_floats("counts", row) for row in counts)
    check_same_shape(both=both, with_a=with_a, with_b=with_b, log_odds=log_odds)
    check_same_shape(a_first=order.a_first, log_odds=log_odds)
    order_term = np.log((order.a_first + 0.5) / (order.b_first + 0.5))
    # P(B | A) / P(A | B) is P(B) / P(A): both have the same episodes in common
    asymmetry = np.log((with_b + 0.5) / (with_a + 0.5))
    terms = (
        (log_odds, n_repaired),
        (order_term, order.a_first + order.b_first),
        (asymmetry, both),
    )
    score = np.zeros(both.size)
    for weight, (term, n) in zip(_WEIGHTS, terms, strict=True):
        score += weight * term * n / (n + _HALF_AT)
    reach = float(special.ndtri(0.5 + conf_level / 2)) * error
    by_repair = np.where(np.abs(log_odds) > reach, np.sign(log_odds), 0.0)
    by_order = np.where(order.p_value < 1 - conf_level, np.sign(order_term), 0.0)
    called = by_repair + by_order  # 0: neither decides, or they disagree
    cause = np.select([called > 0, called < 0], ["a", "b"], "unclear")
    return Direction(
        cause=cause,
        score=score,
        log_odds=log_odds,
        log_odds_low=log_odds - reach,
        log_odds_high=log_odds + reach,
        order_p_value=order.p_value,
    )


def _repair_term(repairs: RepairEvidence) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Ln odds ratio of "gone", its standard error, and how many repairs it rests on."""
    rows = {
        "b_gone": repairs.b_gone,
        "n_a_repaired": repairs.n_a_repaired,
        "a_gone": repairs.a_gone,
        "n_b_repaired": repairs.n_b_repaired,
        "n_a_vehicles": repairs.n_a_vehicles,
        "n_b_vehicles": repairs.n_b_vehicles,
    }
    check_same_shape(**rows)
    for name, row in rows.items():
        check_finite(name, row)
        check_non_negative(name, row)
    b_back = repairs.n_a_repaired - repairs.b_gone
    a_back = repairs.n_b_repaired - repairs.a_gone
    if (np.minimum(b_back, a_back) < 0).any():
        raise ValueError("no more codes can be gone than repairs were made")
    cells = [cell + 0.5 for cell in (repairs.b_gone, b_back, repairs.a_gone, a_back)]
    log_odds = np.log(cells[0] * cells[3] / (cells[1] * cells[2]))
    # the largest design effect that repairs of one vehicle can have: 1 + (n - 1) rho at rho = 1
    # (Kish, Survey Sampling, 1965; from memory)
    repeats_a, repeats_b = (
        n / np.maximum(vehicles, 1)
        for n, vehicles in (
            (repairs.n_a_repaired, repairs.n_a_vehicles),
            (repairs.n_b_repaired, repairs.n_b_vehicles),
        )
    )
    error = np.sqrt(
        np.maximum(repeats_a, 1) * (1 / cells[0] + 1 / cells[1])
        + np.maximum(repeats_b, 1) * (1 / cells[2] + 1 / cells[3])
    )
    # the side with fewer repairs limits what can be compared
    n = 2 * np.minimum(repairs.n_a_repaired, repairs.n_b_repaired)
    return log_odds, error, n
