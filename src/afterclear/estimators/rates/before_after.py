"""Did it help?  What was changed, before and after, against what was not over the same time.

Difference in differences on the scale of log odds (of failing) or log rates (of new faults): each
unit has its own level, all units share the step from before to after, and what the changed ones
step beyond it is the effect.  A fix counts by its evidence: with p its share and P = P(failed | all
that was seen), the score is the sum of P - p, so an open fix counts for what its scans can tell.

Intervals and p are those of the profile likelihood: after a change nothing may fail any more, and a
normal approximation would be lost.  Work on one vehicle is not independent: the log-likelihood
counts for less by how much more sums over vehicles spread than single pieces of work, or than the
model lets expect.  The effect and the common step are drawn towards none by a log-F(1,1) prior,
worth half a piece of work each way (Greenland and Mansournia 2015, Statistics in Medicine 34,
p. 3133; from memory), so that every interval has two ends.

``low`` and ``high`` hold for one look at a day set beforehand.  ``low_always`` and ``high_always``
hold at all looks together, however often (Robbins' normal mixture, 1970, Annals of Mathematical
Statistics 41, p. 1397; from memory): estimates from growing data move as a Brownian motion at the
time of their information.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import optimize, special

from afterclear.estimators.arrays.ragged import group_sums
from afterclear.estimators.arrays.validation import (
    BoolArray,
    FloatArray,
    IntArray,
    check_finite,
    check_non_negative,
    check_same_shape,
)
from afterclear.estimators.rates.before_after_laws import Faults, Fixes, Law

_LEVEL_VARIANCE: Final = 1.5**2  # of a unit's level about what is usual (own judgement)
_ALPHA: Final = 0.05
_POWER: Final = 0.8
_ROUNDS: Final = 200
_SETTLED: Final = 1e-8
_LONGEST_STEP: Final = 2.0
_SUREST: Final = 30.0  # log odds of evidence; e^30 to one is certain
_STEP: Final = 0.1  # evidence is kept on steps of this size: a million fixes become few cells
_FARTHEST: Final = 40.0  # an effect on the log scale; the prior ends every interval before
_END_WITHIN: Final = 1e-3
# Information at which the interval for any number of looks is narrowest: a halved share of
# failures begins to show there
_TUNED_TO: Final = 16.0


@dataclass(frozen=True, slots=True)
class Compared:
    """Where each row belongs, shape (n,)."""

    unit: IntArray  # numbers from 0; a unit is changed or not, whole
    is_touched: BoolArray  # of what was changed
    is_after: BoolArray
    vehicle: IntArray


@dataclass(frozen=True, slots=True)
class BeforeAfter:
    """The effect; NaN where it cannot be told."""

    before: float = np.nan  # share of fixes that fail, or new faults a km, of what was changed
    after: float = np.nan
    others_before: float = np.nan
    others_after: float = np.nan
    expected: float = np.nan  # after, had it gone as with the others
    ratio: float = np.nan  # after over expected
    low: float = np.nan  # 95 % interval of one look
    high: float = np.nan
    low_always: float = np.nan  # and of any number of looks
    high_always: float = np.nan
    difference: float = np.nan  # after less expected
    difference_low: float = np.nan
    difference_high: float = np.nan
    p_value: float = np.nan
    is_precise: bool = False  # a halving would have been found in four of five
    needed: float = np.nan  # further fixes, or km, until it would; NaN: none are enough


NOTHING: Final = BeforeAfter()
"""One of the four sides is empty."""


def fixes_before_after(rows: Compared, odds_failed: FloatArray, usual: FloatArray) -> BeforeAfter:
    """Compare shares of fixes that fail.

    ``odds_failed``: P(what was seen | failed) / P(what was seen | held), 0 to infinity; ``usual``:
    share that fails in each one's situation, inside 0 to 1; shapes (n,).

    Raises:
        ValueError: shapes differ, or a share is not inside 0 to 1.

    """
    check_same_shape(unit=rows.unit, odds_failed=odds_failed, usual=usual)
    check_non_negative("odds_failed", odds_failed)
    if not ((usual > 0) & (usual < 1)).all():
        raise ValueError("usual must be inside 0 to 1")
    with np.errstate(divide="ignore"):
        evidence = np.clip(np.log(odds_failed), -_SUREST, _SUREST)
    log_odds = np.asarray(special.logit(usual))
    each = Fixes(log_odds, evidence, np.ones(log_odds.size))
    steps = np.round(np.stack([log_odds, evidence], axis=1) / _STEP).astype(np.int64)
    cells = np.column_stack([rows.unit, rows.is_touched, rows.is_after, steps])
    _, first, n = np.unique(_one_number(cells), return_index=True, return_counts=True)
    some = Fixes(log_odds[first], evidence[first], n.astype(np.float64))
    return _before_after(rows, each, _part(rows, first), some)


def _one_number(cells: IntArray) -> IntArray:
    """Give each row of a table of whole numbers a number, alike rows the same; shape (n,)."""
    low = cells.min(axis=0, initial=0)
    sizes = cells.max(axis=0, initial=0) - low + 1
    return np.asarray(np.ravel_multi_index(tuple((cells - low).T), tuple(sizes)))


def _part(rows: Compared, some: IntArray | BoolArray) -> Compared:
    return Compared(rows.unit[some], rows.is_touched[some], rows.is_after[some], rows.vehicle[some])


def faults_before_after(rows: Compared, count: FloatArray, km: FloatArray) -> BeforeAfter:
    """Compare rates of new faults.

    ``count``: new faults in ``km`` driven, one row for a vehicle before and one after, shape (n,);
    rows without km are left out.

    Raises:
        ValueError: shapes differ, or a count or distance is negative.

    """
    check_same_shape(unit=rows.unit, count=count, km=km)
    check_non_negative("count", count)
    check_non_negative("km", km)
    check_finite("km", km)
    some = km > 0
    rows, count, km = _part(rows, some), count[some], km[some]
    usual = float(np.log(max(count.sum(), 0.5) / km.sum())) if km.size else 0.0
    law = Faults(count, km, usual)
    return _before_after(rows, law, rows, law)


def _before_after(rows: Compared, each: Law, cells: Compared, law: Law) -> BeforeAfter:
    """Compare; ``rows`` by ``each`` row for how vehicles spread, ``cells`` of alike rows else."""
    check_same_shape(
        unit=rows.unit, touched=rows.is_touched, after=rows.is_after, vehicle=rows.vehicle
    )
    if not all(side.any() for side in _sides(cells)):
        return NOTHING
    fit = _fitted(cells, law)
    clusters = min(np.unique(rows.vehicle[side]).size for side in _sides(rows)[:2])
    return _told(cells, law, fit, (_design(rows, each, fit), max(1, clusters - 1)))


def _sides(rows: Compared) -> tuple[BoolArray, BoolArray, BoolArray, BoolArray]:
    """Tell the sides apart: changed before, changed after, others before, others after."""
    touched, after = rows.is_touched, rows.is_after
    return touched & ~after, touched & after, ~touched & ~after, ~touched & after


@dataclass(frozen=True, slots=True)
class _Fit:
    """The mode, all of it or with the effect held."""

    at: FloatArray  # (n,) linear predictor
    level: FloatArray  # (n_units,)
    moved: FloatArray  # the common step, and the effect if it is free
    effect: float
    log_posterior: float
    curve: "_Curve"


def _fitted(rows: Compared, law: Law, held: float | None = None, start: _Fit | None = None) -> _Fit:
    """Find the mode by Newton's steps; where the evidence hides too much, by those of EM."""
    n_units = int(rows.unit.max()) + 1
    own = (rows.is_after & rows.is_touched).astype(np.float64)
    after = rows.is_after.astype(np.float64)
    steps = np.stack([after, own], axis=1) if held is None else after[:, None]
    fixed = own * (held or 0.0)
    level = np.zeros(n_units) if start is None else start.level
    moved = np.zeros(steps.shape[1]) if start is None else start.moved[: steps.shape[1]]
    for _ in range(_ROUNDS):
        at = level[rows.unit] + steps @ moved + fixed
        residual = law.residual(at)
        curve = _curve(rows.unit, steps, law.information(at, whole=False), moved, n_units)
        if not curve.is_positive():
            curve = _curve(rows.unit, steps, law.information(at, whole=True), moved, n_units)
        of_level = group_sums(residual, rows.unit, n_units) - level / _LEVEL_VARIANCE
        of_moved = steps.T @ residual + 0.5 - special.expit(moved)
        by_level, by_moved = curve.solved(of_level, of_moved)
        longest = max(float(np.abs(by_level).max()), float(np.abs(by_moved).max()))
        shorter = min(1.0, _LONGEST_STEP / longest) if longest > 0 else 1.0
        level, moved = level + shorter * by_level, moved + shorter * by_moved
        if longest < _SETTLED:
            break
    at = level[rows.unit] + steps @ moved + fixed
    effect = float(moved[1]) if held is None else held
    prior = _log_f(float(moved[0])) + _log_f(effect) - float(level @ level) / 2 / _LEVEL_VARIANCE
    return _Fit(at, level, moved, effect, law.log_likelihood(at) + prior, curve)


