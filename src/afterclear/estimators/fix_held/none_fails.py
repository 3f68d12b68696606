"""Whether any fix of a fleet fails at all: the chance that none does, from all attempts.

Shares of failures are Beta: always above 0. In a small fleet whose fixes all hold they stay at some
per cent, and many a late return would be a failure. So one fleet in ten is taken beforehand for one
where none fails, and the data decide. Against it stand shares of any level: its ln odds ~ N(ln 1/3,
1), those of strata N(0, 1) around it.

Simulated, where no fix fails: ECE of the chance that a return is the same fault is 0 with 400
vehicles, without it .02 to .03. Where fixes do fail, this chance is below .001 even with ten
vehicles.
"""

from collections.abc import Sequence

import numpy as np
from scipy import special

from afterclear.estimators.arrays.validation import FloatArray
from afterclear.estimators.fix_held.grid import Float32Array, Nodes
from afterclear.estimators.fix_held.prior import Kin, Prior

_NONE_BEFORE = 0.1  # of fleets (own judgement)
_LEVELS: FloatArray = np.linspace(-4.0, 4.0, 17)  # standard deviations
_LEVEL_MEAN, _LEVEL_SD = float(np.log(1 / 3)), 1.0
_APART: FloatArray = np.linspace(-2.4, 2.4, 7)  # of a stratum from the fleet, on log odds, sd 1
_CONCENTRATION = 4.0
_MOST = 1 - 1e-9
_LEAST = 1e-37  # single precision ends there


def chance_of_none(table: Float32Array, kin: Kin, priors: Sequence[Prior], nodes: Nodes) -> float:
    """P(no fix fails | all attempts).

    ``table``: likelihood of each group on the common ``nodes``, shape (g, 28, 39).
    """
    if not len(table):
        return _NONE_BEFORE
    logs = _log_of_shares(table, kin, priors, nodes)
    held = float(logs[:, 0].sum())  # the first node is a share of .0008
    log_level = special.log_softmax(-0.5 * _LEVELS**2)
    log_apart = special.log_softmax(-0.5 * _APART**2)
    total = log_level
    for number in range(kin.n_strata):
        own = logs[kin.stratum == number]
        odds = (_LEVEL_MEAN + _LEVEL_SD * _LEVELS)[:, None] + _APART
        by_share = _log_shares(odds.ravel(), nodes)
        top = own.max(axis=1, keepdims=True)
        given = np.log(np.exp(own - top) @ np.exp(by_share).T) + top  # (groups, levels x apart)
        of_stratum = given.sum(axis=0).reshape(odds.shape)
        total = total + special.logsumexp(of_stratum + log_apart, axis=1)
    some = float(special.logsumexp(total))
    log_odds = held - some + np.log(_NONE_BEFORE / (1 - _NONE_BEFORE))
    return min(float(special.expit(log_odds)), _MOST)


def _log_shares(log_odds: FloatArray, nodes: Nodes) -> FloatArray:
    """Log weight of each share of failures, shape (k, 28)."""
    mean = special.expit(log_odds)[:, None]
    log_p, log_held = 2 * np.log(np.sin(nodes.angle)), 2 * np.log(np.cos(nodes.angle))
    density = (_CONCENTRATION * mean - 0.5) * log_p + (_CONCENTRATION * (1 - mean) - 0.5) * log_held
    weight: FloatArray = special.log_softmax(density, axis=1)
    return weight


def _log_of_shares(
    table: Float32Array, kin: Kin, priors: Sequence[Prior], nodes: Nodes
) -> FloatArray:
    """Log likelihood of each group's share, averaged over its curve, shape (g, 28)."""
    by_p = np.array([special.softmax(prior.log_p_part(nodes)[0]) for prior in priors])
    given = np.matmul(by_p.astype(np.float32)[kin.stratum][:, None, :], table)[:, 0]
    logs = np.log(np.maximum(given, _LEAST)).astype(np.float64)
    curve = np.add.reduceat(logs, kin.first, axis=0) + priors[0].log_curve_part(nodes)[0]
    weight = special.softmax(curve, axis=1).astype(np.float32)[kin.kin]
    found: FloatArray = np.log(
        np.maximum(np.matmul(table, weight[:, :, None])[:, :, 0].astype(np.float64), _LEAST)
    )
    return found
