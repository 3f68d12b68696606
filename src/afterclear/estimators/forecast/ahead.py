"""Failures to expect from a moment on: each unit's next one, and those that follow from it.

Each vehicle goes on by its own km a day. What units will do first follows from their age and state;
a failure is repaired after a usual time, and the work may fail, too: that is added step by step
(a renewal equation; Cox 1962, Renewal Theory, chapter 4, from memory).
"""

from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np

from afterclear.estimators.arrays.validation import FloatArray
from afterclear.estimators.forecast.known import State, bulk_of_vehicles, failures_between
from afterclear.estimators.forecast.past import (
    AS_DELIVERED,
    DELIVERED,
    DONE_AGAIN,
    HOLDS,
    HOLDS_AGAIN,
    NEWLY_DONE,
    Past,
    Stretches,
    ages_of,
    bulk_by_cell,
    parts_by_cell,
    sums_by_cell,
)

_STEPS: Final = 36  # of a period, in which repaired units fail again
_KNOTS: Final = np.array([0, 2, 6, 12, 18, 27, 36])  # steps at which first failures are worked out
_MOST_CLUSTERED: Final = 3.0  # failures that follow from one another make counts at most so wide


@dataclass(frozen=True, slots=True)
class Ahead:
    """Failures to expect in a period."""

    days: float
    expected: FloatArray  # of each component, (n_components,)
    variance: FloatArray  # of their number, (n_components,)
    total: float
    total_variance: float
    of_vehicle: FloatArray  # expected on each vehicle, (v,)
    vehicle_variance: FloatArray  # (v,)
    new_kinds: float  # of the total, of components that never failed before


@dataclass(frozen=True, slots=True)
class _Live:
    """Stretches that go on at the moment, shape (s,) each."""

    rows: Stretches
    low: FloatArray
    high: FloatArray
    weight: FloatArray  # how much its vehicle counts
    fails: FloatArray  # first failures expected; with a state of delivery, those that are not

    def and_then(self, other: "_Live") -> "_Live":
        """Give both."""
        joined = {
            each.name: np.concatenate(
                (getattr(self.rows, each.name), getattr(other.rows, each.name))
            )
            for each in fields(Stretches)
        }
        rest = (
            np.concatenate((getattr(self, name), getattr(other, name)))
            for name in ("low", "high", "weight", "fails")
        )
        return _Live(Stretches(**joined), *rest)

    def per(self, column: str, n: int, *, worked: bool) -> FloatArray:
        """Add up first failures by component or vehicle, as delivered or worked on."""
        own = (self.rows.state > 0) == worked
        return np.bincount(getattr(self.rows, column)[own], self.fails[own], n).astype(np.float64)


def ahead(past: Past, state: State, days: float) -> Ahead:
    """Work out what to expect in the ``days`` from the moment of ``state`` on."""
    live = _live(past, state, days)
    learnt, sd = state.learnt.factor, state.learnt.sd
    by_cell = _by_cell(past, state, live, days)
    first = by_cell.sum(axis=1)
    expected = _with_repeats(past, state, live, first, days)
    grown = np.divide(expected, first, out=np.ones_like(first), where=first > 0)
    of_rates, of_total = state.hazards.variance(by_cell * grown[:, None])
    chance = _by_chance(live, expected, grown) * learnt
    growth = learnt * float(expected.sum()) / max(float(first.sum()), 1e-12)
    of_vehicle, of_factors = _of_vehicles(past, state, live, days, growth)
    # what was never seen is known no better than by as much again
    new_kinds = state.new_kinds_per_km * float(_km(state, days).sum())
    total = learnt * float(expected.sum()) + new_kinds
    spread = chance.sum() + of_factors.sum() + of_total * learnt**2 + 2 * new_kinds
    return Ahead(
        days=days,
        expected=expected * learnt,
        variance=chance + (of_rates + (expected * sd) ** 2) * learnt**2,
        total=total,
        total_variance=float(spread) + (total * sd) ** 2,
        of_vehicle=of_vehicle,
        vehicle_variance=of_vehicle + of_factors,
        new_kinds=new_kinds,
    )


def _km(state: State, days: float) -> FloatArray:
    """Km that readings will look back over, (v,)."""
    return state.driving.km_per_day * state.driving.share * days


def _live(past: Past, state: State, days: float) -> _Live:
    now, rows = state.driving.km, past.stretches
    at_km = now[rows.vehicle]
    goes = state.driving.goes[rows.vehicle] & (rows.known_day <= state.day)
    # how a stretch ended later was not known then
    own = rows.take(goes & (rows.from_km <= at_km) & (at_km < rows.to_km)).without_end()
    low, high = now[own.vehicle], (now + _km(state, days))[own.vehicle]
    is_new = (own.state > DELIVERED) & (own.state < HOLDS)
    looked = low + state.look_km
    first = _chances(state, own, low, np.where(is_new, np.minimum(high, looked), high), 1.0)
    then = is_new & (high > looked)
    later = own.take(then)
    later = replace(later, state=later.state + (HOLDS - NEWLY_DONE))
    second = _chances(state, later, looked[then], high[then], 1 - first.fails[then])
    return first.and_then(second)


def _chances(
    state: State, rows: Stretches, low: FloatArray, high: FloatArray, is_left: FloatArray | float
) -> _Live:
    """Work out how likely each unit fails in a stretch, if it is left until then."""
    weight = state.factor[np.minimum(rows.state, 1), rows.vehicle]
    chance = weight * failures_between(state.hazards, ages_of(rows, low), ages_of(rows, high))
    # a unit fails once before it is repaired
    fails = is_left * np.where(rows.state == DELIVERED, chance, -np.expm1(-chance))
    once = np.divide(fails, chance, out=np.ones_like(chance), where=chance > 0)
    return _Live(rows, low, high, rows.sign * weight * once, fails)


