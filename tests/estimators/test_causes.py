"""Three causes of a return: each step worked out naively, the whole against scipy and surpyval."""

import numpy as np
import pytest
import surpyval
from scipy import optimize

from afterclear.estimators.arrays.validation import FloatArray
from afterclear.estimators.causes.cell_prior import Cells
from afterclear.estimators.causes.judging import (
    ETA_SPAN_KM,
    Attempts,
    OlderParts,
    ThreeCauses,
    judge,
)
from afterclear.estimators.causes.other_causes import Others, Windows
from afterclear.estimators.fix_held import zoom
from afterclear.estimators.fix_held.fix_held import sorted_attempts
from afterclear.estimators.fix_held.grid import Rows, common_nodes
from afterclear.estimators.fix_held.pool import Levels, left_to_others, likelihoods
from afterclear.estimators.fix_held.prior import fit_priors

LEVELS = Levels(0.05, 0.95)
NEW = 4e-6  # rate of new faults per km


def one_cell(*, wears: bool = True) -> Cells:
    zero = np.zeros(1, dtype=np.int64)
    return Cells(zero, zero, zero, np.array([wears]))


def scanned(rng: np.random.Generator, back: FloatArray, gap: float, longest: float) -> FloatArray:
    """(low, high] of each return on scans ``gap`` km apart, with follow-up up to ``longest``."""
    last = np.maximum(1, np.round(rng.uniform(0, longest, back.size) / gap)) * gap
    seen = np.ceil(back / gap) * gap
    is_seen = seen <= last
    return np.array([np.where(is_seen, seen - gap, last), np.where(is_seen, seen, np.inf)])


def fleet(seed: int, n: int, p: float = 0.25) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Low, high and cause (0 new, 1 worn, 2 failed) of attempts of one group and cell."""
    rng = np.random.default_rng(seed)
    times = np.stack(
        [
            rng.exponential(1 / NEW, n),
            60_000 * rng.weibull(2.5, n),
            np.where(rng.random(n) < p, rng.exponential(1500, n), np.inf),
        ]
    )
    low, high = scanned(rng, times.min(axis=0), 1000.0, 80_000.0)
    return low, high, times.argmin(axis=0)


def judged(low: FloatArray, high: FloatArray, *, wears: bool = True) -> ThreeCauses:
    zero = np.zeros(low.size, dtype=np.int64)
    attempts = Attempts(
        zero,
        zero,
        zero,
        zero > 0,
        zero,
        low,
        high,
        np.full(low.size, NEW),
        np.zeros(low.size),
        OlderParts.none(low.size),
    )
    return judge(attempts, one_cell(wears=wears), LEVELS)


# --- the steps --------------------------------------------------------------------------------


def test_what_groups_leave_to_others_is_what_they_say_without_the_return() -> None:
    """D / q of a return from the posterior of all other attempts, worked out on the same nodes."""
    low = np.array([500.0, 3000.0, 0.0, 9000.0, 200.0])
    high = np.array([1500.0, np.inf, 800.0, 15_000.0, np.inf])
    other = np.where(np.isfinite(high), 0.02, 0.0)
    zero = np.zeros(5, dtype=np.int64)
    evidence = sorted_attempts(Rows(zero, low, high, other), zero, span_km=ETA_SPAN_KM).evidence
    table = likelihoods(evidence)
    (prior,) = fit_priors(table, evidence.kin, evidence.span_km)
    left = left_to_others(evidence, table, [prior])
    nodes = evidence.common
    p, curves = nodes.p[0][:, None], nodes.curves
    log_prior = prior.log_p_part(nodes)[0][:, None] + prior.log_curve_part(nodes)
    prior_weight = np.exp(log_prior)

    def survival(km: float) -> FloatArray:
        return np.exp(-((km / np.exp(curves.log_eta[0])) ** curves.shape[0]))[None, :]

    def likelihood(row: int) -> FloatArray:
        if np.isinf(high[row]):
            return np.asarray(1 - p + p * survival(low[row]))
        b = -np.expm1(-other[row])
        in_window = survival(low[row]) - survival(high[row]) * (1 - b)
        return np.asarray((1 - p) * b + p * in_window)

    for place, ratio in zip(left.place, left.ratio, strict=True):
        others = [likelihood(row) for row in range(5) if row != place]
        weight = prior_weight * np.prod(others, axis=0)
        d = (weight * p * (survival(low[place]) - survival(high[place]))).sum()
        q = (weight * (1 - p + p * survival(high[place]))).sum()
        assert ratio == pytest.approx(d / q, rel=1e-4)  # the table is in single precision


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_with_thousands_of_returns_the_curve_lies_between_the_common_nodes(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Chances of late returns, against those by the true share and curve.

    On the common nodes alone late returns look like failures less or more often than they are; in
    the rounds the lives of parts then bend to mend it.
    """
    rng, n, p, shape = np.random.default_rng(seed), 3000, 0.9, 1.25
    eta = float(np.exp(common_nodes(ETA_SPAN_KM).log_eta[0, 6:8].mean()))
    failed = np.where(rng.random(n) < p, eta * rng.weibull(shape, n), np.inf)
    low, high = scanned(rng, np.minimum(failed, rng.exponential(1 / NEW, n)), 1000.0, 40_000.0)
    back, zero = np.isfinite(high), np.zeros(n, dtype=np.int64)
    other = np.where(back, NEW * (np.where(back, high, 0.0) - low), 0.0)
    evidence = sorted_attempts(Rows(zero, low, high, other), zero, span_km=ETA_SPAN_KM).evidence
    table = likelihoods(evidence)
    priors = fit_priors(table, evidence.kin, evidence.span_km)

    def error() -> float:
        left = left_to_others(evidence, table, priors)
        late = low[left.place] >= 6000
        place = left.place[late]
        b = -np.expm1(-other[place])
        now, later = (np.exp(-((km[place] / eta) ** shape)) for km in (low, high))
        hidden = p * (now - later * (1 - b))
        truth = hidden / (hidden + (1 - p) * b)
        return float(np.abs(left.p_failed[late] - truth).mean())

    assert error() < 0.02
    monkeypatch.setattr(zoom, "MANY_RETURNS", n)
    assert error() > 0.06


