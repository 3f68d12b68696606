"""What is new: components whose faults begin more often than before in a group of vehicles.

What is known on a day is what had been read by then, so the day on which a rise was found is the
same in every later analysis: pages tell it as new once.  Groups are searched as a tree, from the
fleet to a model, its year, a site; each level has its share of the false alarms.  A wider group
whose rise lies in a narrower one, or the reverse, is told with it.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from importlib.resources import files

import numpy as np
import polars as pl

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.estimators.arrays.validation import FloatArray, IntArray
from afterclear.estimators.rates.rising import (
    STEP_DAYS,
    RateRecord,
    Rise,
    Search,
    find_rises,
    group_spread,
    squared_misses,
    start_days,
)
from afterclear.finding_tables.emerging import ANY_FAULT
from afterclear.findings.common.component_names import component_labels
from afterclear.findings.common.own_episodes import name_own_episodes
from afterclear.findings.common.tables import forget, keep
from afterclear.findings.rising.alarms import ALARMS_A_YEAR, LEVELS, SHARES
from afterclear.findings.rising.distance_sums import added_up
from afterclear.findings.rising.faults import Fault, Groups, any_fault, faults_of
from afterclear.findings.rising.fitted_parts import Days, find_part_rises
from afterclear.findings.rising.found_rise import Found, RiseSet, part_of
from afterclear.findings.rising.km_at_risk import (
    ANY_UNIT,
    N_BANDS,
    band_of,
    day_of,
    first_reading,
    km_at_risk,
    unplanned,
)
from afterclear.findings.rising.rate_records import Records
from afterclear.findings.rising.rise_rows import rise_tables
from afterclear.store.engine.database import Connection, query
from afterclear.store.queries.results import naive

_QUIET_DAYS = 60  # a fleet's first days say little about what is usual (own judgement)
_YEARS = 3  # whole years before this one; what was earlier counts as the past
_SQL = files("afterclear.findings") / "sql" / "emerging.sql"
_VEHICLES = """
    SELECT u.vehicle_id, coalesce(v.powertrain, '') AS engine,
        nullif(concat_ws(' ', v.make, v.model), '') AS model,
        CASE WHEN v.model IS NOT NULL AND v.model_year IS NOT NULL
             THEN concat_ws(' ', v.make, v.model, v.model_year) END AS model_year, v.site,
        coalesce(v.stock_status, '') <> 'sold' AS stays, m.km, c.km_per_day
    FROM (SELECT DISTINCT vehicle_id FROM store.known_units) u
    LEFT JOIN store.vehicles v USING (vehicle_id)
    LEFT JOIN (SELECT vehicle_id, max(km) AS km FROM store.scan_moments GROUP BY ALL) m
        USING (vehicle_id)
    LEFT JOIN store.vehicle_clocks c USING (vehicle_id)
    ORDER BY u.vehicle_id"""
_KINDS = """
    SELECT DISTINCT u.ecu, coalesce(v.powertrain, '') AS engine
    FROM store.known_units u LEFT JOIN store.vehicles v USING (vehicle_id)"""
_TABLES = ("emerging", "emerging_points", "emerging_vehicles")


@dataclass(frozen=True, slots=True)
class _Fleet:
    vehicles: pl.DataFrame
    groups: Groups
    records: Records
    faults: tuple[Fault, ...]  # all together last
    firsts: pl.DataFrame
    zero: datetime  # day 0
    n_days: int


def find_emerging(con: Connection, catalogue: Catalogue, as_of: datetime) -> None:
    """Replace ``emerging``, ``emerging_points`` and ``emerging_vehicles``.

    Needs the roles of this analysis, ``order_parts`` and the settings of the histories.
    """
    fleet = _fleet(con, as_of)
    sets = [] if fleet is None else _sets(con, fleet, as_of)
    if fleet is None or not sets:
        for name in _TABLES:
            keep(con, name, None)
        return
    tables = rise_tables(sets, component_labels(con, catalogue), fleet.zero)
    for name, rows in zip(_TABLES, tables, strict=True):
        keep(con, name, rows)


def _sets(con: Connection, fleet: _Fleet, as_of: datetime) -> list[RiseSet]:
    """Search groups of vehicles, then fitted parts."""
    counted = fleet.vehicles.with_columns(band=band_of(pl.col("km")))
    vehicles = RiseSet(tuple(_found(fleet)), counted, fleet.groups.of_vehicle)
    days = Days(fleet.zero, fleet.n_days, naive(as_of))
    parts = find_part_rises(con, fleet.vehicles, days, _starts(fleet))
    return [each for each in (vehicles, *parts) if each.found]


def _starts(fleet: _Fleet) -> IntArray:
    """Days on which a rise may begin."""
    rest = (fleet.zero - datetime(2001, 1, 1)) // timedelta(days=1)  # noqa: DTZ001 - a Monday
    return start_days(_QUIET_DAYS, fleet.n_days, rest)


def _fleet(con: Connection, as_of: datetime) -> _Fleet | None:
    """Read the fleet; None: nothing ever began in it."""
    until = naive(as_of)
    name_own_episodes(con)
    con.script(_SQL.read_text(encoding="utf-8"))
    firsts = query(con, "FROM first_faults WHERE out_at <= $1 ORDER BY fault, vehicle_id", [until])
    forget(con, ("first_faults",))
    vehicles = query(con, _VEHICLES).with_row_index("vehicle")
    vehicles = vehicles.with_columns(pl.col("vehicle").cast(pl.Int64))
    began = firsts.filter("is_onset")
    if not len(began):
        return None
    engines = vehicles.select("engine").unique().with_columns(ecu=pl.lit(ANY_UNIT))
    kinds = pl.concat([query(con, _KINDS), engines.select("ecu", "engine")])
    kinds = kinds.unique().sort("ecu", "engine").with_row_index("kind")
    zero = max(
        first_reading(con, until),
        datetime(until.year - _YEARS, 1, 1),  # noqa: DTZ001 - as in the store
    )
    n_days = (until - zero).days + 1
    firsts = _numbered(firsts, vehicles, zero)
    groups = _groups(vehicles)
    every = kinds.filter(pl.col("ecu") == ANY_UNIT)["kind"].to_numpy().astype(np.int64)
    faults = (
        *faults_of(firsts, _kinds_of(firsts, kinds)),
        any_fault(ANY_FAULT, firsts, every),
    )
    own = vehicles.select("vehicle_id", "vehicle", "engine")
    risk = km_at_risk(con, own, kinds, unplanned(began), (zero, until))
    sums = added_up(risk, faults, groups, n_days, N_BANDS)
    return _Fleet(vehicles, groups, Records(sums, groups), faults, firsts, zero, n_days)


def _numbered(firsts: pl.DataFrame, vehicles: pl.DataFrame, zero: datetime) -> pl.DataFrame:
    own = vehicles.select("vehicle_id", "vehicle", "engine")
    return (
        firsts.join(own, on="vehicle_id", maintain_order="left")
        .with_columns(
            out_day=day_of(pl.col("out_at"), zero).clip(0),
            seen_day=day_of(pl.col("seen_at"), zero).clip(0),
            band=band_of(pl.col("km")),
        )
        .sort("fault", "vehicle")
    )


def _kinds_of(firsts: pl.DataFrame, kinds: pl.DataFrame) -> dict[str, tuple[IntArray, IntArray]]:
    """Kinds of units on which each fault was ever seen, and since which day."""
    seen = firsts.drop_nulls("ecu").group_by("fault", "ecu", "engine").agg(pl.col("seen_day").min())
    rows = seen.join(kinds, on=["ecu", "engine"]).sort("fault", "kind")
    return {
        str(name): (own["kind"].to_numpy().astype(np.int64), own["seen_day"].to_numpy())
        for (name,), own in rows.group_by(["fault"], maintain_order=True)
    }


def _groups(vehicles: pl.DataFrame) -> Groups:
    names: list[str] = [""]
    level, of_vehicle = [0], [np.zeros(len(vehicles), dtype=np.int64)]
    for number, column in enumerate(LEVELS[1:], start=1):
        own = vehicles[column].drop_nulls().unique().sort().to_list()
        places = {name: len(names) + i for i, name in enumerate(own)}
        names += own
        level += [number] * len(own)
        found = vehicles[column].replace_strict(
            list(places), list(places.values()), default=-1, return_dtype=pl.Int64
        )
        of_vehicle.append(found.to_numpy().astype(np.int64))
    return Groups(tuple(names), np.array(level, dtype=np.int64), np.stack(of_vehicle))


def _found(fleet: _Fleet) -> Iterator[Found]:
    starts = _starts(fleet)
    if not starts.size:
        return
    missed, squared = (np.zeros((len(LEVELS), starts.size)) for _ in range(2))
    for fault in fleet.faults[:-1]:
        record = fleet.records.of(fault)
        for level in range(len(LEVELS)):
            found = squared_misses(part_of(record, fleet.groups.slice_of(level)), starts)
            missed[level] += found[0]
            squared[level] += found[1]
    spread = np.stack([group_spread(*rows) for rows in zip(missed, squared, strict=True)])
    first_days = np.array([fault.onset_day.min() for fault in fleet.faults[:-1]])
    n_faults = np.searchsorted(np.sort(first_days), starts, side="right")
    for fault in fleet.faults:
        record = fleet.records.of(fault)
        together = fault.name == ANY_FAULT
        for level in range(len(LEVELS)):
            own = fleet.groups.slice_of(level)
            part = part_of(record, own)
            n_groups = (part.km[:, starts].sum(axis=2) > 0).sum(axis=0)
            pairs = n_groups * (1 if together else n_faults)
            share = SHARES[int(together)][level] * STEP_DAYS / 365
            weight = np.where(pairs > 0, share / np.maximum(pairs, 1), 0.0)
            search = Search(starts, spread[level], weight, level == 0, ALARMS_A_YEAR)
            for rise in find_rises(part, search):
                yield _as_found(fleet, fault, level, own.start + rise.group, rise, part)


def _as_found(
    fleet: _Fleet, fault: Fault, level: int, group: int, rise: Rise, record: RateRecord
) -> Found:
    onsets, km = record.onsets[rise.group], record.km[rise.group]
    return Found(
        fault,
        LEVELS[level],
        level,
        group,
        fleet.groups.names[group],
        rise,
        onsets,
        _expected(km, rise),
    )


def _expected(km: FloatArray, rise: Rise) -> FloatArray:
    """Onsets expected by each day at the rate before the rise."""
    return np.asarray(km @ rise.rates)