def _by_cell(past: Past, state: State, live: _Live, days: float) -> FloatArray:
    """First failures expected by component and cell."""
    n_components = past.risks.n_components
    parts = parts_by_cell(live.rows, live.low, live.high)
    km = sums_by_cell(parts, live.rows, live.weight, n_components)
    now = state.driving.km
    # a vehicle that does not go on goes no km
    km[:, : AS_DELIVERED.size] += bulk_by_cell(
        past, now, now + _km(state, days), state.factor[0], state.places
    )
    return np.asarray(np.maximum(km, 0.0) * state.hazards.per_km, dtype=np.float64)


def _by_chance(live: _Live, expected: FloatArray, grown: FloatArray) -> FloatArray:
    """Variance of the number of failures of each component if all rates were known."""
    follow = np.clip(1 - 1 / np.maximum(grown, 1.0), 0.0, 0.5)
    clustered = np.minimum((1 + follow) / (1 - follow), _MOST_CLUSTERED)
    worked = live.rows.state > 0
    # a unit fails or does not: that is less than a Poisson number spreads
    single = np.bincount(live.rows.component[worked], live.fails[worked] ** 2, expected.size)
    return np.asarray(np.maximum(expected * clustered - single, 0.0), dtype=np.float64)


def _of_vehicles(
    past: Past, state: State, live: _Live, days: float, growth: float
) -> tuple[FloatArray, FloatArray]:
    """Failures expected of each vehicle, and the variance from what its factors are; (v,)."""
    now = state.driving.km
    bulk = bulk_of_vehicles(past, state.hazards, state.places, now, now + _km(state, days))
    delivered = state.factor[0] * bulk - live.per("vehicle", now.size, worked=False)
    delivered = np.maximum(delivered, 0.0) * growth
    worked = live.per("vehicle", now.size, worked=True) * growth
    sd = state.factor_sd
    return delivered + worked, (delivered * sd[0]) ** 2 + (worked * sd[1]) ** 2


def _with_repeats(
    past: Past, state: State, live: _Live, first: FloatArray, days: float
) -> FloatArray:
    """Add to first failures of each component those after their repair, (n_components,)."""
    firsts = _first_by_step(state, live, first)
    failed = past.failures
    is_down = (failed.day <= state.day) & (failed.over_day > state.day)
    is_down &= state.driving.goes[failed.vehicle] & (failed.known_day <= state.day)
    down = np.bincount(failed.component[is_down], minlength=first.size).astype(np.float64)
    again = _again_by_step(state, live, days / _STEPS)
    leaves = -np.expm1(-days / _STEPS / state.repair_days)
    repaired = np.zeros((first.size, _STEPS))
    total = np.zeros(first.size)
    for i in range(_STEPS):
        repaired[:, i] = down * leaves
        now = firsts[:, i] + (repaired[:, i::-1] * again[:, : i + 1]).sum(axis=1)
        down = down - repaired[:, i] + now
        total += now
    return total


def _first_by_step(state: State, live: _Live, first: FloatArray) -> FloatArray:
    """Spread first failures over the steps of a period, (n_components, steps)."""
    rows = live.rows
    reach = np.maximum(live.high - state.driving.km[rows.vehicle], 1e-9)
    by_knot = np.zeros((first.size, _KNOTS.size))
    worked = rows.state > DELIVERED
    for place, knot in enumerate(_KNOTS):
        # the share of a stretch driven by then, of its failures
        until = state.driving.km[rows.vehicle] + reach * knot / _STEPS
        part = np.clip((until - live.low) / np.maximum(live.high - live.low, 1e-9), 0.0, 1.0)
        by_knot[:, place] = np.bincount(
            rows.component[worked], (live.fails * part)[worked], first.size
        )
    # as delivered, a component fails evenly
    even = np.maximum(first - by_knot[:, -1], 0.0)
    steps = np.arange(_STEPS + 1)
    whole = np.array([np.interp(steps, _KNOTS, each) for each in by_knot])
    return np.asarray(
        np.diff(whole.reshape(first.size, -1), axis=1) + even[:, None] / _STEPS, dtype=np.float64
    )


def _again_by_step(state: State, live: _Live, step: float) -> FloatArray:
    """Chance that a unit fails so many steps after its repair, (n_components, steps)."""
    goes = state.driving.goes
    per_day = float(state.driving.km_per_day[goes].mean()) if goes.any() else 0.0
    edges = np.arange(_STEPS + 1) * step * per_day * state.driving.share
    n_components = state.hazards.per_km.shape[0]
    of_state = [
        np.bincount(live.rows.component[live.rows.state == number], minlength=n_components)
        for number in (HOLDS, HOLDS_AGAIN)
    ]
    # a unit that fails now was mostly worked on before where the component's others were
    often = (of_state[1] + 0.5) / (of_state[0] + of_state[1] + 1.0)
    lasted = np.zeros((n_components, _STEPS + 1))
    for new, holds, part in (
        (NEWLY_DONE, HOLDS, 1 - often),
        (DONE_AGAIN, HOLDS_AGAIN, often),
    ):
        looked = np.minimum(edges, state.look_km)
        fails = state.hazards.up_to(new, looked)
        fails += state.hazards.up_to(holds, np.maximum(edges, state.look_km))
        fails -= state.hazards.up_to(holds, np.full(edges.size, state.look_km))
        lasted += part[:, None] * np.exp(-fails)
    return np.asarray(-np.diff(lasted, axis=1), dtype=np.float64)
