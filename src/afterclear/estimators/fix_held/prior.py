"""How the groups of one fleet differ, learnt from all of them: the prior of ``fix_held``.

p ~ Beta(a, b) by group, ln eta ~ Normal(m, s) and one of three shapes with free weights by kin:
groups whose failures come back after the same distances share one curve.

Scales and shapes of failures are alike in all strata, shares are pooled: four strata of a dozen
groups each could not show their own.  Shapes beyond .7 to 1.5 are believed only if the data ask for
them: free, they made km to go a tenth longer.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize, special

from afterclear.estimators.arrays.validation import FloatArray, IntArray
from afterclear.estimators.fix_held.grid import (
    LOG_SHAPES,
    N_P,
    Float32Array,
    Nodes,
    common_nodes,
)

# The weak prior on the prior: what so many groups at Beta(1, 3), and so many kin with scales that
# differ by so much and such shapes, would say.  It decides among a handful, not dozens.
_PSEUDO_GROUPS = 1.0
_PSEUDO_A, _PSEUDO_B = 1.0, 3.0
_PSEUDO_KIN = 6.0
_PSEUDO_ETA_SD = 0.7
_MEAN_ETA_SD = 1.2  # of the mean ln eta around the middle of the grid
_PSEUDO_SHAPES: FloatArray = np.array([0.25, 0.5, 0.25])
# A shape beyond those of the grid is believed only if a group's data show it: with some dozen
# failures any shape fits, and a flat one would keep a fix on watch for ten times its scale.
_SHAPE_BEYOND_SD = 0.1
_STRATA_SD = 1.0  # of strata's mean shares, on log odds (own judgement)
_CONCENTRATION = (0.5, 200.0)  # of a + b; above, groups are as good as equal
_LEAST_ETA_SD = 0.6  # in steps of the grid: a narrower normal falls between its nodes
_MOST_ETA_SD = 3.0
_LOG_WEIGHT = (-6.0, 6.0)  # of a shape against the middle one
_LEAST_NODE = 1e-30  # keeps the evidence, and one over it, inside single precision
_LEAST_GIVEN = 1e-37
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

    def log_curve_part(self, nodes: Nodes) -> FloatArray:
        """Log density of (ln eta, ln shape) up to a constant, shape (g, 39)."""
        curve = self.log_eta_part(nodes)[:, :, None] + self._log_shape_part(nodes)[:, None, :]
        return curve.reshape(len(curve), -1)

    def log_p_part(self, nodes: Nodes) -> FloatArray:
        """Log density of the angle, shape (g, 28); dp = 2 sqrt(p (1 - p)) d angle."""
        log_p, log_held = 2 * np.log(np.sin(nodes.angle)), 2 * np.log(np.cos(nodes.angle))
        return (self.a - 0.5) * log_p + (self.b - 0.5) * log_held

    def log_eta_part(self, nodes: Nodes) -> FloatArray:
        """Log density of ln eta, shape (g, 13)."""
        return -0.5 * ((nodes.log_eta - self.log_eta_mean) / self.log_eta_sd) ** 2

    def _log_shape_part(self, nodes: Nodes) -> FloatArray:
        inside = np.clip(nodes.log_shape, LOG_SHAPES[0], LOG_SHAPES[-1])
        beyond = (nodes.log_shape - inside) / _SHAPE_BEYOND_SD
        return np.interp(inside, LOG_SHAPES, np.log(self.shape_weight)) - 0.5 * beyond**2


@dataclass(frozen=True, slots=True)
class Kin:
    """What groups have in common, shape (g,) each; groups of one kin follow on each other."""

    stratum: IntArray  # place of a group's prior
    kin: IntArray  # from 0 on, rising: groups of one kin share one curve
    n_strata: int

    def of(self, groups: slice | IntArray) -> "Kin":
        """Pick some groups, kin for kin, coded from 0 again."""
        kin = np.unique(self.kin[groups], return_inverse=True)[1]
        return replace(self, stratum=self.stratum[groups], kin=kin)

    @property
    def first(self) -> IntArray:
        """First group of each kin."""
        return np.flatnonzero(np.diff(self.kin, prepend=-1))

    def posterior(self, logs: FloatArray, priors: Sequence[Prior], nodes: Nodes) -> FloatArray:
        """Posterior of each group from log likelihoods, both of shape (g, 28, 39).

        All of its kin are evidence about a group's curve: given the curve, shares are each group's
        own, so the others' likelihoods averaged over their shares are all they add. Sums to 1 over
        the last two axes.
        """
        log_p = np.empty((self.stratum.size, N_P))
        for number, prior in enumerate(priors):
            mine = np.flatnonzero(self.stratum == number)
            log_p[mine] = prior.log_p_part(nodes.of(mine))
        weight = logs + log_p[:, :, None]
        top = weight.max(axis=1)
        weight -= top[:, None, :]
        np.exp(weight, out=weight)
        total = weight.sum(axis=1)
        by_kin = np.add.reduceat(top + np.log(total), self.first, axis=0)[self.kin]
        by_kin += priors[0].log_curve_part(nodes)  # alike in all strata
        curve = np.exp(by_kin - by_kin.max(axis=1, keepdims=True))
        curve /= curve.sum(axis=1, keepdims=True)
        weight *= (curve / total)[:, None, :]
        return weight


def fit_priors(
    table: Float32Array,
    kin: Kin,
    span_km: tuple[float, float],
    before: Sequence[Prior] = (),
    *,
    is_last: bool = True,
) -> list[Prior]:
    """Priors of all strata that make the groups' data most likely, with a weak prior on them.

    ``table``: likelihood of each group on the common nodes over its greatest, shape (n_groups, 28,
    39).  Each stratum has its own share of failures; scales and shapes are alike in all, because a
    stratum of a small fleet cannot show its own.  The evidence of a kin is its groups' likelihoods
    averaged over the prior; by Fisher's identity the gradient needs no more than the posteriors
    summed, so a step costs two passes over the table. ``is_last``: the last digits matter.
    """
    problem = _Problem(table, kin, span_km)
    log_eta = problem.nodes.log_eta[0]
    n = kin.n_strata
    bounds = [
        *[(-8.0, 8.0)] * n,
        *[tuple(np.log(_CONCENTRATION))] * n,
        (log_eta[0], log_eta[-1]),
        (np.log(_LEAST_ETA_SD * (log_eta[1] - log_eta[0])), np.log(_MOST_ETA_SD)),
        _LOG_WEIGHT,
        _LOG_WEIGHT,
    ]
    start = _parameters(before) if before else _first_parameters(n, problem.middle)
    found = optimize.minimize(
        problem.negative_log_evidence,
        np.clip(start, *np.transpose(bounds)),
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


def _first_parameters(n_strata: int, middle: float) -> FloatArray:
    """Begin at the weak prior on the prior."""
    p_mean = _PSEUDO_A / (_PSEUDO_A + _PSEUDO_B)
    return np.array(
        [
            *[special.logit(p_mean)] * n_strata,
            *[np.log(_PSEUDO_A + _PSEUDO_B)] * n_strata,
            middle,
            np.log(_PSEUDO_ETA_SD),
            0.0,
            0.0,
        ]
    )


def _parameters(priors: Sequence[Prior]) -> FloatArray:
    """All parameters of the priors of all strata."""
    first = priors[0]
    weight = np.log(first.shape_weight)
    return np.array(
        [
            *[special.logit(prior.p_mean) for prior in priors],
            *[np.log(prior.a + prior.b) for prior in priors],
            first.log_eta_mean,
            np.log(first.log_eta_sd),
            weight[0] - weight[1],
            weight[2] - weight[1],
        ]
    )


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
    table: Float32Array  # (n_groups, 28, 39)
    kin: Kin
    span_km: tuple[float, float]

    @property
    def nodes(self) -> Nodes:
        return common_nodes(self.span_km)

    @property
    def middle(self) -> float:
        return float(self.nodes.log_eta.mean())

    def negative_log_evidence(self, theta: FloatArray) -> tuple[float, FloatArray]:
        nodes, n = self.nodes, self.kin.n_strata
        priors = [_prior(theta, number) for number in range(n)]
        by_p = np.array([special.softmax(prior.log_p_part(nodes)[0]) for prior in priors])
        by_eta = special.softmax(priors[0].log_eta_part(nodes)[0])
        by_curve = np.outer(by_eta, priors[0].shape_weight)
        value, shares, curves = self._evidence(by_p, by_curve.ravel().clip(_LEAST_NODE))
        gradient = np.zeros(theta.size)
        for number, prior in enumerate(priors):
            part, by_own = self._p_part(prior, shares[number], by_p[number])
            value += part
            gradient[[number, n + number]] = by_own
        tie, by_tie = _tied(theta[:n])
        gradient[:n] += by_tie
        curves = curves.reshape(by_curve.shape)
        parts = (
            self._eta_part(priors[0], curves.sum(axis=1), by_eta),
            self._shape_part(priors[0], curves.sum(axis=0)),
        )
        gradient[2 * n :] = np.concatenate([part[1] for part in parts])
        return -(value + tie + sum(part[0] for part in parts)), -gradient

    def _evidence(
        self, by_p: FloatArray, by_curve: FloatArray
    ) -> tuple[float, FloatArray, FloatArray]:
        """Log evidence, and posteriors summed: of shares (n_strata, 28), of curves (39,)."""
        stratum, first = self.kin.stratum, self.kin.first
        single = by_p.clip(_LEAST_NODE).astype(np.float32)[stratum]
        given = np.matmul(single[:, None, :], self.table)[:, 0].astype(np.float64)
        np.maximum(given, _LEAST_GIVEN, out=given)
        log_given = np.add.reduceat(np.log(given), first, axis=0)
        top = log_given.max(axis=1, keepdims=True)
        curve = np.exp(log_given - top) * by_curve
        evidence = curve.sum(axis=1, keepdims=True)
        curve /= evidence
        ratio = (curve[self.kin.kin] / given).astype(np.float32)
        summed = np.matmul(self.table, ratio[:, :, None])[:, :, 0] * single
        shares = np.array([summed[stratum == number].sum(axis=0) for number in range(len(by_p))])
        return float((np.log(evidence) + top).sum()), shares, curve.sum(axis=0)

    def _p_part(
        self, prior: Prior, summed: FloatArray, by_p: FloatArray
    ) -> tuple[float, FloatArray]:
        """Hyper-prior, and the gradient by (logit of the mean, ln of the concentration)."""
        p = self.nodes.p[0]
        stats = np.stack([np.log(p), np.log1p(-p)])
        ab = np.array([prior.a, prior.b])
        pseudo = special.digamma([_PSEUDO_A, _PSEUDO_B]) - special.digamma(_PSEUDO_A + _PSEUDO_B)
        worth = _PSEUDO_GROUPS / self.kin.n_strata
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
        away = (prior.log_eta_mean - self.middle) / _MEAN_ETA_SD
        spread = (_PSEUDO_ETA_SD / sd) ** 2
        value = -0.5 * away**2 - _PSEUDO_KIN * float(spread / 2 + np.log(sd))
        by_mean = excess @ z / sd - away / _MEAN_ETA_SD
        return value, np.array([by_mean, excess @ z**2 + _PSEUDO_KIN * (spread - 1)])

    def _shape_part(self, prior: Prior, summed: FloatArray) -> tuple[float, FloatArray]:
        """Hyper-prior, and the gradient by the log weights of the first and last shape."""
        value = _PSEUDO_KIN * float(_PSEUDO_SHAPES @ np.log(prior.shape_weight))
        count = summed + _PSEUDO_KIN * _PSEUDO_SHAPES
        return value, (count - count.sum() * prior.shape_weight)[[0, 2]]


def _tied(logit: FloatArray) -> tuple[float, FloatArray]:
    """Hyper-prior that strata are similar, and its gradient by the logit means."""
    away = logit - logit.mean()
    return -0.5 * float(away @ away) / _STRATA_SD**2, -away / _STRATA_SD**2
