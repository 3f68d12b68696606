"""Did the fix hold?  Three causes of a return, fitted in turn until they agree.

The failures of groups (``fix_held``) and the other causes of cells (``others``) explain the same
returns.  Each round gives the cells what the groups leave to them, and the groups the chance of
another cause in each window; every return is taken out of what it is judged by.

Six rounds, and each takes every return out of what its group and its cell say of it (E[f / c]
over the posterior): plugging in means would count it twice. Rounds begin near where they end
(``_FIRST_ETA_KM``): begun with all early returns taken for failures it takes twenty. Against what
the sample's attempts really did, log loss is .450, was .560 with one cause; 20 more attempts are
held, none more wrongly.
"""

from dataclasses import dataclass

import numpy as np

from afterclear.estimators.arrays.checks import BoolArray, FloatArray, IntArray
from afterclear.estimators.causes.cell_prior import Cells
from afterclear.estimators.causes.others import Others, Windows
from afterclear.estimators.fix_held.fix_held import FixHeld, Strata, strata_of
from afterclear.estimators.fix_held.grid import Rows
from afterclear.estimators.fix_held.pool import Levels, all_left_to_others, fitted_pools

# Scales of failures in km: a fault that comes back later than a few of these does so for another
# reason (own judgement: simulated, any bound from 8,000 to 30,000 km gave the same).
ETA_SPAN_KM = (150.0, 12_000.0)
# What is thought of failures before the first round: near the end of the search in simulated
# fleets.  Begun with all early returns taken for failures it takes four times as many rounds.
_FIRST_P, _FIRST_ETA_KM = 0.25, 3_000.0
_ROUNDS = 6  # more change shares of failures by less than .01 in simulated fleets
_MOST_CHANCE = 1 - 1e-12


@dataclass(frozen=True, slots=True)
class Attempts:
    """What was seen of each attempt, shape (n,) each."""

    group: IntArray  # component x kind x repeat
    stratum: IntArray  # kind x repeat
    cell: IntArray  # row of ``Cells``
    low_km: FloatArray  # it came back in (low, high] evidenced km
    high_km: FloatArray  # inf: not seen again
    new_per_km: FloatArray  # rate of new faults of this vehicle and family


@dataclass(frozen=True, slots=True)
class ThreeCauses:
    """What can be said of each attempt, shape (n,) each, and the models behind it."""

    held: FixHeld
    others: Others
    p_worn: FloatArray  # P(the part wore out | returned); NaN: it did not
    p_new: FloatArray  # P(a new fault | returned)


def judge(attempts: Attempts, cells: Cells, levels: Levels) -> ThreeCauses:
    """Judge attempts by what was seen of them, their groups and their cells."""
    back = np.isfinite(attempts.high_km)
    windows, place = _windows(attempts, back)
    returned = windows.part(np.flatnonzero(np.isfinite(windows.high_km)))
    end = np.where(back, attempts.high_km, attempts.low_km)
    first = attempts.new_per_km * (end - attempts.low_km)
    every = Rows(attempts.group, attempts.low_km, attempts.high_km, first)
    strata = strata_of(every, attempts.stratum, span_km=ETA_SPAN_KM)
    others, ratio = Others.before(cells), _first_ratio(returned)
    worn = np.empty(0)
    for number in range(_ROUNDS):
        if number:
            ratio, others = _left_to_others(strata, back.size)[place], others.closer()
        others = others.fitted(windows, ratio)
        chance, worn = others.chances(returned, ratio)
        strata = strata.with_other(_hazards(chance, place, back.size))
    held = strata.result(every, fitted_pools(strata.each, levels), levels.threshold)
    p_worn = np.full(back.size, np.nan)
    p_worn[place] = (1 - held.p_same_fault[place]) * worn
    p_new = np.maximum(1 - held.p_same_fault - p_worn, 0.0)
    return ThreeCauses(held, others, p_worn, p_new)


def _windows(attempts: Attempts, back: BoolArray) -> tuple[Windows, IntArray]:
    """Sort attempts with evidence by cell; and where the returned ones of them stood."""
    looked = np.flatnonzero((attempts.low_km > 0) | back)
    keys = (attempts.new_per_km, attempts.high_km, attempts.low_km, attempts.cell)
    order = looked[np.lexsort([key[looked] for key in keys])]
    windows = Windows(
        attempts.cell[order],
        attempts.low_km[order],
        attempts.high_km[order],
        attempts.new_per_km[order],
    )
    return windows, order[back[order]]


def _first_ratio(returned: Windows) -> FloatArray:
    """Weigh what failures leave to others before anything is fitted."""
    low, high = (np.exp(-km / _FIRST_ETA_KM) for km in (returned.low_km, returned.high_km))
    ratio: FloatArray = _FIRST_P * (low - high) / (1 - _FIRST_P + _FIRST_P * high)
    return ratio


def _left_to_others(strata: Strata, n: int) -> FloatArray:
    """Ask groups what they leave to others, by place in the input."""
    ratio = np.zeros(n)
    for left in all_left_to_others(strata.each):
        ratio[left.place] = left.ratio
    return ratio


def _hazards(chance: FloatArray, place: IntArray, n: int) -> FloatArray:
    """Turn chances of another cause into hazards, by place in the input."""
    other = np.zeros(n)
    other[place] = -np.log1p(-np.minimum(chance, _MOST_CHANCE))
    return other
