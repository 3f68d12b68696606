"""Which vehicles get worse: a verdict for each, and how strong the trend is.

Whether there is a trend is tested between scans (``trend_between_scans``); its strength is the
shape of a power law through the places of events inside the window in which a vehicle was observed,
(age - entry) / (exit - entry).
"""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from afterclear.estimators.arrays.ragged import group_sums
from afterclear.estimators.arrays.validation import FloatArray, check_fraction
from afterclear.estimators.rates.rates import benjamini_hochberg
from afterclear.estimators.recurrence.exposure import ObservedUnits
from afterclear.estimators.recurrence.trend_between_scans import Stretches, stretch_trends

StrArray: TypeAlias = NDArray[np.str_]

# Below this many stretches with something new no test finds even a strong trend in half of the
# cases (simulated), and the score is no longer normal.
ENOUGH_EVENTS = 8
_P_LEVEL = 0.05
_NO_SPREAD_A = 1e4  # above: the shapes of vehicles differ by less than 1 %


@dataclass(frozen=True, slots=True)
class TrendVerdicts:
    """The verdict on each group, arrays of shape (n_groups,)."""

    trend: StrArray  # worsening | improving | none | too_few
    n_events: FloatArray
    p_value: FloatArray  # two-sided; nan: too few events
    q_value: FloatArray
    shape: FloatArray  # shrunken; above 1: worsening
    p_worsening: FloatArray  # P(shape > 1) given the events and the fleet: the rank of the rest


@dataclass(frozen=True, slots=True)
class ShrunkenShapes:
    """Shapes of power-law processes drawn towards those of the fleet.

    Each vehicle's shape comes from Gamma(a, b); given n events it is
    Gamma(a + n, b + sum ln(1 / place)).  inf: vehicles do not differ, and have ``pooled``.
    """

    a: float
    b: float
    pooled: float
    mean: FloatArray  # (n_groups,)
    p_above_1: FloatArray


def trend_verdicts(data: ObservedUnits, rows: Stretches, *, level: float = 0.1) -> TrendVerdicts:
    """Decide for each vehicle (group) whether it worsens, and limit the fleet's false alarms.

    ``data`` places the events for shapes, ``rows`` are the stretches between scans that are
    tested, for the same groups.  A trend is called from 8 stretches with something new on, where
    the score's p is below .05 and its Benjamini-Hochberg q over the tested vehicles below
    ``level``.  Vehicles with fewer are only ranked, by ``p_worsening``.

    Why not MIL-HDBK-189 with a renewal test, as before: they take an event's place for known,
    and of vehicles seen at scans only they found none at a power law of shape 2 or 3.
    """
    check_fraction("level", level)
    tests = stretch_trends(rows)
    enough = tests.n_found >= ENOUGH_EVENTS
    p_value = np.where(enough, tests.p_value, np.nan)
    q_value = benjamini_hochberg(p_value)
    shapes = shrunken_shapes(data)
    with np.errstate(invalid="ignore"):
        called = (p_value < _P_LEVEL) & (q_value < level)
        up = tests.score > 0
    trend = np.select([~enough, called & up, called], ["too_few", "worsening", "improving"], "none")
    return TrendVerdicts(
        trend=trend,
        n_events=tests.n_found,
        p_value=p_value,
        q_value=q_value,
        shape=shapes.mean,
        p_worsening=shapes.p_above_1,
    )


def shrunken_shapes(data: ObservedUnits) -> ShrunkenShapes:
    """Shape of each group's power law, drawn towards the fleet's by what its n is worth.

    Given n, the likelihood of a shape is ``shape ** n exp(-shape s)``, ``s = sum ln(1 / place)``,
    an event that ended the observation not counted; a and b maximise the product of its integrals
    over the groups.  A group without events has the fleet's mean.  nan: no event at all, or all of
    them where observation ended, where no finite shape is the likeliest.
    """
    n = data.n_free
    length = (data.exit - data.entry)[data.event_unit]
    place = (data.event - data.entry[data.event_unit]) / length
    s = group_sums(-np.log(place), data.event_group, data.n_groups)
    if not s.any():
        nothing = np.full(data.n_groups, np.nan)
        return ShrunkenShapes(np.nan, np.nan, np.nan, nothing, nothing)
    pooled = float(n.sum() / s.sum())
    some = n > 0
    found = _fit_gamma(n[some], s[some] * pooled)
    if found is None:
        above = np.full(data.n_groups, float(pooled > 1))
        return ShrunkenShapes(np.inf, np.inf, pooled, np.full(data.n_groups, pooled), above)
    a, b = found[0], found[1] / pooled
    return ShrunkenShapes(
        a=a,
        b=b,
        pooled=pooled,
        mean=(a + n) / (b + s),
        p_above_1=np.asarray(special.gammaincc(a + n, b + s)),
    )


def _fit_gamma(n: FloatArray, s: FloatArray) -> tuple[float, float] | None:
    """Find a and b of the prior by marginal likelihood; None: vehicles do not differ."""

    def loss(theta: FloatArray) -> tuple[float, FloatArray]:
        a, mean = np.exp(theta)
        b = a / mean
        value = special.gammaln(a + n) - special.gammaln(a) + a * np.log(b)
        value = value - (a + n) * np.log(b + s)
        by_a = special.digamma(a + n) - special.digamma(a) + np.log(b) - np.log(b + s)
        by_b = a / b - (a + n) / (b + s)
        # theta moves b too: b = a / mean
        slope = np.array([(a * by_a + b * by_b).sum(), (-b * by_b).sum()])
        return -float(value.sum()), -slope

    bounds = [(-4.0, np.log(_NO_SPREAD_A)), (-5.0, 5.0)]
    best = optimize.minimize(
        loss,
        np.array([1.0, 0.0]),
        method="L-BFGS-B",
        jac=True,
        bounds=bounds,
        options={"ftol": 1e-15, "gtol": 1e-9},
    )
    if best.x[0] > bounds[0][1] - 0.01:
        return None
    a, mean = np.exp(best.x)
    return float(a), float(a / mean)