def test_a_return_is_taken_out_of_what_its_cell_says_of_it() -> None:
    """Chance of another cause, against the posterior from the likelihoods of all other windows."""
    low = np.array([30_000.0, 10_000.0, 45_000.0, 2000.0])
    high = np.array([34_000.0, np.inf, 50_000.0, 2500.0])
    windows = Windows(np.zeros(4, dtype=np.int64), low, high, np.full(4, NEW), np.zeros(4))
    ratio = np.array([0.001, 0.002, 0.3])
    others = Others.before(one_cell()).fitted(windows, ratio)
    returned = windows.part(np.array([0, 2, 3]))
    chance, worn = others.chances(returned, ratio)
    nodes, weight = others.nodes, others.weight[0]
    rho = np.exp(nodes.log_rho[0])[:, None]
    log_theta, kappa = (axis[0] for axis in nodes.wear)

    def hazard(km: float) -> tuple[FloatArray, FloatArray]:
        wear = np.append(0.0, np.exp(kappa * (np.log(km) - log_theta)))
        return rho * NEW * km, wear[None, :]

    for i, row in enumerate((0, 2, 3)):
        (new_low, wear_low), (new_high, wear_high) = hazard(low[row]), hazard(high[row])
        new, wear = new_high - new_low, wear_high - wear_low
        b = -np.expm1(-new - wear)
        without = weight / (ratio[i] + b)  # e^-H(low) stands in both
        assert chance[i] == pytest.approx((without * b).sum() / without.sum(), rel=1e-9)
        share = (without * b * wear / (new + wear)).sum() / (without * b).sum()
        assert worn[i] == pytest.approx(share, rel=1e-9)


