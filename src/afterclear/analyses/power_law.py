"""Power-law processes (Crow-AMSAA) of vehicles whose events may come closer together.

The mean number of events up to age t is ``scale * t ** shape``: a shape above 1 is
deterioration.  Fits of many groups at once, from exact ages or from counts between scans.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from afterclear.analyses.checks import (
    BoolArray,
    FloatArray,
    IntArray,
    as_floats,
    as_groups,
    check_finite,
    check_fraction,
    check_intervals,
    check_non_negative,
    check_same_shape,
)
from afterclear.analyses.ragged import group_sums
from afterclear.analyses.watched import Watched

_LOG_SHAPE = (np.log(1e-3), np.log(1e3))  # no fit outside: the likelihood rises without end
_ROUNDS = 200
_SETTLED = 1e-14


@dataclass(frozen=True, slots=True)
class PowerLaws:
    """Maximum likelihood fits, arrays of shape (n_groups,); nan where there is none.

    ``shape_unbiased`` is (n - 1) / n times the estimate, (n - 2) / n where the last event ended
    the watching: right on average where all of a group's vehicles were watched from 0 to one
    age, and nan elsewhere.
    """

    n_events: FloatArray
    shape: FloatArray
    scale: FloatArray
    shape_unbiased: FloatArray
    log_likelihood: FloatArray

    def rate_at(self, age: ArrayLike) -> FloatArray:
        """Events per unit of age of one vehicle at ``age``, shape (n_groups,)."""
        return np.asarray(self.scale * self.shape * as_floats("age", age) ** (self.shape - 1))


@dataclass(frozen=True, slots=True)
class _Terms:
    """What the likelihood is made of; ages are in units of the group's last one.

    It is ``sum over rows of count * ln(high ** b - low ** b)`` for counted rows, with
    ``ln b + (b - 1) ln t`` for events known exactly, less the sum over all that was watched.
    """

    n_exact: FloatArray  # (n_groups,)
    sum_log: FloatArray  # (n_groups,) of exact events
    log_low: FloatArray  # rows of windows or of stretches between scans; -inf: from 0 on
    log_high: FloatArray
    count: FloatArray  # events counted in the row; 0 for a window whose events are exact
    group: IntArray
    unit: FloatArray  # (n_groups,) the age that all are divided by

    @property
    def n_events(self) -> FloatArray:
        """Events of each group."""
        return self.n_exact + group_sums(self.count, self.group, self.n_exact.size)

    def slopes(self, log_shape: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Profile log-likelihood with its slope and curvature by the shape."""
        n_groups, n = self.n_exact.size, self.n_events
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
            counted = self.count > 0
            value = np.where(counted, self.count * np.log(grown), 0.0)
            ratio = np.where(counted, first / grown, 0.0)
            bend = np.where(counted, second / grown - ratio**2, 0.0)
            mean = total_1 / total
            value = group_sums(value, self.group, n_groups) + n * (np.log(n / total) - 1)
            slope = group_sums(self.count * ratio, self.group, n_groups) - n * mean
            curve = group_sums(self.count * bend, self.group, n_groups)
            curve -= n * (total_2 / total - mean**2)
        value += self.n_exact * log_shape + (b - 1) * self.sum_log
        slope += self.n_exact / b + self.sum_log
        curve -= self.n_exact / b**2
        return value, slope, curve


def fit_power_law(data: Watched) -> PowerLaws:
    """Power law of each group from events whose age is known exactly.

    Vehicles may be watched on different windows (entry, exit].  Solves
    ``n / b + sum ln t = n * sum(T ** b ln T - S ** b ln S) / sum(T ** b - S ** b)``; where all
    windows are (0, T] that is ``b = n / sum ln(T / t)``.

    References: MIL-HDBK-189 (1981), appendix C; Crow 1974 (from memory).

    """
    return _fit(_exact_terms(data), _common_window(data), data.n_free)


def fit_power_law_counts(
    low: ArrayLike,
    high: ArrayLike,
    count: ArrayLike,
    group: ArrayLike,
    n_groups: int | None = None,
) -> PowerLaws:
    """Power law of each group from counts of events between scans.

    One row per stretch (low, high] that was watched, shape (n_rows,), with the ``count`` of
    events seen to have begun in it, 0 included.  Reference: MIL-HDBK-189 (1981), grouped data.
    """
    low_array, high_array = as_floats("low", low), as_floats("high", high)
    counts, groups = as_floats("count", count), as_groups("group", group)
    check_same_shape(low=low_array, high=high_array, count=counts, group=groups)
    check_intervals(low_array, high_array)
    check_finite("high", high_array)
    check_non_negative("count", counts)
    n_groups = int(groups.max(initial=0)) + 1 if n_groups is None else n_groups
    none = np.zeros(n_groups)
    terms = _terms(low_array, high_array, counts, groups, (none, none))
    return _fit(terms, np.zeros(n_groups, dtype=bool), terms.n_events)


def shape_limits(
    data: Watched, fits: PowerLaws, *, conf_level: float = 0.95
) -> tuple[FloatArray, FloatArray]:
    """Limits of each group's shape, (n_groups,) each; nan where there is no fit.

    Exact where all of the group's windows are (0, T]: ``2 n shape_true / shape`` is chi-square
    with 2 n degrees of freedom, two fewer for each vehicle whose last event ended its watching.
    By likelihood ratio elsewhere.
    """
    check_fraction("conf_level", conf_level)
    tail = (1 - conf_level) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        exact = [
            fits.shape * special.chdtri(2 * data.n_free, share) / (2 * fits.n_events)
            for share in (1 - tail, tail)
        ]
    drop = float(special.chdtri(1, 1 - conf_level)) / 2
    ratio = [_profile_limit(_exact_terms(data), fits, drop, side) for side in (-1, 1)]
    common = _common_window(data)
    low, high = (np.where(common, e, r) for e, r in zip(exact, ratio, strict=True))
    return low, high


def _common_window(data: Watched) -> BoolArray:
    """Tell the groups all of whose vehicles were watched from 0 to one age."""
    first = np.full(data.n_groups, np.inf)
    last = np.zeros(data.n_groups)
    np.minimum.at(first, data.group, data.exit)
    np.maximum.at(last, data.group, data.exit)
    entered = group_sums(data.entry, data.group, data.n_groups)
    return np.asarray((first == last) & (entered == 0))


def _exact_terms(data: Watched) -> _Terms:
    n_groups = data.n_groups
    n_exact = data.n_events.astype(np.float64)
    sum_log = group_sums(np.log(data.event), data.event_group, n_groups)
    none = np.zeros(data.exit.size)
    return _terms(data.entry, data.exit, none, data.group, (n_exact, sum_log))


def _terms(
    low: FloatArray,
    high: FloatArray,
    count: FloatArray,
    group: IntArray,
    exact: tuple[FloatArray, FloatArray],
) -> _Terms:
    n_exact, sum_log = exact
    unit = np.zeros(n_exact.size)
    np.maximum.at(unit, group, high)
    unit[unit == 0] = 1.0
    with np.errstate(divide="ignore"):
        log_low = np.log(low / unit[group])
    return _Terms(
        n_exact=n_exact,
        sum_log=sum_log - n_exact * np.log(unit),
        log_low=log_low,
        log_high=np.log(high / unit[group]),
        count=count,
        group=group,
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
