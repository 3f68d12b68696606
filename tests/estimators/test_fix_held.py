"""Judgements of fix attempts, worked out naively and against published pools.

The likelihood tables are kept in single precision, relative to their greatest entry: judgements
agree with naive double precision to about 1e-7, and are compared at 1e-6.
"""

import numpy as np
import pytest
from scipy import optimize, special, stats
from surpyval.datasets import load_meeker_lfp

from afterclear.estimators.fix_held.fix_held import UNSEEN, FixHeld
from afterclear.estimators.fix_held.prior import Prior
from tests.estimators.cure_weibull import cure_weibull_ml
from tests.estimators.fix_held_alone import fix_held
from tests.estimators.simulated_fleet import (
    BACKGROUND,
    Attempts,
    Scanning,
    Truth,
    new_faults,
    observe,
    ordinary_fleet,
)

SHAPES = (0.7, 1.0, 1.5)


def _judged(fleet: Attempts) -> FixHeld:
    return fix_held(fleet.group, fleet.low_km, fleet.high_km, BACKGROUND)


# --- worked out naively -----------------------------------------------------------------------


class Naive:
    """The model of one group at each node, as its formulas are written in a book."""

    def __init__(self, prior: Prior, longest_km: float, rate: float = BACKGROUND) -> None:
        self.rate = rate
        angle = (np.arange(28) + 0.5) * np.pi / 56
        etas = np.geomspace(0.005 * longest_km, longest_km, 13)
        nodes = np.meshgrid(np.sin(angle) ** 2, etas, SHAPES, indexing="ij")
        self.p, self.eta, self.shape = (axis.ravel() for axis in nodes)
        self.weight = (
            stats.beta.pdf(self.p, prior.a, prior.b)
            * np.sqrt(self.p * (1 - self.p))  # even in the angle
            * stats.norm.pdf(np.log(self.eta), prior.log_eta_mean, prior.log_eta_sd)
            * np.tile(prior.shape_weight, 28 * 13)
        )

    def survival(self, km: float) -> np.ndarray:
        return np.exp(-((km / self.eta) ** self.shape))

    def still_clean(self, km: float) -> np.ndarray:
        """G(km)."""
        return (1 - self.p + self.p * self.survival(km)) * np.exp(-self.rate * km)

    def failed_and_clean(self, km: float) -> np.ndarray:
        """P(failed, and nothing seen up to km)."""
        return self.p * self.survival(km) * np.exp(-self.rate * km)

    def seen(self, low: float, high: float) -> np.ndarray:
        return self.still_clean(low) - (0 if np.isinf(high) else self.still_clean(high))

    def posterior(self, attempts: list[tuple[float, float]]) -> np.ndarray:
        weight = self.weight.copy()
        for low, high in attempts:
            weight *= self.seen(low, high)
        return weight / weight.sum()

    def p_failed(
        self, others: list[tuple[float, float]], low: float, high: float = np.inf
    ) -> float:
        """P(failed) of an attempt of which ``others`` are the rest of the group."""
        weight = self.posterior(others)
        failed = self.failed_and_clean(low)
        failed = failed - (0 if np.isinf(high) else self.failed_and_clean(high))
        return float(weight @ failed / (weight @ self.seen(low, high)))


def _some_fail(found: FixHeld, clean_on: float) -> float:
    """P(some fix of the fleet fails), given one more stretch clean by chance ``clean_on``."""
    some = (1 - found.none_fails) * clean_on
    return some / (some + found.none_fails)


@pytest.fixture(scope="module")
def small() -> tuple[Attempts, FixHeld, Naive]:
    fleet = ordinary_fleet(11, n_groups=12)
    found = _judged(fleet)
    informative = (fleet.low_km > 0) | fleet.returned
    seen_to = np.where(fleet.returned, fleet.high_km, fleet.low_km)[informative]
    return fleet, found, Naive(found.priors[0], float(np.quantile(seen_to, 0.99)))


