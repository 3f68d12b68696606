"""Modes of how often work holds, fault by fault, under each spread of works and of situations.

Each spread's modes are found with their curvature (Laplace), all spreads of a fault at once.
"""

from dataclasses import dataclass
from itertools import product
from typing import Final

import numpy as np
from scipy import special

from afterclear.estimators.arrays.ragged import group_sums
from afterclear.estimators.arrays.validation import FloatArray, IntArray

_SETTLED: Final = 1e-3  # of a Newton step; its square, of the log density, is no gain any more
_NEWTON_STEPS: Final = 8
_LEVEL_VARIANCE: Final = 4.0  # of a fault's level about the fleet's: hardly drawn
_FIRST_LEVEL: Final = 1.5  # four of five hold, worth one fault (own judgement)
_LEVEL_ROUNDS: Final = 2
_WEIGHED_BY: Final = 40  # faults by which spreads are chosen
_LIKELY: Final = 0.005
# Variance of works and of situations on the scale of log odds: equally likely beforehand.
_VARIANCES: Final = (0.1, 0.4, 1.0, 2.2, 5.0)
_ENTRIES_AT_ONCE: Final = 1_000_000  # of works by situations by spreads: 8 MB a table


@dataclass(frozen=True, slots=True)
class Cells:
    """Attempts of one fault that look alike, as counts."""

    work: IntArray
    case: IntArray
    log_odds: FloatArray
    n: FloatArray
    n_works: int
    n_cases: int


@dataclass(frozen=True, slots=True)
class Modes:
    """Modes of one fault: level, then works, then situations; and how far it may lie from them.

    The first axis of each array counts the spreads.  Situations are many and meet only through
    level and works: given these they are independent.
    """

    at: FloatArray  # (n_spreads, 1 + n_works + n_cases)
    half: FloatArray  # root of the covariance of level and works
    follows: FloatArray  # how situations move with these, (n_spreads, n_cases, 1 + n_works)
    alone: FloatArray  # their standard deviation beside that, (n_spreads, n_cases)
    log_weight: FloatArray  # of what was seen, over all values (Laplace), (n_spreads,)


@dataclass(frozen=True, slots=True)
class _Curvature:
    """Second derivatives in blocks: level and works, situations, and between them.

    The first axis of each array counts the spreads.
    """

    upper: FloatArray  # (n, 1 + n_works, 1 + n_works)
    between: FloatArray  # (n, 1 + n_works, n_cases)
    cases: FloatArray  # (n, n_cases): their own block has nothing beside its diagonal

    def reduced(self) -> FloatArray:
        """Curvature of level and works with situations free to follow (Schur complement)."""
        weighed = self.between / self.cases[:, None, :]
        return np.asarray(self.upper - weighed @ self.between.transpose(0, 2, 1))

    def solved(self, gradient: FloatArray) -> FloatArray:
        """Return the steps that gradients ask for."""
        first = self.upper.shape[1]
        of_cases = gradient[:, first:] / self.cases
        asked = gradient[:, :first] - np.einsum("nwc,nc->nw", self.between, of_cases)
        upper = np.linalg.solve(self.reduced(), asked[:, :, None])[:, :, 0]
        follow = np.einsum("nwc,nw->nc", self.between, upper) / self.cases
        return np.concatenate([upper, of_cases - follow], axis=1)