def _log_f(value: float) -> float:
    return value / 2 - float(np.logaddexp(0, value))


def _design(rows: Compared, law: Law, fit: _Fit) -> float:
    """Give how much less the log-likelihood counts; 1 or more.

    Vehicles' pulls on the effect spread more than those of independent rows, or than the model has
    it.  Where hardly anything failed pulls are few and show less than there is, hence 1 or more.
    """
    own = rows.is_after & rows.is_touched
    steps = np.stack([rows.is_after, own], axis=1).astype(np.float64)
    spread = fit.curve.spread()
    by_level = fit.curve.between @ spread / fit.curve.levels
    residual = law.residual(fit.level[rows.unit] + steps @ fit.moved)
    pull = residual * (steps @ spread - by_level[rows.unit])
    alone = float(pull @ pull)
    together = float((group_sums(pull, rows.vehicle, int(rows.vehicle.max()) + 1) ** 2).sum())
    if alone <= 0:
        return 1.0
    return max(1.0, together / alone, together / float(spread[1]))


@dataclass(frozen=True, slots=True)
class _Curve:
    """Curvature in blocks: units, which meet only through the steps, and these."""

    levels: FloatArray  # (n_units,)
    between: FloatArray  # (n_units, n_steps)
    steps: FloatArray  # (n_steps, n_steps)

    def reduced(self) -> FloatArray:
        return np.asarray(self.steps - self.between.T @ (self.between / self.levels[:, None]))

    def spread(self) -> FloatArray:
        """Covariance of the effect with the steps."""
        return np.asarray(np.linalg.inv(self.reduced())[-1])

    def is_positive(self) -> bool:
        return bool((self.levels > 0).all() and (np.linalg.eigvalsh(self.reduced()) > 0).all())

    def solved(self, of_level: FloatArray, of_steps: FloatArray) -> tuple[FloatArray, FloatArray]:
        by_steps = np.linalg.solve(
            self.reduced(), of_steps - self.between.T @ (of_level / self.levels)
        )
        by_level = (of_level - self.between @ by_steps) / self.levels
        return np.asarray(by_level), np.asarray(by_steps)


