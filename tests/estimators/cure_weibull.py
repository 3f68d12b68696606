"""Weibull return distance when only a share ``p`` of the attempts failed at all.

An attempt failed with probability ``p``; the fault of a failed one comes back after a Weibull
distance, ``S(x) = exp(-(x / eta)^shape)``; the fault of the others never does.  Known as the
limited failure population (Meeker 1987, Technometrics 29(1), 51-65), the defective
subpopulation or the mixture cure model.  Here stand its formulas and the fit of one big pool;
many small groups together are the business of ``fix_held``.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special

from afterclear.estimators.arrays.validation import (
    FloatArray,
    as_floats,
    check_finite,
    check_fraction,
    check_non_negative,
    check_positive,
    check_same_shape,
)

# Beyond this the optimiser is walking to the end of the scale, not to a fit.
_MAX_LOGIT = 40.0
_NEWTON_STEPS = 8
_NUDGE = 1e-4  # of a parameter on a log scale, for second derivatives from exact first ones
_TINY = 1e-300


def survival(km: FloatArray, eta_km: FloatArray, shape: FloatArray) -> FloatArray:
    """Share of failed attempts whose fault is still away after ``km``; arrays broadcast."""
    return np.exp(-np.exp(_log_hazard(km, eta_km, shape)))


def _log_hazard(km: FloatArray, eta_km: FloatArray, shape: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore"):  # km 0: log hazard -inf, survival 1
        log_hazard: FloatArray = shape * (np.log(km) - np.log(eta_km))
    return log_hazard


def p_failed_if_clean(
    p: FloatArray, eta_km: FloatArray, shape: FloatArray, km: FloatArray
) -> FloatArray:
    """P(the attempt failed | clean to ``km``); a background of new faults cancels out."""
    still_hidden = p * survival(km, eta_km, shape)
    return still_hidden / (still_hidden + 1 - p)


def clean_km_needed(
    p: FloatArray, eta_km: FloatArray, shape: FloatArray, threshold: float = 0.05
) -> FloatArray:
    """Clean km after which P(failed) is down to ``threshold``; 0 where it always was."""
    check_fraction("threshold", threshold)
    log_ratio = special.logit(threshold) - special.logit(p)
    return eta_km * np.maximum(-log_ratio, 0.0) ** (1 / shape)


@dataclass(frozen=True, slots=True)
class CureWeibull:
    """Maximum likelihood fit of one pool.  ``p`` 1: no sign that any attempt held."""

    p: float
    eta_km: float
    shape: float
    log_likelihood: float


@dataclass(frozen=True, slots=True)
class _Pool:
    """Rows by kind; weights are how many attempts stand behind a row."""

    exact: FloatArray
    exact_weight: FloatArray
    low: FloatArray  # returned in (low, high]
    high: FloatArray
    interval_weight: FloatArray
    clean: FloatArray
    clean_weight: FloatArray


def cure_weibull_ml(
    low_km: ArrayLike, high_km: ArrayLike, weights: ArrayLike | None = None
) -> CureWeibull:
    """Share that failed, scale and shape of one pool, by maximum likelihood.

    ``low_km``, ``high_km``: shape (n,); the fault came back in (low, high], high inf: not seen
    again up to low; high equal to low: came back at exactly that distance.  ``weights``: number
    of attempts behind each row, shape (n,), default 1.  A pool of 20 returns or more with
    follow-up well past most of them is what this needs; with less, ``p`` runs to 1.
    """
    pool = _pool(low_km, high_km, weights)
    returned = np.concatenate([pool.exact, pool.high])
    if not returned.size:
        raise ValueError("a pool without any return has no Weibull curve to fit")
    scale = float(np.median(returned))
    starts = [np.array([special.logit(0.3), np.log(scale) + d, 0.0]) for d in (0.0, 1.5)]
    inner = [_fit(pool, start) for start in starts]
    edge = _fit(pool, np.array([np.log(scale), 0.0]))
    value, theta = min([edge, *inner], key=lambda found: found[0])
    logit_p, log_eta, log_shape = _full(theta)
    return CureWeibull(
        p=float(special.expit(logit_p)),
        eta_km=float(np.exp(log_eta)),
        shape=float(np.exp(log_shape)),
        log_likelihood=-value,
    )


def _pool(low_km: ArrayLike, high_km: ArrayLike, weights: ArrayLike | None) -> _Pool:
    low, high = as_floats("low_km", low_km), as_floats("high_km", high_km)
    weight = np.ones_like(low) if weights is None else as_floats("weights", weights)
    check_same_shape(low_km=low, high_km=high, weights=weight)
    check_finite("low_km", low)
    check_non_negative("low_km", low)
    check_positive("high_km", high)
    check_non_negative("high_km - low_km", high - low)
    check_positive("weights", weight)
    exact, clean = high == low, np.isinf(high)
    between = ~exact & ~clean
    return _Pool(
        low[exact],
        weight[exact],
        low[between],
        high[between],
        weight[between],
        low[clean],
        weight[clean],
    )


def _full(theta: FloatArray) -> FloatArray:
    """(logit p, ln eta, ln shape); two parameters stand for the edge where p is 1."""
    return theta if theta.size == 3 else np.concatenate([[np.inf], theta])


def _fit(pool: _Pool, start: FloatArray) -> tuple[float, FloatArray]:
    """Least negative log likelihood, and where."""
    bounds = [(-_MAX_LOGIT, _MAX_LOGIT)] * (start.size - 2) + [
        (start[-2] - 10, start[-2] + 10),
        (-4.0, 4.0),
    ]
    rough = optimize.minimize(
        _negative_log_likelihood, start, (pool,), method="L-BFGS-B", jac=True, bounds=bounds
    )
    return _finished(pool, float(rough.fun), rough.x)


def _finished(pool: _Pool, value: float, theta: FloatArray) -> tuple[float, FloatArray]:
    """Newton steps from close by: the optimiser stops some 1e-5 short of the top."""
    for _ in range(_NEWTON_STEPS):
        gradient = _negative_log_likelihood(theta, pool)[1]
        nudges = _NUDGE * np.eye(theta.size)
        bend = np.array(
            [
                _negative_log_likelihood(theta + nudge, pool)[1]
                - _negative_log_likelihood(theta - nudge, pool)[1]
                for nudge in nudges
            ]
        ) / (2 * _NUDGE)
        if np.linalg.eigvalsh(bend).min() <= 0:  # a ridge or an edge: no top to step to
            break
        step = np.linalg.solve(bend, gradient)
        found = _negative_log_likelihood(theta - step, pool)[0]
        if np.abs(step).max() > 1 or found > value:
            break
        theta, value = theta - step, found
    return value, theta


def _negative_log_likelihood(theta: FloatArray, pool: _Pool) -> tuple[float, FloatArray]:
    """Value and gradient by (logit p, ln eta, ln shape), or by the last two at p = 1.

    With z = shape (ln x - ln eta) and h = e^z: dS/dz = -h S, dz/d ln eta = -shape,
    dz/d ln shape = z.
    """
    logit_p, log_eta, log_shape = _full(theta)
    p, held = special.expit(logit_p), special.expit(-logit_p)
    eta, shape = np.exp(log_eta), np.exp(log_shape)

    def z_h(km: FloatArray) -> tuple[FloatArray, FloatArray]:
        z = np.clip(_log_hazard(km, eta, shape), -700, 700)  # e^z stays a number, at km 0 too
        return z, np.exp(z)

    z_e, h_e = z_h(pool.exact)
    z_l, h_l = z_h(pool.low)
    z_r, h_r = z_h(pool.high)
    z_c, h_c = z_h(pool.clean)
    s_l, s_r, s_c = np.exp(-h_l), np.exp(-h_r), np.exp(-h_c)
    gone = np.maximum(held + p * s_c, _TINY)
    between = np.maximum(s_l * -np.expm1(h_l - h_r), _TINY)
    w_e, w_i, w_c = pool.exact_weight, pool.interval_weight, pool.clean_weight
    log_p = special.log_expit(logit_p)
    value = (
        w_e @ (log_p + log_shape + z_e - np.log(pool.exact) - h_e)
        + w_i @ (log_p + np.log(between))
        + w_c @ np.log(gone)
    )
    d_z_e = w_e * (1 - h_e)
    d_z_l, d_z_r = -w_i * h_l * s_l / between, w_i * h_r * s_r / between
    d_z_c = -w_c * p * h_c * s_c / gone
    by_p = held * (w_e.sum() + w_i.sum()) - p * held * (w_c @ ((1 - s_c) / gone))
    by_eta = -shape * (d_z_e.sum() + d_z_l.sum() + d_z_r.sum() + d_z_c.sum())
    by_shape = w_e.sum() + d_z_e @ z_e + d_z_l @ z_l + d_z_r @ z_r + d_z_c @ z_c
    gradient = np.array([by_p, by_eta, by_shape])
    return -float(value), -gradient[gradient.size - theta.size :]
