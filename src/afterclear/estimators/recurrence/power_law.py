"""Power-law processes (Crow-AMSAA) of vehicles whose events may come closer together.

The mean number of events up to age t is ``scale * t ** shape``: a shape above 1 is
deterioration.  Fits of many groups at once.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from afterclear.estimators.arrays.ragged import group_sums
from afterclear.estimators.arrays.validation import (
    BoolArray,
    FloatArray,
    IntArray,
    check_fraction,
)
from afterclear.estimators.recurrence.exposure import ObservedUnits

_LOG_SHAPE = (np.log(1e-3), np.log(1e3))  # no fit outside: the likelihood rises without end
_ROUNDS = 200
_SETTLED = 1e-14


@dataclass(frozen=True, slots=True)
class PowerLaws:
    """Maximum likelihood fits, arrays of shape (n_groups,); nan where there is none.

    ``shape_unbiased`` is (n - 1) / n times the estimate, (n - 2) / n where the last event ended the
    observation: right on average where all of a group's vehicles were observed from 0 to one age,
    and nan elsewhere.
    """

    n_events: FloatArray
    shape: FloatArray
    scale: FloatArray
    shape_unbiased: FloatArray
    log_likelihood: FloatArray


@dataclass(frozen=True, slots=True)
class _Terms:
    """What the likelihood is made of; ages are in units of the group's last one.

    It is ``ln b + (b - 1) ln t`` summed over events, less the sum of ``high ** b - low ** b`` over
    all windows.
    """

    n_events: FloatArray  # (n_groups,)
    sum_log: FloatArray  # (n_groups,) of events
    log_low: FloatArray  # rows of windows; -inf: from 0 on
    log_high: FloatArray
    group: IntArray
    unit: FloatArray  # (n_groups,) the age that all are divided by

    def slopes(self, log_shape: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Profile log-likelihood with its slope and curvature by the shape."""
        n_groups, n = self.n_events.size, self.n_events
        b = np.exp(log_shape)
        row_b = b[self.group]
        low_power = np.exp(row_b * self.log_low)
        high_power = np.exp(row_b * self.log_high)
        log_low = np.where(np.isfinite(self.log_low), self.log_low, 0.0)
        grown = high_power * -np.expm1(row_b * (self.log_low - self.log_high))
        first = high_power * self.log_high - low_power * log_low
        second = high_power * self.log_high**2 - low_power * log_low**2
        total, total_1, total_2 = (
            group_sums(row, self.group, n_groups) for row in (grown, first, second)
        )
        with np.errstate(divide="ignore", invalid="ignore"):
            mean = total_1 / total
            value = n * (np.log(n / total) - 1 + log_shape) + (b - 1) * self.sum_log
            slope = n / b + self.sum_log - n * mean
            curve = -n / b**2 - n * (total_2 / total - mean**2)
        return value, slope, curve


def fit_power_law(data: ObservedUnits) -> PowerLaws:
    """Power law of each group from events whose age is known exactly.

    Vehicles may be observed on different windows (entry, exit].  Solves ``n / b + sum ln t = n *
    sum(T ** b ln T - S ** b ln S) / sum(T ** b - S ** b)``; where all windows are (0, T] that is
    ``b = n / sum ln(T / t)``.

    References: MIL-HDBK-189 (1981), appendix C; Crow 1974 (from memory).

    """
    return _fit(_terms(data), _common_window(data), data.n_free)


def shape_limits(
    data: ObservedUnits, fits: PowerLaws, *, conf_level: float = 0.95
) -> tuple[FloatArray, FloatArray]:
    """Limits of each group's shape, (n_groups,) each; nan where there is no fit.

    Exact where all of the group's windows are (0, T]: ``2 n shape_true / shape`` is chi-square with
    2 n degrees of freedom, two fewer for each vehicle whose last event ended its observation. By
    likelihood ratio elsewhere.
    """
    check_fraction("conf_level", conf_level)
    tail = (1 - conf_level) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        exact = [
            fits.shape * special.chdtri(2 * data.n_free, share) / (2 * fits.n_events)
            for share in (1 - tail, tail)
        ]
    drop = float(special.chdtri(1, 1 - conf_level)) / 2
    ratio = [_profile_limit(_terms(data), fits, drop, side) for side in (-1, 1)]
    common = _common_window(data)
    low, high = (np.where(common, e, r) for e, r in zip(exact, ratio, strict=True))
    return low, high