def _group(fleet: Attempts, code: int) -> list[tuple[float, float]]:
    rows = fleet.group == code
    return list(zip(fleet.low_km[rows], fleet.high_km[rows], strict=True))


def test_each_attempt_is_judged_as_the_rest_of_its_group_and_its_own_evidence_say(
    small: tuple[Attempts, FixHeld, Naive],
) -> None:
    """P(failed) is predicted from the others' posterior: E[p S] / E[1 - p + p S]."""
    fleet, found, naive = small
    p = np.where(fleet.returned, found.p_same_fault, found.p_not_held)
    for row, code in enumerate(fleet.group):
        others = _group(fleet, code)
        mine = others.pop(row - int(np.argmax(fleet.group == code)))
        expected = _some_fail(found, 1.0) * naive.p_failed(others, *mine)
        assert p[row] == pytest.approx(expected, rel=1e-6)


def test_km_to_go_ends_where_the_judgement_reaches_the_threshold(
    small: tuple[Attempts, FixHeld, Naive],
) -> None:
    """Seen clean up to low + km to go instead of low, the attempt would be at 5 %."""
    fleet, found, naive = small
    checked = 0
    for row, code in enumerate(fleet.group):
        if not found.km_to_go[row] > 0:
            continue
        others = _group(fleet, code)
        others.pop(row - int(np.argmax(fleet.group == code)))
        reached = fleet.low_km[row] + found.km_to_go[row]
        weight = naive.posterior(_group(fleet, code))
        seen = naive.seen(fleet.low_km[row], np.inf)
        new = np.exp(-naive.rate * found.km_to_go[row])
        some = _some_fail(found, float(weight @ (naive.still_clean(reached) / seen)) / new)
        assert some * naive.p_failed(others, reached) == pytest.approx(0.05, rel=1e-6)
        checked += 1
    assert checked > 5


def test_groups_are_summed_up_from_their_posterior(
    small: tuple[Attempts, FixHeld, Naive],
) -> None:
    fleet, found, naive = small
    for code in range(found.groups.p_mean.size):
        weight = naive.posterior(_group(fleet, code))
        mean = _some_fail(found, 1.0) * (weight @ naive.p)
        assert found.groups.p_mean[code] == pytest.approx(mean, rel=1e-6)
        needed = found.groups.clean_km_needed[code]
        if needed > 0:
            clean_on = weight @ naive.still_clean(needed) * np.exp(naive.rate * needed)
            at_need = _some_fail(found, float(clean_on)) * naive.p_failed(
                _group(fleet, code), float(needed)
            )
            assert at_need == pytest.approx(0.05, rel=1e-6)
    rows = [fleet.group == code for code in range(found.groups.p_mean.size)]
    assert found.groups.n_attempts.tolist() == [row.sum() for row in rows]
    assert found.groups.n_returned.tolist() == [fleet.returned[row].sum() for row in rows]


def test_chances_of_return_are_those_of_the_posterior(
    small: tuple[Attempts, FixHeld, Naive],
) -> None:
    fleet, found, naive = small
    weight, prior = naive.posterior(_group(fleet, 3)), naive.posterior([])

    def clean(weight: np.ndarray, km: float) -> float:
        held = np.exp(-naive.rate * km)
        some = _some_fail(found, 1.0)
        return float(some * (weight @ naive.still_clean(km)) + (1 - some) * held)

    clean_2, clean_9 = (clean(weight, km) for km in (2000.0, 9000.0))
    chance = found.return_probability(
        [3, 3], [0.0, 2000.0], [2000.0, 9000.0], new_faults([0.0, 2000.0], [2000.0, 9000.0])
    )
    np.testing.assert_allclose(chance, [1 - clean_2, 1 - clean_9 / clean_2], rtol=1e-6)
    unseen = found.return_probability([UNSEEN], [0.0], [9000.0], new_faults([0.0], [9000.0]))
    assert unseen[0] == pytest.approx(1 - clean(prior, 9000.0), rel=1e-6)


