"""Which work held how often, and which held oftener in the same situation.

The chance that a piece of work holds is ``expit(level of the fault + situation + work)``.  Works
and situations are drawn towards none: how far they spread is learnt from all faults together, so a
work tried three times cannot shine.  An attempt whose end is open counts by its evidence:
``odds_failed`` is how much likelier what was seen is if the work failed.

Two works are compared over the situations in which both were tried, each counting by what it can
tell, n1 n2 / (n1 + n2), as Mantel and Haenszel weigh strata (1959, J. Natl. Cancer Inst. 22,
p. 719; from memory).  Each spread has its posterior mode with its curvature (Laplace), widened
where attempts on one vehicle end alike; estimates and intervals come from draws over all spreads,
as often from each as it explains what was seen.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from afterclear.estimators.arrays.ragged import cells_of, group_sums
from afterclear.estimators.arrays.validation import (
    BoolArray,
    FloatArray,
    IntArray,
    check_same_shape,
)
from afterclear.estimators.rates.rates import benjamini_hochberg
from afterclear.estimators.rates.work_modes import Cells, Modes, modes_of

# Odds are kept on steps of this size on the log scale: a million attempts become few cells.
_STEP: Final = 0.2
_FURTHEST: Final = 6.0  # evidence beyond e^6 to one is no surer than that
_DRAWS: Final = 600
_SEED: Final = 20261129
_ENDS: Final = (0.025, 0.975)


@dataclass(frozen=True, slots=True)
class WorkTrials:
    """Attempts as works are compared by them; each array of shape (n,)."""

    fault: IntArray  # number of the fault, from 0
    work: IntArray  # number of the work, from 0; a work belongs to one fault
    case: IntArray  # number of the situation, from 0; it belongs to one fault
    vehicle: IntArray  # number of the vehicle
    odds_failed: FloatArray  # P(what was seen | failed) / P(what was seen | held)


@dataclass(frozen=True, slots=True)
class WorkShares:
    """How often each work held in its own situations, and against the usual work of its fault.

    Arrays of shape (n_works,), in the order of the works' numbers.
    """

    share: FloatArray
    low: FloatArray  # 95 % interval
    high: FloatArray
    usual: (
        IntArray  # the work most often tried for the fault, and what the others are compared with
    )
    difference: FloatArray  # share held, this less the usual one; nan: never in one situation
    difference_low: FloatArray
    difference_high: FloatArray
    p_value: FloatArray
    q_value: FloatArray  # Benjamini-Hochberg over all comparisons
    n_together: IntArray  # attempts with this work in situations in which both were tried


def work_shares(
    trials: WorkTrials, *, least: int = 1, aside: BoolArray | None = None
) -> WorkShares:
    """Estimate shares and differences.

    ``least``: works tried less often share one effect and get no figures.  ``aside``: works with
    which others are compared only where there are no others, shape (n_works,).

    Raises:
        ValueError: shapes differ, or a work or situation belongs to two faults.

    """
    check_same_shape(
        fault=trials.fault,
        work=trials.work,
        case=trials.case,
        vehicle=trials.vehicle,
        odds_failed=trials.odds_failed,
    )
    if not trials.fault.size:
        raise ValueError("no attempts: there is nothing to compare")
    _check_own("work", trials.work, trials.fault)
    _check_own("case", trials.case, trials.fault)
    log_odds = np.clip(np.log(trials.odds_failed), -_FURTHEST, _FURTHEST)
    faults = [_Fault(trials, log_odds, rows, least) for rows in _by_fault(trials.fault)]
    fits, weight = modes_of([fault.cells for fault in faults])
    n_works = int(trials.work.max()) + 1
    aside = np.zeros(n_works, np.bool_) if aside is None else aside
    found = {name: np.full(n_works, np.nan) for name in _ESTIMATES}
    usual, together = np.zeros(n_works, np.int64), np.zeros(n_works, np.int64)
    for fault, modes in zip(faults, fits, strict=True):
        own = _compared(fault, modes, weight, aside, found)
        usual[fault.all_works], together[fault.works] = own
    p_value = found["p_value"]
    q_value = np.full(n_works, np.nan)
    is_compared = np.isfinite(p_value)
    q_value[is_compared] = benjamini_hochberg(p_value[is_compared])
    return WorkShares(usual=usual, n_together=together, q_value=q_value, **found)


_ESTIMATES: Final = (
    "share", "low", "high", "difference", "difference_low", "difference_high", "p_value",
)  # fmt: skip


def _check_own(name: str, number: IntArray, fault: IntArray) -> None:
    pairs, _ = cells_of(number, fault)
    if pairs.max() > np.unique(number).size - 1:
        raise ValueError(f"{name}: one number stands for two faults; number them fault by fault")


def _by_fault(fault: IntArray) -> list[IntArray]:
    order = np.argsort(fault, kind="stable")
    ends = np.flatnonzero(np.diff(fault[order])) + 1
    return np.split(order, ends)


class _Fault:
    """The attempts of one fault, with works and situations numbered from 0."""

    def __init__(
        self, trials: WorkTrials, log_odds: FloatArray, rows: IntArray, least: int = 1
    ) -> None:
        self.all_works, self.work_of_all = np.unique(trials.work[rows], return_inverse=True)
        is_own = np.bincount(self.work_of_all) >= least
        # the rare ones share the number after the last
        self.work = np.where(is_own, np.cumsum(is_own) - 1, is_own.sum())[self.work_of_all]
        self.works = self.all_works[is_own]
        _, self.case = np.unique(trials.case[rows], return_inverse=True)
        self.vehicle = trials.vehicle[rows]
        self.log_odds = log_odds[rows]
        step = np.round(self.log_odds / _STEP).astype(np.int64)
        cell, first = cells_of(self.work, self.case, step)
        self.cells = Cells(
            self.work[first],
            self.case[first],
            np.asarray(step[first] * _STEP, np.float64),
            np.bincount(cell).astype(np.float64),
            int(self.work.max()) + 1,
            int(self.case.max()) + 1,
        )


def _compared(
    fault: _Fault,
    modes: Modes,
    weight: FloatArray,
    aside: BoolArray,
    found: dict[str, FloatArray],
) -> tuple[IntArray, IntArray]:
    """Write estimates of a fault's works; return the usual work and the attempts side by side."""
    cells, works = fault.cells, fault.works
    tried = group_sums(
        cells.n, cells.work * cells.n_cases + cells.case, cells.n_works * cells.n_cases
    ).reshape(cells.n_works, cells.n_cases)[: works.size]
    if not works.size:
        most = _usual(np.bincount(fault.work_of_all), aside[fault.all_works])
        return np.full(fault.all_works.size, fault.all_works[most]), np.zeros(0, np.int64)
    usual = _usual(tried.sum(axis=1), aside[works])
    drawn = _drawn(fault, modes, weight)
    together = np.zeros(works.size, np.int64)
    for work in range(works.size):
        share = _shares(drawn, cells, work, tried[work])
        found["share"][works[work]] = share.mean()
        found["low"][works[work]], found["high"][works[work]] = np.quantile(share, _ENDS)
        both = tried[work] * tried[usual] > 0
        if work == usual or not both.any():
            continue
        together[work] = tried[work][both].sum()
        counts = tried[work] * tried[usual] / np.maximum(tried[work] + tried[usual], 1.0)
        ours, theirs = (_shares(drawn, cells, each, counts) for each in (work, usual))
        _write_difference(found, works[work], ours - theirs)
    return np.full(fault.all_works.size, works[usual]), together