def test_kin_share_one_curve_and_each_has_its_own_share() -> None:
    """Posterior of two groups of one kin, by sums over both shares and the curve at once."""
    group = np.array([0, 0, 0, 1, 1])
    low = np.array([500.0, 3000.0, 200.0, 900.0, 4000.0])
    high = np.array([1500.0, np.inf, 600.0, 1400.0, np.inf])
    other = np.where(np.isfinite(high), 0.02, 0.0)
    rows = Rows(group, low, high, other)
    evidence = sorted_attempts(rows, group, kin=0, span_km=ETA_SPAN_KM).evidence
    nodes, table = evidence.common, likelihoods(evidence).astype(np.float64)
    priors = fit_priors(likelihoods(evidence), evidence.kin, evidence.span_km)
    found = evidence.kin.posterior(np.log(table), priors, nodes)
    by_p = [np.exp(prior.log_p_part(nodes)[0]) for prior in priors]
    by_curve = np.exp(priors[0].log_curve_part(nodes)[0])
    joint = np.einsum("pc,qc,p,q,c->pqc", table[0], table[1], *by_p, by_curve)
    joint /= joint.sum()
    np.testing.assert_allclose(found[0], joint.sum(axis=1), rtol=1e-9, atol=1e-15)
    np.testing.assert_allclose(found[1], joint.sum(axis=0), rtol=1e-9, atol=1e-15)


def test_a_part_left_in_place_goes_on_wearing_unless_it_ended_before() -> None:
    """300 repairs whose parts live 60,000 km; a clear after them, 55,000 km on, that returns."""
    low, high, _ = fleet(9, 300)
    zero = np.zeros(302, dtype=np.int64)
    cells = Cells(
        np.zeros(2, dtype=np.int64), np.zeros(2, dtype=np.int64), np.array([1, 0]),
        np.array([True, False]),
    )  # fmt: skip

    def p_worn(part: int, first_high: float) -> float:
        kind = np.append(zero[:301], 1)
        older = OlderParts(
            np.append(zero[:301] - 1, part), np.append(np.zeros(301), 55_000.0), zero + 300
        )
        attempts = Attempts(
            kind,
            kind,
            kind,
            kind == 1,
            kind,
            np.append(low, [50_000.0, 9000.0]),
            np.append(high, [first_high, 11_000.0]),
            np.full(302, NEW),
            np.zeros(302),
            older,
        )
        return float(judge(attempts, cells, LEVELS).p_worn[-1])

    assert p_worn(-1, np.inf) == 0
    assert p_worn(0, np.inf) > 0.5
    # it came back within what such parts live: that part may have been the one that ended
    assert p_worn(0, 52_000.0) < 0.6 * p_worn(0, np.inf)


# --- the whole --------------------------------------------------------------------------------


def test_parts_that_only_wear_live_as_surpyval_says() -> None:
    """600 parts, nothing fails: median life as by interval-censored Weibull, to 3 %."""
    rng = np.random.default_rng(1)
    low, high = scanned(rng, 60_000 * rng.weibull(2.5, 600), 1000.0, 80_000.0)
    zero = np.zeros(600, dtype=np.int64)
    windows = Windows(zero, low, high, np.full(600, 1e-12), np.zeros(600))
    others = Others.before(one_cell())
    ratio = np.zeros(int(np.isfinite(high).sum()))
    for _ in range(6):
        others = others.fitted(windows, ratio).closer()
    others = others.fitted(windows, ratio)
    library = surpyval.Weibull.fit(xl=low, xr=high)
    assert others.usual_life()[0] == pytest.approx(library.qf(0.5), rel=0.03)


def test_a_large_fleet_is_fitted_as_by_maximum_likelihood() -> None:
    """3000 attempts of one group: share, scale and life as scipy's maximum of the likelihood."""
    low, high, _ = fleet(2, 3000)
    back = np.isfinite(high)

    def negative(theta: FloatArray) -> float:
        p, eta, life, kappa = 1 / (1 + np.exp(-theta[0])), *np.exp(theta[1:])

        def clean(km: FloatArray) -> FloatArray:
            return np.asarray(
                (1 - p + p * np.exp(-km / eta)) * np.exp(-NEW * km - (km / life) ** kappa)
            )

        gone = clean(low[back]) - clean(high[back])
        return -float(np.log(clean(low[~back])).sum() + np.log(gone).sum())

    start = np.array([-1.0, np.log(2000.0), np.log(80_000.0), np.log(2.0)])
    best = optimize.minimize(negative, start, method="Nelder-Mead", options={"maxiter": 4000})
    p, life = 1 / (1 + np.exp(-best.x[0])), np.exp(best.x[2])
    median = life * np.log(2) ** np.exp(-best.x[3])
    found = judged(low, high)
    assert found.held.groups.p_mean[0] == pytest.approx(p, rel=0.03)
    assert found.held.groups.eta_median_km[0] == pytest.approx(np.exp(best.x[1]), rel=0.1)
    assert found.others.usual_life()[0] == pytest.approx(median, rel=0.03)