def _common_window(data: ObservedUnits) -> BoolArray:
    """Mark the groups whose vehicles were all observed from 0 to one age."""
    first = np.full(data.n_groups, np.inf)
    last = np.zeros(data.n_groups)
    np.minimum.at(first, data.group, data.exit)
    np.maximum.at(last, data.group, data.exit)
    entered = group_sums(data.entry, data.group, data.n_groups)
    return np.asarray((first == last) & (entered == 0))


def _terms(data: ObservedUnits) -> _Terms:
    n_groups = data.n_groups
    n_events = data.n_events.astype(np.float64)
    sum_log = group_sums(np.log(data.event), data.event_group, n_groups)
    unit = np.zeros(n_groups)
    np.maximum.at(unit, data.group, data.exit)
    unit[unit == 0] = 1.0
    with np.errstate(divide="ignore"):
        log_low = np.log(data.entry / unit[data.group])
    return _Terms(
        n_events=n_events,
        sum_log=sum_log - n_events * np.log(unit),
        log_low=log_low,
        log_high=np.log(data.exit / unit[data.group]),
        group=data.group,
        unit=unit,
    )


def _fit(terms: _Terms, common: BoolArray, n_free: FloatArray) -> PowerLaws:
    n = terms.n_events
    low, high = (np.full(n.size, bound) for bound in _LOG_SHAPE)
    x = np.zeros(n.size)
    for _ in range(_ROUNDS):
        _, slope, curve = terms.slopes(x)
        low, high = np.where(slope > 0, x, low), np.where(slope > 0, high, x)
        # Newton in ln b, whose slope is b * slope; halve the bracket where it leads out of it
        b = np.exp(x)
        with np.errstate(divide="ignore", invalid="ignore"):
            wish = x - slope / (slope + b * curve)
        inside = (wish > low) & (wish < high)
        moved = np.where(inside, wish, (low + high) / 2)
        settled = np.abs(moved - x) <= _SETTLED
        x = moved
        if (settled | (n == 0)).all():
            break
    found = (n > 0) & (x > _LOG_SHAPE[0] + 1e-6) & (x < _LOG_SHAPE[1] - 1e-6)
    log_shape = np.where(found, x, np.nan)
    shape = np.exp(log_shape)
    value, _, _ = terms.slopes(log_shape)
    row_shape = shape[terms.group]
    grown = np.exp(row_shape * terms.log_high) - np.exp(row_shape * terms.log_low)
    total = group_sums(grown, terms.group, n.size)
    with np.errstate(divide="ignore", invalid="ignore"):
        return PowerLaws(
            n_events=n,
            shape=shape,
            scale=n / total * terms.unit**-shape,
            shape_unbiased=np.where(common, shape * (n_free - 1) / n, np.nan),
            log_likelihood=value - n * np.log(terms.unit),
        )


def _profile_limit(terms: _Terms, fits: PowerLaws, drop: float, side: int) -> FloatArray:
    """Shape at which the profile log-likelihood has dropped by ``drop``, by halving."""
    inner = np.log(fits.shape)
    top, _, _ = terms.slopes(inner)
    outer = np.full(inner.size, _LOG_SHAPE[(side + 1) // 2])
    for _ in range(60):
        middle = (inner + outer) / 2
        value, _, _ = terms.slopes(middle)
        inside = top - value < drop
        inner, outer = np.where(inside, middle, inner), np.where(inside, outer, middle)
    return np.asarray(np.exp((inner + outer) / 2))
