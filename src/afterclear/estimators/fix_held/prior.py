"""How the groups of one fleet differ, learnt from all of them: the prior of ``fix_held``.

p ~ Beta(a, b), ln eta ~ Normal(m, s), shape one of three with free weights.

Scales and shapes of failures are alike in all strata, shares lean on each other: four strata of a
dozen groups each could not tell their own.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize, special

from afterclear.estimators.arrays.checks import FloatArray
from afterclear.estimators.fix_held.grid import (
    LOG_SHAPES,
    N_CURVES,
    N_P,
    N_SHAPE,
    Float32Array,
    Nodes,
    chunks,
    common_nodes,
)

# The weak prior on the prior: what so many groups at Beta(1, 3), with scales around the middle
# of the grid and even shapes, would say.  It decides among a handful of groups, not dozens.
_PSEUDO_GROUPS = 4.0
_PSEUDO_A, _PSEUDO_B = 1.0, 3.0
_PSEUDO_ETA_SD = 1.0
_STRATA_SD = 1.0  # of strata's mean shares, on log odds (own judgement)
_CONCENTRATION = (0.5, 200.0)  # of a + b; above, groups are as good as equal
_LEAST_ETA_SD = 0.6  # in steps of the grid: a narrower normal falls between its nodes
_MOST_ETA_SD = 3.0
_LOG_WEIGHT = (-6.0, 6.0)  # of a shape against the middle one
_LEAST_NODE = 1e-30  # keeps the evidence, and one over it, inside single precision
_ROUGH_FTOL = 1e-6
_NUDGE = 1e-3
_CHORD_STEPS = 4
_LONGEST_STEP = 0.5  # longer: the parabola is no picture of what lies there


@dataclass(frozen=True, slots=True)
class Prior:
    """What is assumed of a group without evidence of its own."""

    a: float
    b: float
    log_eta_mean: float
    log_eta_sd: float
    shape_weight: FloatArray  # of the shapes .7, 1, 1.5; shape (3,)

    @property
    def p_mean(self) -> float:
        """Mean share of failed attempts over groups."""
        return self.a / (self.a + self.b)

    def log_density(self, nodes: Nodes) -> FloatArray:
        """Log prior at each node up to a constant, shape (g, 28, 39)."""
        curve = self.log_eta_part(nodes)[:, :, None] + self._log_shape_part(nodes)[:, None, :]
        by_p = self.log_p_part(nodes)
        return by_p[:, :, None] + curve.reshape(len(curve), 1, -1)

    def log_p_part(self, nodes: Nodes) -> FloatArray:
        """Log density of the angle, shape (g, 28); dp = 2 sqrt(p (1 - p)) d angle."""
        log_p, log_held = 2 * np.log(np.sin(nodes.angle)), 2 * np.log(np.cos(nodes.angle))
        return (self.a - 0.5) * log_p + (self.b - 0.5) * log_held

    def log_eta_part(self, nodes: Nodes) -> FloatArray:
        """Log density of ln eta, shape (g, 13)."""
        return -0.5 * ((nodes.log_eta - self.log_eta_mean) / self.log_eta_sd) ** 2

    def _log_shape_part(self, nodes: Nodes) -> FloatArray:
        return np.interp(nodes.log_shape, LOG_SHAPES, np.log(self.shape_weight))


def fit_priors(
    tables: Sequence[Float32Array], span_km: tuple[float, float], *, is_last: bool = True
) -> list[Prior]:
    """Priors of all strata that make the groups' data most likely, with a weak prior on them.

    ``tables``: of each stratum the likelihood of each group on the common nodes over its
    greatest, shape (n_groups, 28, 39).  Each stratum has its own share of failures; scales and
    shapes are alike in all, for a stratum of a small fleet cannot tell its own.  A group's
    evidence is its likelihood averaged over the prior; by Fisher's identity the gradient needs no
    more than the posteriors summed over groups, so a step costs two passes over the tables.
    ``is_last``: the last digits matter.
    """
    problem = _Problem([table.reshape(-1, N_P * N_CURVES) for table in tables], span_km)
    log_eta = problem.nodes.log_eta[0]
    n = len(tables)
    bounds = [
        *[(-8.0, 8.0)] * n,
        *[tuple(np.log(_CONCENTRATION))] * n,
        (log_eta[0], log_eta[-1]),
        (np.log(_LEAST_ETA_SD * (log_eta[1] - log_eta[0])), np.log(_MOST_ETA_SD)),
        _LOG_WEIGHT,
        _LOG_WEIGHT,
    ]
    p_mean = _PSEUDO_A / (_PSEUDO_A + _PSEUDO_B)
    start = np.array(
        [
            *[special.logit(p_mean)] * n,
            *[np.log(_PSEUDO_A + _PSEUDO_B)] * n,
            problem.middle,
            np.log(_PSEUDO_ETA_SD),
            0.0,
            0.0,
        ]
    )
    found = optimize.minimize(
        problem.negative_log_evidence,
        start,
        method="L-BFGS-B",
        jac=True,
        bounds=bounds,
        options={} if is_last else {"ftol": _ROUGH_FTOL},
    )
    theta = _finished(problem, found.x, np.array(bounds)) if is_last else found.x
    return [_prior(theta, number) for number in range(n)]


def _finished(problem: "_Problem", theta: FloatArray, bounds: FloatArray) -> FloatArray:
    """Chord steps to where the gradient is 0: the optimiser stops some 1e-3 short.

    Second derivatives once, from differences of the gradient; a parameter at its bound stays.
    """

    def gradient(at: FloatArray) -> FloatArray:
        return problem.negative_log_evidence(at)[1][free]

    inside = (theta > bounds[:, 0] + _NUDGE) & (theta < bounds[:, 1] - _NUDGE)
    free = np.flatnonzero(inside)
    nudges = _NUDGE * np.eye(theta.size)[free]
    bend = np.array([gradient(theta + n) - gradient(theta - n) for n in nudges]) / (2 * _NUDGE)
    bend = (bend + bend.T) / 2
    if not free.size or np.linalg.eigvalsh(bend).min() <= 0:  # flat: nothing to step to
        return theta
    for _ in range(_CHORD_STEPS):
        step = np.zeros(theta.size)
        step[free] = np.linalg.solve(bend, gradient(theta))
        if np.abs(step).max() > _LONGEST_STEP:
            break
        theta = np.clip(theta - step, bounds[:, 0], bounds[:, 1])
    return theta


def _prior(theta: FloatArray, number: int) -> Prior:
    """Prior of one stratum from all parameters."""
    n = (theta.size - 4) // 2
    mean, concentration = special.expit(theta[number]), np.exp(theta[n + number])
    log_eta_mean, log_eta_sd, first, last = theta[2 * n :]
    return Prior(
        a=float(mean * concentration),
        b=float((1 - mean) * concentration),
        log_eta_mean=float(log_eta_mean),
        log_eta_sd=float(np.exp(log_eta_sd)),
        shape_weight=special.softmax(np.array([first, 0.0, last])),
    )


@dataclass(frozen=True, slots=True)
class _Problem:
    tables: list[Float32Array]  # (n_groups, 28 * 39) each
    span_km: tuple[float, float]

    @property
    def nodes(self) -> Nodes:
        return common_nodes(self.span_km)

    @property
    def middle(self) -> float:
        return float(self.nodes.log_eta.mean())

    def negative_log_evidence(self, theta: FloatArray) -> tuple[float, FloatArray]:
        nodes, n = self.nodes, len(self.tables)
        prior = _prior(theta, 0)
        by_eta = special.softmax(prior.log_eta_part(nodes)[0])
        by_curve = np.outer(by_eta, prior.shape_weight)
        value, gradient = 0.0, np.zeros(theta.size)
        curves = np.zeros_like(by_curve)
        for number, table in enumerate(self.tables):
            own = _prior(theta, number)
            by_p = special.softmax(own.log_p_part(nodes)[0])
            node = np.multiply.outer(by_p, by_curve).clip(_LEAST_NODE)
            log_evidence, summed = self._evidence(table, node.ravel())
            summed = summed.reshape(node.shape)
            part, by_own = self._p_part(own, summed.sum(axis=(1, 2)), by_p)
            value += log_evidence + part
            gradient[[number, n + number]] = by_own
            curves += summed.sum(axis=0)
        tie, by_tie = _tied(theta[:n])
        gradient[:n] += by_tie
        parts = (
            self._eta_part(prior, curves.sum(axis=1), by_eta),
            self._shape_part(prior, curves.sum(axis=0)),
        )
        gradient[2 * n :] = np.concatenate([part[1] for part in parts])
        return -(value + tie + sum(part[0] for part in parts)), -gradient

    @staticmethod
    def _evidence(table: Float32Array, node: FloatArray) -> tuple[float, FloatArray]:
        """Log evidence of a stratum's groups, and their posteriors added up, shape (28 * 39,)."""
        single, log_evidence, summed = node.astype(np.float32), 0.0, np.zeros(node.size)
        for groups in chunks(0, len(table)):
            evidence = (table[groups] @ single).astype(np.float64)
            log_evidence += float(np.log(evidence).sum())
            summed += (1 / evidence).astype(np.float32) @ table[groups]
        return log_evidence, summed * node

    def _p_part(
        self, prior: Prior, summed: FloatArray, by_p: FloatArray
    ) -> tuple[float, FloatArray]:
        """Hyper-prior, and the gradient by (logit of the mean, ln of the concentration)."""
        p = self.nodes.p[0]
        stats = np.stack([np.log(p), np.log1p(-p)])
        ab = np.array([prior.a, prior.b])
        pseudo = special.digamma([_PSEUDO_A, _PSEUDO_B]) - special.digamma(_PSEUDO_A + _PSEUDO_B)
        worth = _PSEUDO_GROUPS / len(self.tables)
        value = worth * float(ab @ pseudo - special.betaln(prior.a, prior.b))
        beta_mean = special.digamma(ab) - special.digamma(ab.sum())
        by_ab = stats @ (summed - summed.sum() * by_p) + worth * (pseudo - beta_mean)
        slope = prior.a * prior.b / ab.sum()
        return value, np.array([slope * (by_ab[0] - by_ab[1]), ab @ by_ab])

    def _eta_part(
        self, prior: Prior, summed: FloatArray, by_eta: FloatArray
    ) -> tuple[float, FloatArray]:
        """Hyper-prior, and the gradient by (m, ln s)."""
        sd = prior.log_eta_sd
        z = (self.nodes.log_eta[0] - prior.log_eta_mean) / sd
        excess = summed - summed.sum() * by_eta
        away = prior.log_eta_mean - self.middle
        spread = (away**2 + _PSEUDO_ETA_SD**2) / sd**2
        value = -_PSEUDO_GROUPS * float(spread / 2 + np.log(sd))
        by_mean = excess @ z / sd - _PSEUDO_GROUPS * away / sd**2
        return value, np.array([by_mean, excess @ z**2 + _PSEUDO_GROUPS * (spread - 1)])

    def _shape_part(self, prior: Prior, summed: FloatArray) -> tuple[float, FloatArray]:
        """Hyper-prior, and the gradient by the log weights of the first and last shape."""
        value = _PSEUDO_GROUPS * float(np.log(prior.shape_weight).mean())
        count = summed + _PSEUDO_GROUPS / N_SHAPE
        return value, (count - count.sum() * prior.shape_weight)[[0, 2]]


def _tied(logit: FloatArray) -> tuple[float, FloatArray]:
    """Hyper-prior that strata are not worlds apart, and its gradient by the logit means."""
    away = logit - logit.mean()
    return -0.5 * float(away @ away) / _STRATA_SD**2, -away / _STRATA_SD**2
