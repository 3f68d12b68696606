"""How soon a tripled rate can be found at all, and how soon it is: 1,000 vehicles in 20 models.

The rise is looked for as ``find_emerging`` looks among models, with its share of the false alarms;
how many of these there are in equal fleets, the other groups among them, says ``rises_whole``.  Two
oracles know what no search knows. Both know every group's true rate and that it triples.

- One knows the day, too, and gives all false alarms that this pair of model and component may have
  in the days since to one test of them. No rule with as few false alarms finds more by then
  (Neyman & Pearson 1933, from memory): this is the floor.
- One does not know the day: a CUSUM of likelihood ratios for each pair, the fastest there is for
  its false alarms (Moustakides 1986, Annals of Statistics 14, from memory), all of them together
  as often wrong as the search may be. Its run lengths come from its Markov chain (Brook & Evans
  1972, Biometrika 59, from memory).
"""

from functools import cache

import numpy as np
from scipy import stats

from afterclear.estimators.arrays.validation import FloatArray
from afterclear.estimators.rates.rising import RateRecord, Search, find_rises
from afterclear.findings.rising.alarms import ALARMS_A_YEAR, LEVELS, SHARES
from tests.estimators.counted_fleet import CountedFleet, planted, record_of, search_of

N_MODELS, VEHICLES, COMPONENTS = 20, 50, 12
PAIRS = N_MODELS * COMPONENTS
FACTOR = 3.0
WITHIN_DAYS = 60
RISE_DAY, N_DAYS = 480, 600
_GRID = 0.01  # of the chain's states, in onsets


def floor(per_year: float, pairs: int = PAIRS) -> float:
    """Chance to find the rise within the days, if its day is known; one false alarm a year."""
    before = per_year * WITHIN_DAYS / 365
    after = FACTOR * before
    size = WITHIN_DAYS / 365 / pairs
    least = int(stats.poisson(before).isf(size)) + 1  # so many or more: seldomer than ``size``
    left = size - stats.poisson(before).sf(least - 1)
    beside = left / stats.poisson(before).pmf(least - 1)  # a draw decides at one onset less
    return float(stats.poisson(after).sf(least - 1) + beside * stats.poisson(after).pmf(least - 1))


def cusum_finds(per_year: float, pairs: int = PAIRS) -> float:
    """Chance that a CUSUM for each pair finds it within the days; one false alarm a year."""
    limit = _limit(per_year, 365.0 * pairs)
    steps = [_steps(factor * per_year / 365, per_year, limit) for factor in (1.0, FACTOR)]
    where = np.zeros(limit)
    where[0] = 1.0
    for _ in range(365):
        where = where @ steps[0]
    where /= where.sum()
    for _ in range(WITHIN_DAYS):
        where = where @ steps[1]
    return float(1 - where.sum())


@cache
def _limit(per_year: float, days: float) -> int:
    """Lowest limit whose run length is as many days."""
    low, high = int(1 / _GRID), int(16 / _GRID)
    while high - low > 1:
        middle = (low + high) // 2
        if _run_length(per_year, middle) < days:
            low = middle
        else:
            high = middle
    return high


def _run_length(per_year: float, limit: int) -> float:
    stays = np.eye(limit) - _steps(per_year / 365, per_year, limit)
    return float(np.linalg.solve(stays, np.ones(limit))[0])


def _steps(a_day: float, per_year: float, limit: int) -> FloatArray:
    """Chances from state to state in a day; what is missing is the alarm."""
    # ln of the likelihood ratio of n onsets, over ln of the factor: n less this
    down = max(1, round((FACTOR - 1) * per_year / 365 / np.log(FACTOR) / _GRID))
    up = round(1 / _GRID)
    steps = np.zeros((limit, limit))
    states = np.arange(limit)
    for n in range(int(stats.poisson(a_day).isf(1e-12)) + 2):
        to = np.maximum(states + n * up - down, 0)
        inside = to < limit
        np.add.at(steps, (states[inside], to[inside]), stats.poisson(a_day).pmf(n))
    return steps


def found_after(per_year: float, seed: int, *, components: int = COMPONENTS) -> int | None:
    """Draw a fleet in which one component of one model rises, and look at that model each day.

    Give the days until it is found; None: it is not while the fleet is watched.  ``per_year``:
    onsets of a component in a model.  ``components`` 1: all faults together.
    """
    fleet = CountedFleet(N_MODELS, VEHICLES, (per_year / VEHICLES,) * components, N_DAYS)
    rng = np.random.default_rng([seed, round(per_year)])
    model = int(rng.integers(N_MODELS))
    factors = planted(fleet, model, RISE_DAY, FACTOR)
    records = [record_of(fleet, k, rng, None if k else factors) for k in range(components)]
    share = SHARES[components == 1][LEVELS.index("model")]
    whole: Search = search_of(records, ALARMS_A_YEAR, share)
    first, own = records[0], slice(model, model + 1)
    record = RateRecord(first.onsets[own], first.km[own], first.all_onsets, first.all_km)
    delays = [rise.alarm_day - RISE_DAY for rise in find_rises(record, whole)]
    return min((days for days in delays if days >= 0), default=None)
