"""The average of a small fleet against Bayes' rule written out, sum by sum."""

import tracemalloc
from itertools import product

import numpy as np
import pytest
from scipy import special

from afterclear.estimators.causes.fleet_average import averaged
from afterclear.estimators.causes.fleet_figures import (
    KAPPA,
    LOG_RHO,
    LOG_THETA,
    CellKind,
    Figures,
    averaged_figures,
)
from afterclear.estimators.causes.sides import CellKinds, Tried, side_of
from afterclear.estimators.fix_held.grid import common_nodes

NODES = common_nodes((150.0, 12_000.0))
NEW = 2e-5
LOW = np.array([4_000.0, 700.0, 15_000.0])
HIGH = np.array([np.inf, 2_500.0, 24_000.0])
FIGURES = Figures(
    np.array([[-1.0, 0.0, np.log(0.6), 0.2, np.log(0.5), np.log(60_000.0), 1.0, 0.1]])
)


def tried(low: np.ndarray, high: np.ndarray) -> Tried:
    zero = np.zeros(low.size)
    code = np.zeros(low.size, dtype=np.int64)
    return Tried(
        code, code, zero, code, low, high, zero + NEW, zero + 0.3, zero, low, high
    )  # fmt: skip


KINDS = CellKinds(np.array([-1]), np.array([0.0]), np.array([True]))


def written_out() -> tuple[float, np.ndarray]:
    """Evidence of three repairs under the figures, and P(failed) of each that came back."""
    shares = np.exp(FIGURES.log_shares(0, NODES)[0])
    curves = np.exp(FIGURES.log_curves(NODES)[0])
    lives = FIGURES.lives(CellKind(-1, 0.0, wears=True, new_log_sd=0.3))[0]
    every_life = [(np.inf, 1.0), *zip(np.exp(LOG_THETA), KAPPA, strict=True)]
    etas, shapes = np.exp(NODES.curves.log_eta[0]), NODES.curves.shape[0]
    total, failed = 0.0, np.zeros(2)
    for (theta, kappa), rho in product(every_life, np.exp(LOG_RHO)):
        weight, lives = lives[0], lives[1:]
        other = np.exp(-rho * NEW * LOW - (LOW / theta) ** kappa)
        after = np.exp(-rho * NEW * HIGH[1:] - (HIGH[1:] / theta) ** kappa)
        b = 1 - after / other[1:]
        for p, by_p in zip(NODES.p[0], shares, strict=True):
            s_low = np.exp(-((LOW[:, None] / etas) ** shapes))
            s_high = np.exp(-((HIGH[1:, None] / etas) ** shapes))
            by_failure = p * (s_low[1:] - s_high * (1 - b[:, None]))
            returned = by_failure + (1 - p) * b[:, None]
            clean = 1 - p + p * s_low[0]
            seen = weight * by_p * curves * clean * returned.prod(axis=0) * other.prod()
            total += seen.sum()
            failed += (by_failure / returned * seen).sum(axis=1)
    return total, failed / total


def test_evidence_and_causes_are_those_of_bayes_rule_written_out() -> None:
    rows = tried(LOW, HIGH)
    side = side_of(rows, np.arange(3), KINDS, NODES)
    logs = side.log_likelihood(FIGURES)[0, :-1].reshape(28, 39)
    weight = np.exp(logs + FIGURES.log_shares(0, NODES)[0][:, None] + FIGURES.log_curves(NODES)[0])
    evidence, p_failed = written_out()
    np.testing.assert_allclose(weight.sum(), evidence, rtol=1e-5)
    (cell,) = side.cells
    joint = cell.likelihood * (
        np.append(weight.ravel(), 0.0) * np.exp(cell.log_top - cell.log_averaged(FIGURES)[0])
    )[:, None] * cell.lives(FIGURES)[0]  # fmt: skip
    for some, likelihood in cell.pieces():
        hidden = cell.hidden[some, :, None] * cell.chance[some, None, :]
        failed = (joint * (cell.failed[some, :, None] + hidden) / likelihood).sum(axis=(1, 2))
        np.testing.assert_allclose(failed / evidence, p_failed, rtol=1e-5)


def test_ten_repairs_that_came_back_early_speak_for_a_fleet_in_which_fixes_fail() -> None:
    early = averaged(tried(np.full(10, 100.0), np.full(10, 500.0)), KINDS, NODES)
    held = averaged(tried(np.full(10, 40_000.0), np.full(10, np.inf)), KINDS, NODES)
    assert early.some > 0.999
    assert held.some < 0.9  # .9 beforehand
    assert early.p_failed.min() > 0.99
    assert np.isnan(held.p_failed).all()


def test_draws_close_in_on_a_figure_that_the_data_know() -> None:
    """Of a normal likelihood the posterior is known: mean .5 m, variance .5 s^2."""

    def known(figures: Figures) -> np.ndarray:
        at = 1.0  # a standard deviation above what is thought of bare clears beforehand
        return np.tile(-0.5 * (figures.values[:, 1] - at) ** 2, (3, 1))

    figures, weight = averaged_figures(0, known)
    mean = weight @ figures.values[:, 1]
    np.testing.assert_allclose(mean, 0.5, atol=0.1)
    np.testing.assert_allclose(weight @ (figures.values[:, 1] - mean) ** 2, 0.5, atol=0.12)


def test_beforehand_failures_come_back_anywhere_in_the_span_of_a_failed_fix() -> None:
    """By the place of their middle distance: no scale is likelier than another but at the ends."""
    place = (np.arange(400) + 0.5) / 400
    values = np.tile(FIGURES.values, (400, 1))
    values[:, 3] = special.ndtri(place)
    curves = special.softmax(Figures(values).log_curves(NODES), axis=1).mean(axis=0)
    by_scale = curves.reshape(13, 3).sum(axis=1)
    np.testing.assert_allclose(by_scale[1:-1], 1 / 13, atol=0.012)


def test_many_attempts_that_stayed_clean_take_no_more_memory_than_a_few() -> None:
    n = 12_000  # 8 bytes for each at each of 1,092 points would be 105 MB
    stayed = tried(np.full(n, 4_000.0), np.full(n, np.inf))
    tracemalloc.start()
    many = side_of(stayed, np.arange(n), KINDS, NODES).log_clean
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    one = side_of(stayed, np.arange(1), KINDS, NODES).log_clean
    assert many == pytest.approx(n * one)
    assert most < 40e6
