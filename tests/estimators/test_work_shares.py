"""Works on a fault compared within situations: statsmodels, counts by hand, known truth."""

from dataclasses import dataclass

import numpy as np
import pytest
from scipy import special

from afterclear.estimators.arrays.validation import FloatArray, IntArray
from afterclear.estimators.rates import work_modes
from afterclear.estimators.rates.work_modes import _modes, _precision
from afterclear.estimators.rates.work_shares import (
    WorkShares,
    WorkTrials,
    _Fault,
    work_shares,
)
from tests.campaigns import counted, repeats
from tests.estimators.open_data import library, quiet

_SURE = 400.0  # odds of an end that was seen
_SAID = {
    "frailty": "vehicles differ, ln sd",
    "by_case": "cases get other work, times",
    "spread": "works differ, ln sd",
    "n": "fixes of a fault",
}


@dataclass(frozen=True)
class Fleet:
    """Fixes of several faults with what is true of them."""

    trials: WorkTrials
    true_difference: FloatArray  # by work, from the usual one; nan: never side by side


def _ends(rng: np.random.Generator, held: np.ndarray) -> FloatArray:
    """Watch each fix for a while: failed ones return after 1,500 km, new faults begin at 60,000."""
    watched = rng.exponential(6000, held.size)
    failed = np.where(held, np.inf, rng.exponential(1500, held.size))
    seen = np.minimum(failed, rng.exponential(60_000, held.size))
    at = np.minimum(seen, watched)
    back = (np.exp(-at / 1500) * (1 / 1500 + 1 / 60_000)) / (1 / 60_000)
    return np.where(seen < watched, back, np.maximum(np.exp(-watched / 1500), 1e-9))