def modes_of(faults: list[Cells]) -> tuple[list[Modes], FloatArray]:
    """Find the modes under the spreads of works and of situations, and what speaks for each.

    Plugging in the spread that explains best would make intervals of small fleets too short.  In a
    large fleet some faults, evenly chosen, say which spreads are likely at all.
    """
    spreads = np.array(list(product(_VARIANCES, repeat=2)))
    some = faults[:: -(-len(faults) // _WEIGHED_BY)]
    fits, weight = _under(some, spreads)
    likely = np.flatnonzero(weight >= _LIKELY)
    if len(some) < len(faults):
        return _under(faults, spreads[likely])
    kept = [
        Modes(*(part[likely] for part in (m.at, m.half, m.follows, m.alone, m.log_weight)))
        for m in fits
    ]
    return kept, weight[likely] / weight[likely].sum()


def _under(faults: list[Cells], spreads: FloatArray) -> tuple[list[Modes], FloatArray]:
    """Find the modes of all faults; their levels spread about the fleet's."""
    level: FloatArray = np.full(len(spreads), _FIRST_LEVEL)
    at = [np.zeros((len(spreads), 1 + each.n_works + each.n_cases)) for each in faults]
    fits: list[Modes] = []
    for _ in range(_LEVEL_ROUNDS):
        fits = [_modes(*each, spreads, level) for each in zip(faults, at, strict=True)]
        at = [fit.at for fit in fits]
        level = np.asarray(_FIRST_LEVEL + np.sum([each[:, 0] for each in at], axis=0)) / (
            1 + len(at)
        )
    speaks = np.sum([fit.log_weight for fit in fits], axis=0)
    weight = np.exp(speaks - speaks.max())
    return fits, weight / weight.sum()


def _precision(cells: Cells, spreads: FloatArray) -> FloatArray:
    """Prior precision of level, works and situations, (n_spreads, 1 + n_works + n_cases)."""
    variances = np.column_stack([np.full(len(spreads), _LEVEL_VARIANCE), spreads])
    return 1 / np.repeat(variances, [1, cells.n_works, cells.n_cases], axis=1)


def _modes(cells: Cells, begun: FloatArray, spreads: FloatArray, level: FloatArray) -> Modes:
    """Find the modes of a fault under all spreads, some at once: as many as memory allows."""
    at_once = max(1, _ENTRIES_AT_ONCE // (cells.n_works * cells.n_cases))
    parts = []
    for some in np.split(np.arange(len(spreads)), range(at_once, len(spreads), at_once)):
        precision, centre = _precision(cells, spreads[some]), np.zeros_like(begun[some])
        centre[:, 0] = level[some]
        parts.append(_about(cells, *_to_mode(cells, begun[some], precision, centre), precision))
    return Modes(*(np.concatenate(each) for each in zip(*parts, strict=True)))


def _to_mode(
    cells: Cells, at: FloatArray, precision: FloatArray, centre: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Take Newton steps to the modes, halved where one leads down.

    Return the modes, the log density there, and the centres.
    """
    at, value = at.copy(), _log_posterior(cells, at, precision, centre)
    going = np.arange(len(at))
    for _ in range(_NEWTON_STEPS):
        prior = precision[going], centre[going]
        gradient, curvature = _slopes(cells, at[going], *prior, whole=False)
        step, size, gained = curvature.solved(gradient), 1.0, np.zeros(going.size)
        left = np.arange(going.size)  # whose step leads down so far
        while size > _SETTLED and left.size:
            own = going[left]
            there = at[own] + size * step[left]
            better = _log_posterior(cells, there, precision[own], centre[own])
            is_up = better >= value[own]
            gained[left[is_up]] = (better - value[own])[is_up]
            at[own[is_up]], value[own[is_up]] = there[is_up], better[is_up]
            left, size = left[~is_up], size / 2
        going = going[gained >= _SETTLED**2]
        if not going.size:
            break
    return at, value, centre


def _about(
    cells: Cells, at: FloatArray, value: FloatArray, centre: FloatArray, precision: FloatArray
) -> tuple[FloatArray, ...]:
    """Tell how far level, works and situations may lie from the modes; the parts of ``Modes``."""
    _, curvature = _slopes(cells, at, precision, centre, whole=True)
    is_peak = curvature.cases.min(axis=1) > 0
    some = _Curvature(*(p[is_peak] for p in (curvature.upper, curvature.between, curvature.cases)))
    is_peak[is_peak] = np.linalg.eigvalsh(some.reduced())[:, 0] > 0
    if not is_peak.all():  # attempts that bend the wrong way are left out there
        _, blunt = _slopes(cells, at, precision, centre, whole=False)
        chosen = is_peak[:, None]
        curvature = _Curvature(
            np.where(chosen[:, :, None], curvature.upper, blunt.upper),
            np.where(chosen[:, :, None], curvature.between, blunt.between),
            np.where(chosen, curvature.cases, blunt.cases),
        )
    reduced = curvature.reduced()
    log_size = np.log(np.linalg.eigvalsh(reduced)).sum(axis=1) + np.log(curvature.cases).sum(axis=1)
    return (
        at,
        np.linalg.cholesky(np.linalg.inv(reduced)),
        -(curvature.between / curvature.cases[:, None, :]).transpose(0, 2, 1),
        1 / np.sqrt(curvature.cases),
        value + 0.5 * (np.log(precision).sum(axis=1) - log_size),
    )


def _linear(cells: Cells, at: FloatArray) -> FloatArray:
    of_work, of_case = at[:, 1 + cells.work], at[:, 1 + cells.n_works + cells.case]
    return np.asarray(at[:, :1] + of_work + of_case)


def _log_posterior(
    cells: Cells, at: FloatArray, precision: FloatArray, centre: FloatArray
) -> FloatArray:
    eta = _linear(cells, at)
    # log(p + (1 - p) odds), p = expit(eta)
    seen = np.logaddexp(eta, cells.log_odds) - np.logaddexp(eta, 0.0)
    return np.asarray(seen @ cells.n - 0.5 * (precision * (at - centre) ** 2).sum(axis=1))


def _slopes(
    cells: Cells, at: FloatArray, precision: FloatArray, centre: FloatArray, *, whole: bool
) -> tuple[FloatArray, _Curvature]:
    """Gradient, and curvature: whole, or without the attempts that bend it the wrong way."""
    eta = _linear(cells, at)
    held, seen = special.expit(eta), special.expit(eta - cells.log_odds)
    slope = cells.n * (seen - held)
    bend = cells.n * (held * (1 - held) - seen * (1 - seen))
    if not whole:
        bend = np.maximum(bend, 0.0)
    works, cases, first = cells.n_works, cells.n_cases, 1 + cells.n_works
    gradient = np.concatenate(
        [
            slope.sum(axis=1, keepdims=True),
            _sums(slope, cells.work, works),
            _sums(slope, cells.case, cases),
        ],
        axis=1,
    ) - precision * (at - centre)
    by_work, by_case = _sums(bend, cells.work, works), _sums(bend, cells.case, cases)
    cross = _sums(bend, cells.work * cases + cells.case, works * cases)
    upper = np.zeros((len(at), first, first))
    upper[:, 0, 1:] = upper[:, 1:, 0] = by_work
    diagonal = np.arange(first)
    upper[:, diagonal, diagonal] = precision[:, :first]
    upper[:, 0, 0] += bend.sum(axis=1)
    upper[:, diagonal[1:], diagonal[1:]] += by_work
    between = np.concatenate([by_case[:, None, :], cross.reshape(-1, works, cases)], axis=1)
    return gradient, _Curvature(upper, between, by_case + precision[:, first:])


def _sums(values: FloatArray, group: IntArray, n_groups: int) -> FloatArray:
    """Sum each row by group: (n, n_values) to (n, n_groups)."""
    rows = len(values)
    apart = group + n_groups * np.arange(rows)[:, None]
    return group_sums(values.ravel(), apart.ravel(), rows * n_groups).reshape(rows, n_groups)