def _usual(n: IntArray | FloatArray, aside: BoolArray) -> int:
    """Choose the work most often tried, before those that stand aside."""
    return int(np.argmax(np.where(aside, n - n.sum() - 1, n)))


def _drawn(fault: _Fault, modes: Modes, weight: FloatArray) -> FloatArray:
    """Draw level, works and situations as often from each fit as it explains what was seen.

    The draws are the same in every run: the same attempts give the same figures.
    """
    normal = np.random.default_rng(_SEED)
    parts = []
    n_drawn = np.rint(weight * _DRAWS).astype(np.int64)
    for fit in np.flatnonzero(n_drawn):
        at, half, alone, n = modes.at[fit], modes.half[fit], modes.alone[fit], n_drawn[fit]
        wider = np.sqrt(_likeness(fault, at))
        upper = half @ normal.standard_normal((half.shape[0], n))
        cases = modes.follows[fit] @ upper
        cases += alone[:, None] * normal.standard_normal((alone.size, n))
        parts.append(at[:, None] + wider * np.concatenate([upper, cases]))
    return np.concatenate(parts, axis=1)


def _shares(drawn: FloatArray, cells: Cells, work: int, counts: FloatArray) -> FloatArray:
    """Mean share that holds over situations, each by its count, for each draw."""
    tried = np.flatnonzero(counts)
    held = special.expit(drawn[0] + drawn[1 + work] + drawn[1 + cells.n_works + tried])
    return np.asarray(counts[tried] / counts.sum() @ held)


def _write_difference(found: dict[str, FloatArray], work: int, drawn: FloatArray) -> None:
    found["difference"][work] = drawn.mean()
    found["difference_low"][work], found["difference_high"][work] = np.quantile(drawn, _ENDS)
    # draws are too few for small chances
    found["p_value"][work] = 2 * special.ndtr(-abs(drawn.mean()) / drawn.std())


def _likeness(fault: _Fault, at: FloatArray) -> float:
    """How much less attempts tell because those on one vehicle end alike; 1: not at all."""
    eta = _linear_of(fault, at)
    left = special.expit(eta - fault.log_odds) - special.expit(eta)
    _, vehicle = np.unique(fault.vehicle, return_inverse=True)
    together = np.bincount(vehicle, left)
    alone = float(left @ left)
    return max(1.0, float(together @ together) / alone) if alone > 0 else 1.0


def _linear_of(fault: _Fault, at: FloatArray) -> FloatArray:
    return np.asarray(at[0] + at[1 + fault.work] + at[1 + fault.works.size + fault.case])