def test_causes_are_told_as_often_as_they_are() -> None:
    """Mean chances of 2000 attempts against the simulated causes, each to 3 points."""
    low, high, cause = fleet(3, 2000)
    found, back = judged(low, high), np.isfinite(high)
    for told, number in ((found.p_new, 0), (found.p_worn, 1), (found.held.p_same_fault, 2)):
        assert told[back].mean() == pytest.approx((cause[back] == number).mean(), abs=0.03)


def test_chances_of_the_causes_add_up_and_clean_attempts_have_none() -> None:
    low, high, _ = fleet(4, 200)
    found, back = judged(low, high), np.isfinite(high)
    total = found.held.p_same_fault + found.p_worn + found.p_new
    np.testing.assert_allclose(total[back], 1.0, rtol=1e-9)
    assert np.isnan(total[~back]).all()


def test_where_no_part_was_fitted_none_wears_out() -> None:
    low, high, _ = fleet(5, 200)
    found, back = judged(low, high, wears=False), np.isfinite(high)
    assert (found.p_worn[back] == 0).all()
    assert np.isnan(found.others.usual_life()).all()


def test_a_return_after_very_long_is_no_failure_and_an_early_one_is() -> None:
    low, high, _ = fleet(6, 400)
    same = judged(np.append(low, [70_000.0, 0.0]), np.append(high, [71_000.0, 300.0]))
    assert same.held.p_same_fault[-2] < 0.001
    assert same.held.p_same_fault[-1] > 0.9


@pytest.mark.parametrize(
    ("low", "high"),
    [
        ([], []),
        ([0.0], [np.inf]),
        ([0.0], [1.0]),
        ([5000.0] * 3, [np.inf] * 3),
        ([0.0, 1e6], [1e-3, 1.1e6]),
        ([0.0] * 50, [500.0] * 50),
    ],
    ids=["none", "unseen", "one return", "all clean", "odd distances", "all back"],
)
def test_little_and_odd_data_give_chances(low: list[float], high: list[float]) -> None:
    found = judged(np.array(low), np.array(high))
    back = np.isfinite(high)
    assert np.isfinite(found.held.p_not_held[~back]).all()
    for told in (found.held.p_same_fault, found.p_worn, found.p_new):
        assert ((told[back] >= 0) & (told[back] <= 1)).all()


def test_the_order_of_rows_says_nothing() -> None:
    low, high, _ = fleet(7, 300)
    order = np.random.default_rng(0).permutation(300)
    straight, mixed = judged(low, high), judged(low[order], high[order])
    np.testing.assert_allclose(
        mixed.held.p_not_held, straight.held.p_not_held[order], rtol=1e-9, equal_nan=True
    )
    np.testing.assert_allclose(mixed.p_worn, straight.p_worn[order], rtol=1e-9, equal_nan=True)


def test_a_weak_brand_is_doubted_on_a_component_it_was_never_seen_on() -> None:
    """Two components, brand 1 lives a third as long on the first; on the second it is new."""
    rng = np.random.default_rng(8)
    life = np.repeat([90_000.0, 30_000.0, 90_000.0], 150)
    low, high = scanned(rng, life * rng.weibull(3.0, 450), 2000.0, 70_000.0)
    cell = np.repeat([0, 1, 2], 150)
    cells = Cells(
        np.array([0, 0, 1, 1]), np.array([0, 1, 0, 1]), np.zeros(4, dtype=np.int64), np.ones(4) > 0
    )
    zero = np.zeros(450, dtype=np.int64)
    attempts = Attempts(
        zero,
        zero,
        zero,
        zero > 0,
        cell,
        low,
        high,
        np.full(450, 1e-7),
        np.zeros(450),
        OlderParts.none(450),
    )
    prior = judge(attempts, cells, LEVELS).others.prior
    assert prior.log_theta[3] < prior.log_theta[2] - 0.3