def _curve(
    unit: IntArray, steps: FloatArray, information: FloatArray, moved: FloatArray, n_units: int
) -> _Curve:
    weighted = steps * information[:, None]
    flat = special.expit(moved)
    return _Curve(
        group_sums(information, unit, n_units) + 1 / _LEVEL_VARIANCE,
        np.stack([group_sums(column, unit, n_units) for column in weighted.T], axis=1),
        steps.T @ weighted + np.diag(flat * (1 - flat)),
    )


def _told(rows: Compared, law: Law, fit: _Fit, known: tuple[float, int]) -> BeforeAfter:
    """Tell the effect; ``known``: how much less the likelihood counts, and degrees of freedom."""
    (design, degrees), sides, weight = known, _sides(rows), law.weight()
    own = sides[1]

    def mean(at: FloatArray, some: BoolArray) -> float:
        return float(np.average(law.mean(at)[some], weights=weight[some]))

    def apart(found: _Fit) -> tuple[float, float]:
        after, expected = mean(found.at, own), mean(found.at - found.effect, own)
        return after / expected, after - expected

    error = float(np.sqrt(fit.curve.spread()[1] * design))
    profile = _Profile(rows, law, fit, design)
    reach = float(special.stdtrit(degrees, 1 - _ALPHA / 2))
    low, high = (apart(profile.end(reach, side, error)) for side in (-1, 1))
    for_all = _for_all_looks(error)
    before, after, others_before, others_after = (mean(fit.at, side) for side in sides)
    expected = mean(fit.at - fit.effect, own)
    wanted = law.halved(expected) / float(special.ndtri(1 - _ALPHA / 2) + special.ndtri(_POWER))
    return BeforeAfter(
        before=before,
        after=after,
        others_before=others_before,
        others_after=others_after,
        expected=expected,
        ratio=after / expected,
        low=low[0],
        high=high[0],
        low_always=apart(profile.end(for_all, -1, error))[0],
        high_always=apart(profile.end(for_all, 1, error))[0],
        difference=after - expected,
        difference_low=low[1],
        difference_high=high[1],
        p_value=float(2 * special.stdtr(degrees, -profile.away(profile.held(0.0)))),
        is_precise=error <= wanted,
        needed=_needed(law, fit, own, (wanted, design)),
    )


