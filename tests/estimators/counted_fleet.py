"""A light fleet for tests of rising rates: groups, first onsets and km by day, no scans."""

from dataclasses import dataclass

import numpy as np

from afterclear.estimators.arrays.validation import FloatArray
from afterclear.estimators.rates.rising import (
    RateRecord,
    Rise,
    Search,
    find_rises,
    group_spread,
    squared_misses,
    start_days,
)

KM_A_DAY = 60.0


@dataclass(frozen=True, slots=True)
class CountedFleet:
    """Equal groups of vehicles; each kind of fault with its rate per vehicle and year."""

    n_groups: int = 20
    vehicles: int = 50
    per_year: tuple[float, ...] = (1.0,)
    n_days: int = 730
    spread: float = 0.3  # standard deviation of ln of a group's own rate


def record_of(
    fleet: CountedFleet, kind: int, rng: np.random.Generator, rises: FloatArray | None = None
) -> RateRecord:
    """Draw one kind of fault; ``rises``: factor of each group and day, shape (g, d)."""
    size = (fleet.n_groups, fleet.n_days)
    own = np.exp(rng.normal(0, fleet.spread, fleet.n_groups) - fleet.spread**2 / 2)[:, None]
    rate = own * fleet.per_year[kind] / 365 * fleet.vehicles
    onsets = rng.poisson(rate * (np.ones(size) if rises is None else rises)).astype(float)
    km = np.full((*size, 1), fleet.vehicles * KM_A_DAY)
    return RateRecord(
        onsets.cumsum(axis=1),
        km.cumsum(axis=1),
        onsets.sum(axis=0).cumsum()[:, None],
        km.sum(axis=0).cumsum(axis=0),
    )


def planted(fleet: CountedFleet, group: int, day: int, factor: float) -> FloatArray:
    """One group's rate times ``factor`` from a day on."""
    rises = np.ones((fleet.n_groups, fleet.n_days))
    rises[group, day:] = factor
    return rises


def search_of(records: list[RateRecord], alarms_a_year: float, share: float) -> Search:
    """Give the search of all kinds of faults of a fleet as one level of groups."""
    n_groups, n_days = records[0].onsets.shape
    starts = start_days(60, n_days, 0)
    sums = [squared_misses(record, starts) for record in records]
    spread = group_spread(sum(each[0] for each in sums), sum(each[1] for each in sums))
    weight = np.full(starts.size, share * 7 / 365 / (n_groups * len(records)))
    return Search(starts, spread, weight, whole=False, alarms_a_year=alarms_a_year)


def searched(
    records: list[RateRecord], alarms_a_year: float = 1.0, share: float = 1.0
) -> list[list[Rise]]:
    """Search all kinds of faults of a fleet as one level of groups."""
    search = search_of(records, alarms_a_year, share)
    return [list(find_rises(record, search)) for record in records]