def test_28_nodes_integrate_over_p_nearly_exactly(
    small: tuple[Attempts, FixHeld, Naive],
) -> None:
    """Beta prior times a polynomial: Gauss-Jacobi quadrature is exact, the nodes to 1e-3.

    They are exact for polynomials times (p (1 - p))^-1/2; the beta's own powers are not
    half-integers, so an error is left, the larger the steeper its density at 0.
    """
    fleet, found, naive = small
    prior = found.priors[0]
    root, root_weight = special.roots_jacobi(40, prior.b - 1, prior.a - 1)
    p = (root[:, None] + 1) / 2
    eta, shape = naive.eta[:39], naive.shape[:39]  # of all curves
    curve_weight = naive.weight.reshape(28, 39).sum(axis=0)

    def clean(km: float) -> np.ndarray:
        if np.isinf(km):
            return np.zeros((40, 39))
        return (1 - p + p * np.exp(-((km / eta) ** shape))) * np.exp(-BACKGROUND * km)

    for code in range(12):
        likelihood = [clean(low) - clean(high) for low, high in _group(fleet, code)]
        weight = root_weight[:, None] * curve_weight * np.prod(likelihood, axis=0)
        exact = _some_fail(found, 1.0) * (weight * p).sum() / weight.sum()
        assert found.groups.p_mean[code] == pytest.approx(exact, rel=1e-3)


# --- pools that are published -----------------------------------------------------------------


def test_one_big_pool_agrees_with_the_published_fit_of_meekers_circuits() -> None:
    """Meeker 1987, Technometrics 29(1): p .0067; likelihood ratio limits .00455 to .00955 (R 4).

    A posterior with a weak prior is not a maximum: mean within 5 %, limits within 3 %.
    """
    data = load_meeker_lfp()
    count = data["n"].to_numpy()
    hours = np.repeat(data["x"].to_numpy(), count)
    is_clean = np.repeat(data["c"].to_numpy(), count) == 1
    low = np.where(is_clean, hours, hours * (1 - 1e-6))
    found = fix_held(np.zeros(hours.size, dtype=int), low, np.where(is_clean, np.inf, hours))
    assert found.groups.p_mean[0] == pytest.approx(0.006744, rel=0.05)
    assert found.groups.p_low[0] == pytest.approx(0.00455, rel=0.03)
    assert found.groups.p_high[0] == pytest.approx(0.00955, rel=0.03)


@pytest.mark.parametrize("size", [400, 6000])
def test_a_large_group_is_judged_on_nodes_close_enough_for_it(size: int) -> None:
    """Posterior of p by sums over 50 x 50 x 21 nodes around the maximum, under the same prior.

    Mean to a twentieth, limits to a tenth of a standard deviation: three nodes for the shape.
    """
    group = np.zeros(size, dtype=np.int64)
    truth = Truth(np.full(size, 0.3), np.full(size, 1800.0), np.full(size, 1.25), np.zeros(size))
    seen = observe(np.random.default_rng(5), group, truth, Scanning(3000.0))
    found = fix_held(group, seen.low_km, seen.high_km)
    mean, low, high = _dense_posterior(seen, found.priors[0])
    sd = (high - low) / (2 * 1.96)
    assert abs(found.groups.p_mean[0] - mean) < sd / 20
    assert abs(found.groups.p_low[0] - low) < sd / 10
    assert abs(found.groups.p_high[0] - high) < sd / 10