def fleet(
    seed: int, *, spread: float = 0.8, n: int = 400, by_case: float = 1.0, frailty: float = 0.0
) -> Fleet:
    """Draw 15 faults with 4 works in 6 situations; harder situations get other works."""
    rng = np.random.default_rng(seed)
    columns, truths = [], []
    for number in range(15):
        work_effect, case_effect = rng.normal(0, spread, 4), rng.normal(0, 0.8, 6)
        size = rng.poisson(n * rng.gamma(1, 1)) + 4
        case = rng.choice(6, size, p=rng.dirichlet(np.full(6, 2.0)))
        taste = rng.normal(0, 1, 4) - by_case * np.outer(case_effect, np.linspace(-1, 1, 4))
        chance = special.softmax(taste, axis=1)[case]
        work = np.minimum((chance.cumsum(1) < rng.random(size)[:, None]).sum(1), 3)
        vehicle = rng.integers(0, max(size // 2, 1), size)
        trait = rng.normal(0, frailty, max(size // 2, 1))
        level = rng.normal(1.5, 0.7)
        p = special.expit(level + work_effect[work] + case_effect[case] + trait[vehicle])
        held = rng.random(size) < p
        columns.append(
            (np.full(size, number), 4 * number + work, 6 * number + case, vehicle + 10_000 * number)
        )
        columns[-1] += (_ends(rng, held),)
        truths.append((level, work_effect, case_effect, work, case))
    fault, work, case, vehicle, odds = (
        np.concatenate(parts) for parts in zip(*columns, strict=True)
    )
    named, number = np.unique(work, return_inverse=True)
    trials = WorkTrials(fault, number, np.unique(case, return_inverse=True)[1], vehicle, odds)
    true = np.concatenate([_true_differences(*truth) for truth in truths])
    return Fleet(trials, true[named])


def _true_differences(
    level: float, work_effect: FloatArray, case_effect: FloatArray, work: IntArray, case: IntArray
) -> FloatArray:
    n = np.array([np.bincount(case[work == which], minlength=6) for which in range(4)])
    usual = int(n.sum(1).argmax())
    held = special.expit(level + work_effect[:, None] + case_effect)
    weight = n * n[usual] / np.maximum(n + n[usual], 1)
    with np.errstate(invalid="ignore"):
        difference = (weight * (held - held[usual])).sum(1) / weight.sum(1)
    difference[usual] = np.nan
    return difference


def _told(found: WorkShares) -> np.ndarray:
    apart = (found.difference_low > 0) | (found.difference_high < 0)
    return (found.q_value < 0.05) & apart


def _alone(held: np.ndarray, work: np.ndarray, case: np.ndarray) -> WorkTrials:
    """One fault whose ends were all seen, each on a vehicle of its own."""
    odds = np.where(held, 1 / _SURE, _SURE)
    return WorkTrials(np.zeros(held.size, np.int64), work, case, np.arange(held.size), odds)


def test_the_mode_is_that_of_a_regression_with_the_same_penalty() -> None:
    """GLM of statsmodels, binomial, ridge penalty by parameter: the same posterior mode."""
    api = library("statsmodels.api")
    rng = np.random.default_rng(4)
    work, case = rng.integers(0, 3, 300), rng.integers(0, 4, 300)
    held = rng.random(300) < special.expit(0.5 * work - 0.4 * case + 0.3)
    odds = np.where(held, 1e-12, 1e12)
    cells = _Fault(_alone(held, work, case), np.log(odds), np.arange(300)).cells
    spreads = np.array([[0.5, 0.7], [2.0, 0.1]])  # found at once, as if each were alone
    found = _modes(cells, np.zeros((2, 8)), spreads, np.zeros(2))
    design = np.c_[np.ones(300), np.eye(3)[work], np.eye(4)[case]]
    for at, precision in zip(found.at, _precision(cells, spreads), strict=True):
        model = api.GLM(held.astype(float), design, family=api.families.Binomial())
        with quiet():
            fit = model.fit_regularized(alpha=precision / 300, L1_wt=0.0, maxiter=500)
        assert at == pytest.approx(fit.params, abs=2e-3)


def test_few_spreads_at_once_give_the_same_modes(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(5)
    work, case = rng.integers(0, 3, 60), rng.integers(0, 4, 60)
    trials = _alone(rng.random(60) < 0.7, work, case)
    cells = _Fault(trials, rng.normal(0, 2, 60), np.arange(60)).cells
    spreads = rng.uniform(0.1, 4, (5, 2))
    begun, level = np.zeros((5, 8)), np.ones(5)
    whole = _modes(cells, begun, spreads, level)
    monkeypatch.setattr(work_modes, "_ENTRIES_AT_ONCE", 2 * 3 * 4)
    parts = _modes(cells, begun, spreads, level)
    for name in ("at", "half", "follows", "alone", "log_weight"):
        assert getattr(parts, name) == pytest.approx(getattr(whole, name), rel=1e-9)


def test_many_sure_ends_give_the_difference_of_mantel_and_haenszel() -> None:
    """Two works, four situations, the harder ones with the second work: by the counts alone."""
    rng = np.random.default_rng(5)
    case = rng.integers(0, 4, 8000)
    work = (rng.random(8000) < special.expit(case - 2.0)).astype(np.int64)
    held = rng.random(8000) < special.expit(1.5 + 0.5 * work - 0.7 * case)
    n = np.array([np.bincount(case[work == which], minlength=4) for which in (0, 1)])
    kept = np.array([np.bincount(case[(work == which) & held], minlength=4) for which in (0, 1)])
    weight = n[0] * n[1] / n.sum(0)
    by_hand = (weight * (kept[1] / n[1] - kept[0] / n[0])).sum() / weight.sum()
    found = work_shares(_alone(held, work, case))
    raw = held[work == 1].mean() - held[work == 0].mean()
    assert raw < -0.05  # without the situations the better work looks worse
    assert found.usual.tolist() == [0, 0]
    assert found.difference[1] == pytest.approx(by_hand, abs=0.01)
    assert found.difference_low[1] > 0


def test_what_was_never_seen_says_nothing_and_one_work_has_nothing_beside_it() -> None:
    zeros = np.zeros(6, np.int64)
    unseen = WorkTrials(zeros, zeros, zeros, np.arange(6), np.ones(6))
    found = work_shares(unseen)
    assert found.high[0] - found.low[0] > 0.6
    assert np.isnan(found.difference[0])
    assert np.isnan(found.q_value[0])


def test_works_are_compared_with_one_that_stands_aside_only_where_there_is_no_other() -> None:
    work = np.repeat([0, 1, 2], [30, 20, 10])  # the first: codes erased, no repair
    held = np.arange(60) % 3 > 0
    trials = _alone(held, work, np.zeros(60, np.int64))
    assert work_shares(trials).usual.tolist() == [0, 0, 0]
    clear = np.array([True, False, False])
    assert work_shares(trials, aside=clear).usual.tolist() == [1, 1, 1]
    assert work_shares(trials, aside=clear, least=15).usual.tolist() == [1, 1, 1]
    assert work_shares(trials, aside=clear, least=25).usual.tolist() == [0, 0, 0]
    assert work_shares(trials, aside=clear, least=40).usual.tolist() == [1, 1, 1]


def test_works_never_tried_in_one_situation_are_not_compared() -> None:
    work = np.repeat([0, 1], 20)
    found = work_shares(_alone(np.ones(40, bool), work, work))
    assert np.isnan(found.difference).all()
    assert found.n_together.tolist() == [0, 0]


def test_a_work_that_stands_for_two_faults_is_refused() -> None:
    two, one = np.array([0, 1]), np.zeros(2, np.int64)
    with pytest.raises(ValueError, match="work: one number stands for two faults"):
        work_shares(WorkTrials(two, one, two, two, np.ones(2)))


def test_the_same_attempts_in_another_order_give_the_same_figures() -> None:
    trials = fleet(1, n=60).trials
    order = np.random.default_rng(0).permutation(trials.work.size)
    columns = ("fault", "work", "case", "vehicle", "odds_failed")
    other = WorkTrials(*(getattr(trials, name)[order] for name in columns))
    one, same = work_shares(trials), work_shares(other)
    assert one.difference == pytest.approx(same.difference, abs=1e-9, nan_ok=True)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("seed", "how"),
    [
        (100, {}),
        (200, {"frailty": 1.0}),
        (300, {"by_case": 2.0}),
        (400, {"spread": 0.0}),
        (500, {"n": 25}),
    ],
)
def test_intervals_cover_and_told_differences_are_right_where_harder_cases_get_other_work(
    seed: int, how: dict[str, float]
) -> None:
    """8 fleets each; goals: 95 % intervals cover 93 %, 5 % of told differences are wrong.

    A campaign draws 40; 8 fleets scatter by 2 %.
    """
    inside, told, wrong = [], 0, 0
    for each in range(repeats(8)):
        drawn = fleet(seed + each, **how)  # type: ignore[arg-type]
        found = work_shares(drawn.trials)
        true = drawn.true_difference
        both = np.isfinite(true) & np.isfinite(found.difference)
        inside.append(((found.difference_low <= true) & (true <= found.difference_high))[both])
        said = _told(found)
        told += said.sum()
        wrong += (said & (np.sign(true) != np.sign(found.difference))).sum()
    covered = np.concatenate(inside)
    share = covered.mean()
    print(f"{how}: {share:.3f} covered, {told} differences told, {wrong} wrong")
    kind = ", ".join(f"{_SAID[name]} {value:g}" for name, value in how.items()) or "usual"
    counted(
        covered.size, f"differences between works ({kind}): true one out", int((~covered).sum())
    )
    counted(int(told), f"differences told ({kind}): wrong sign", int(wrong))
    assert share >= 0.91
    assert wrong <= 0.05 * max(told, 20)


def test_works_tried_too_seldom_get_no_figures_and_hardly_move_the_others() -> None:
    rng = np.random.default_rng(6)
    work = np.concatenate([np.repeat([0, 1], 200), np.arange(2, 12)])
    case = rng.integers(0, 3, work.size)
    held = rng.random(work.size) < np.where(work == 1, 0.5, 0.9)
    every, few = (work_shares(_alone(held, work, case), least=least) for least in (1, 5))
    assert np.isnan(few.share[2:]).all()
    assert few.usual.tolist() == [few.usual[0]] * 12
    assert few.difference[:2] == pytest.approx(every.difference[:2], abs=0.02, nan_ok=True)