@dataclass(frozen=True, slots=True)
class _Profile:
    """The likelihood with the effect held at other values."""

    rows: Compared
    law: Law
    best: _Fit
    design: float

    def held(self, effect: float) -> _Fit:
        return _fitted(self.rows, self.law, effect, self.best)

    def away(self, found: _Fit) -> float:
        """How far a held effect is from the best one, in standard errors."""
        fall = max(0.0, self.best.log_posterior - found.log_posterior)
        return float(np.sqrt(2 * fall / self.design))

    def end(self, reach: float, side: int, error: float) -> _Fit:
        """Find the effect that is so many standard errors away to one side."""

        def beyond(by: float) -> float:
            return self.away(self.held(self.best.effect + side * by)) - reach

        far = reach * error
        while beyond(far) < 0 and far < _FARTHEST:
            far *= 1.5
        if far >= _FARTHEST:
            return self.held(self.best.effect + side * far)
        at = optimize.brentq(beyond, 0.0, far, xtol=_END_WITHIN * error)
        return self.held(self.best.effect + side * at)


def _for_all_looks(error: float) -> float:
    """Half the interval that holds at all looks together, in standard errors."""
    information = error**-2
    tuned = -2 * np.log(_ALPHA)
    mixture = _TUNED_TO / (tuned + np.log(tuned) + 1)
    both = information + mixture
    return float(np.sqrt(both / information * np.log(both / (mixture * _ALPHA**2))))


def _needed(law: Law, fit: _Fit, own: BoolArray, wanted: tuple[float, float]) -> float:
    """Further fixes or km of what was changed until the error is as wanted.

    ``wanted``: the error, and how much less the likelihood counts.
    """
    error, design = wanted
    information, weight = law.information(fit.at, whole=False), law.weight()
    of_own = max(float(information[own].sum()) / design, np.finfo(np.float64).tiny)
    room = error**2 - max(0.0, fit.curve.spread()[1] * design - 1 / of_own)
    if room <= 0:
        return np.nan
    # new work will be watched as work before was
    of_all = float(information.sum() / weight.sum()) / design
    rate = max(of_own / float(weight[own].sum()), of_all / 2)
    return max(0.0, float(1 / room - of_own) / rate)