def _dense_posterior(seen: Attempts, prior: Prior) -> tuple[float, float, float]:
    judged = (seen.low_km > 0) | seen.returned
    low, high = seen.low_km[judged], seen.high_km[judged]
    top = cure_weibull_ml(low, high)
    wide = 6 / np.sqrt(seen.returned.sum())
    p = top.p * np.exp(np.linspace(-wide, wide, 50))
    log_eta = np.log(top.eta_km) + np.linspace(-wide, wide, 50)
    log_shape = np.log(top.shape) + np.linspace(-wide, wide, 21)
    table = np.empty((50, 50, 21))
    back = np.isfinite(high)
    for j, eta in enumerate(np.exp(log_eta)):
        for k, shape in enumerate(np.exp(log_shape)):
            at_low, at_high = np.exp(-((low / eta) ** shape)), np.exp(-((high / eta) ** shape))
            returned = np.log(at_low[back] - at_high[back]).sum() + back.sum() * np.log(p)
            table[:, j, k] = returned + np.log1p(-np.outer(p, 1 - at_low[~back])).sum(axis=1)
    table += (stats.beta.logpdf(p, prior.a, prior.b) + np.log(p))[:, None, None]  # even in ln p
    table += stats.norm.logpdf(log_eta, prior.log_eta_mean, prior.log_eta_sd)[None, :, None]
    table += np.interp(log_shape, np.log(SHAPES), np.log(prior.shape_weight))
    weight = np.exp(table - table.max()).sum(axis=(1, 2))
    weight /= weight.sum()
    limits = np.interp([0.025, 0.975], np.cumsum(weight) - weight / 2, p)
    return float(weight @ p), float(limits[0]), float(limits[1])


def test_the_prior_is_where_the_evidence_is_greatest() -> None:
    """The fitted prior, against a search without derivatives on a likelihood written out anew."""
    fleet = ordinary_fleet(17, n_groups=60)
    found = _judged(fleet)
    informative = (fleet.low_km > 0) | fleet.returned
    seen_to = np.where(fleet.returned, fleet.high_km, fleet.low_km)[informative]
    longest = float(np.quantile(seen_to, 0.99))
    naive = Naive(found.priors[0], longest)
    rows = {(low, high): naive.seen(low, high) for low, high in _all(fleet)}
    tables = [
        np.prod([rows[row] for row in _group(fleet, code)], axis=0)
        for code in np.unique(fleet.group[informative])
    ]
    middle = np.log(longest) + np.log(0.005) / 2

    def negative(theta: np.ndarray) -> float:
        prior = _prior_at(theta)
        node = Naive(prior, longest).weight
        value = sum(np.log(table @ node / node.sum()) for table in tables)
        value += stats.beta(1, 3).expect(lambda p: stats.beta.logpdf(p, prior.a, prior.b))
        value += stats.norm.logpdf(prior.log_eta_mean, middle, 1.2)
        value -= 6 * ((0.7 / prior.log_eta_sd) ** 2 / 2 + np.log(prior.log_eta_sd))
        return -float(value + 6 * np.array([0.25, 0.5, 0.25]) @ np.log(prior.shape_weight))

    best = found.priors[0]
    at_fit = np.array(
        [
            np.log(best.a / best.b),
            np.log(best.a + best.b),
            best.log_eta_mean,
            np.log(best.log_eta_sd),
            *np.log(best.shape_weight[[0, 2]] / best.shape_weight[1]),
        ]
    )
    value = negative(at_fit)
    for axis in range(6):
        for nudge in (-0.05, 0.05):
            assert negative(at_fit + nudge * np.eye(6)[axis]) > value
    slope = optimize.approx_fprime(at_fit, negative, 1e-5)
    # single precision and the optimiser's stop: 1e-2 of a log likelihood per unit is nothing
    np.testing.assert_allclose(slope, 0.0, atol=2e-2)


def _all(fleet: Attempts) -> set[tuple[float, float]]:
    return set(zip(fleet.low_km, fleet.high_km, strict=True))


def _prior_at(theta: np.ndarray) -> Prior:
    mean, size = 1 / (1 + np.exp(-theta[0])), np.exp(theta[1])
    weight = np.exp([theta[4], 0.0, theta[5]])
    return Prior(
        float(mean * size),
        float((1 - mean) * size),
        float(theta[2]),
        float(np.exp(theta[3])),
        weight / weight.sum(),
    )
