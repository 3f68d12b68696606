"""Faults that come back more often once parts of one brand, number or month are fitted.

The first faults of vehicles leave out whatever was worked on; here the distance since a part was
fitted counts, up to the next work or the first fault.  What is usual comes from all parts of the
kind, by distance since the fitting and by whether there was a fault to mend: a failed repair is
soon back, whoever made the part.  A group is compared with its own past, too, once it has one.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from importlib.resources import files
from typing import Final

import numpy as np
import polars as pl

from afterclear.estimators.arrays.validation import FloatArray, IntArray
from afterclear.estimators.rates.rising import (
    FEWEST,
    STEP_DAYS,
    RateRecord,
    Rise,
    Search,
    find_rises,
    group_spread,
    squared_misses,
)
from afterclear.findings.common.tables import forget
from afterclear.findings.rising.alarms import ALARMS_A_YEAR, PART_LEVELS, PART_SHARES
from afterclear.findings.rising.distance_sums import added_up
from afterclear.findings.rising.faults import Fault, Groups
from afterclear.findings.rising.found_rise import Found, PartGroup, RiseSet, part_of
from afterclear.findings.rising.km_at_risk import (
    a_day_at_once,
    by_day,
    day_of,
    stretches,
    unplanned,
)
from afterclear.findings.rising.rate_records import Records
from afterclear.store.engine.database import Connection, query

_SQL = files("afterclear.findings") / "sql" / "fitted_parts.sql"
_PUT = ("fitted_lines", "fitted_parts", "part_readings")
PART_BANDS_KM: Final = (5_000.0, 20_000.0)  # since the fitting (own judgement)
N_PART_BANDS: Final = 2 * (len(PART_BANDS_KM) + 1)  # fitted for a fault, or not
# Squared spread of brands, or of numbers, of one kind where little is known yet, and how many
# squared onsets it is worth (own judgement)
_SPREAD, _SPREAD_WORTH = 0.25, 100.0
_NAMES: Final = ("brand", "number", "lot")  # columns of ``PART_LEVELS`` but the first
# by month a group is called by its number, and the month is told beside it
_CALLED: Final = {"brand": "brand", "number": "number", "lot": "number"}
_ONSETS = """
    SELECT part, fault, out_at AS seen_at, is_planned, brand, number, lot FROM fitted_parts
    WHERE is_onset AND out_at <= $1 ORDER BY unit_no"""
_GROUPS_KNOWN = """
    SELECT min(fitted_at) AS at FROM fitted_parts
    WHERE {name} IS NOT NULL AND fitted_at <= $1 GROUP BY part, fault, {name}"""
_UNITS = """
    SELECT * REPLACE (CASE WHEN out_at <= $3 THEN out_at END AS out_at,
        is_onset AND out_at <= $3 AS is_onset)
    FROM fitted_parts WHERE part = $1 AND fault = $2 AND fitted_at <= $3 ORDER BY unit_no"""
# the fitting and the next work are readings of the distance, too
_READINGS = """
    WITH own AS (FROM fitted_parts WHERE part = $1 AND fault = $2 AND fitted_at <= $3), read AS (
        SELECT f.unit_no, f.fitted_at AS seen_at, f.fitted_km AS km FROM own f
        UNION ALL
        SELECT f.unit_no, r.seen_at, r.km FROM own f
        JOIN part_readings r ON r.vehicle_id = f.vehicle_id AND r.seen_at > f.fitted_at
            AND r.seen_at <= least(coalesce(f.out_at, $3), $3)
        UNION ALL
        SELECT f.unit_no, f.out_at, f.out_km FROM own f WHERE NOT by_fault AND out_at <= $3
    ), past AS (SELECT DISTINCT vehicle_id, first_seen_at, first_km FROM part_readings)
    SELECT r.unit_no, r.seen_at, max(r.km) AS km, any_value(p.first_seen_at) AS first_seen_at,
        any_value(p.first_km) AS first_km
    FROM read r JOIN own f USING (unit_no) LEFT JOIN past p USING (vehicle_id)
    GROUP BY r.unit_no, r.seen_at ORDER BY r.unit_no, r.seen_at"""


@dataclass(frozen=True, slots=True)
class Days:
    """The days of a search."""

    zero: datetime
    n_days: int
    until: datetime


def find_part_rises(
    con: Connection, vehicles: pl.DataFrame, days: Days, starts: IntArray
) -> Iterator[RiseSet]:
    """Find the rises of each kind of part and fault.

    ``vehicles``: vehicle_id, km, km_per_day, stays. Needs ``order_parts``, ``work_cures``,
    ``own_episodes``, ``visits_read`` and the settings of the histories.
    """
    con.script(_SQL.read_text(encoding="utf-8"))
    onsets = query(con, _ONSETS, [days.until])
    if len(onsets) and starts.size:
        shares = unplanned(onsets)
        weights = part_weights(_first_fitted(con, days), starts)
        for part, fault in _worth_a_look(onsets):
            kind = _kind(con, (part, fault), (vehicles, shares), days)
            found = tuple(part_rises(kind, starts, weights))
            yield RiseSet(found, kind.units, kind.groups.of_vehicle)
    forget(con, _PUT)


def _worth_a_look(onsets: pl.DataFrame) -> list[tuple[str, str]]:
    """Kinds of parts and faults with a group in which faults began often enough."""
    often = [
        onsets.drop_nulls(name)
        .group_by("part", "fault", name)
        .len()
        .filter(pl.col("len") >= FEWEST)
        .select("part", "fault")
        for name in _NAMES
    ]
    return list(pl.concat(often).unique().sort("part", "fault").iter_rows())


def _first_fitted(con: Connection, days: Days) -> list[IntArray]:
    """Days on which the first part of each group was fitted, by level."""
    known = (query(con, _GROUPS_KNOWN.format(name=name), [days.until]) for name in _NAMES)
    return [each.select(day_of(pl.col("at"), days.zero))["at"].to_numpy() for each in known]


def part_weights(first: list[IntArray], starts: IntArray) -> FloatArray:
    """Weight of one group and start by level: each level's share over groups known by then."""
    weights = np.zeros((len(PART_LEVELS), starts.size))
    for level, days in enumerate(first, start=1):
        n_groups = np.searchsorted(np.sort(days), starts, side="right")
        share = PART_SHARES[level] * STEP_DAYS / 365
        weights[level] = np.where(n_groups > 0, share / np.maximum(n_groups, 1), 0.0)
    return weights


@dataclass(frozen=True, slots=True)
class Kind:
    """Parts of a component and one fault of theirs: what was fitted, and the record by group."""

    part: str
    units: pl.DataFrame  # in the order of their numbers
    groups: Groups
    since: tuple[datetime, ...]  # when the first of each group was fitted
    fault: Fault
    records: Records


def _kind(
    con: Connection,
    named: tuple[str, str],
    known: tuple[pl.DataFrame, pl.DataFrame],
    days: Days,
) -> Kind:
    """Read one kind; ``known``: vehicles, and the shares of faults that bring them in."""
    (part, fault), (vehicles, shares) = named, known
    asked = [part, fault, days.until]
    units = query(con, _UNITS, asked).with_row_index("vehicle")
    units = units.with_columns(pl.col("vehicle").cast(pl.Int64))
    rows = _stretches(query(con, _READINGS, asked), units, shares)
    last_day = days.n_days - 1
    risk = by_day(rows, days.zero, last_day).known_since(0)
    units = _as_counted(units, rows, vehicles)
    groups, since = part_groups(units)
    began = fault_of_parts(fault, units, days.zero)
    records = Records(added_up([risk], [began], groups, days.n_days, N_PART_BANDS), groups)
    return Kind(part, units, groups, since, began, records)


def _stretches(readings: pl.DataFrame, units: pl.DataFrame, shares: pl.DataFrame) -> pl.DataFrame:
    """From each reading of a fitted part to the next; none is open once its part is out."""
    own = units.select(
        "unit_no", "vehicle", "fitted_km", "was_faulty", is_out=pl.col("out_at").is_not_null()
    )
    rows = stretches(readings, "unit_no", None).join(own, on="unit_no", maintain_order="left")
    rows = rows.filter(pl.col("seen_at").is_not_null() | ~pl.col("is_out"))
    rows = rows.with_columns(kind=pl.lit(0), band=_band(pl.col("before_km") - pl.col("fitted_km")))
    return rows.with_columns(a_day_at_once(rows, shares))


def _band(km: pl.Expr) -> pl.Expr:
    """Band of a distance since the fitting."""
    since = pl.lit(0, pl.Int64)
    for limit in PART_BANDS_KM:
        since += (km >= limit).fill_null(value=False).cast(pl.Int64)
    return since + (len(PART_BANDS_KM) + 1) * pl.col("was_faulty").cast(pl.Int64)


def _as_counted(units: pl.DataFrame, rows: pl.DataFrame, vehicles: pl.DataFrame) -> pl.DataFrame:
    """Put the vehicle and the present band beside each part; an onset's is that it was read in."""
    last = rows.group_by("vehicle").agg(pl.col("band").last().alias("read_in"))
    own = vehicles.select("vehicle_id", "km", "km_per_day", "stays")
    return (
        units.join(last, on="vehicle", how="left", maintain_order="left")
        .join(own, on="vehicle_id", how="left", maintain_order="left")
        .with_columns(
            stays=pl.col("stays").fill_null(value=False) & pl.col("out_at").is_null(),
            band=pl.when("is_onset")
            .then("read_in")
            .otherwise(_band(pl.col("km") - pl.col("fitted_km"))),
        )
    )


def part_groups(units: pl.DataFrame) -> tuple[Groups, tuple[datetime, ...]]:
    """Form the groups, level by level; of months those in which faults began often enough."""
    names, level, since = [""], [0], [units["fitted_at"][0]]
    of_unit = [np.zeros(len(units), dtype=np.int64)]
    for number, column in enumerate(_NAMES, start=1):
        own = (
            units.drop_nulls(column)
            .group_by(column)
            .agg(
                pl.col("is_onset").sum(),
                pl.col("fitted_at").min(),
                called=pl.first(_CALLED[column]),
            )
            # months are many; of brands and numbers all count for how much these differ
            .filter((pl.col("is_onset") >= FEWEST) | (column != "lot"))
            .sort(column)
        )
        places = range(len(names), len(names) + len(own))
        found = units[column].replace_strict(
            own[column], pl.Series(places, dtype=pl.Int64), default=-1, return_dtype=pl.Int64
        )
        of_unit.append(found.fill_null(-1).to_numpy().astype(np.int64))
        names += own["called"].to_list()
        level += [number] * len(own)
        since += own["fitted_at"].to_list()
    groups = Groups(tuple(names), np.array(level, dtype=np.int64), np.stack(of_unit))
    return groups, tuple(since)


def fault_of_parts(name: str, units: pl.DataFrame, zero: datetime) -> Fault:
    """Give the onsets: a part each."""
    began = units.filter("is_onset").sort("out_at", "vehicle")
    none = np.array([], dtype=np.int64)
    return Fault(
        name,
        np.zeros(1, dtype=np.int64),
        np.zeros(1, dtype=np.int64),
        began["vehicle"].to_numpy(),
        began.select(day_of(pl.col("out_at"), zero).clip(0))["out_at"].to_numpy(),
        began["band"].to_numpy().astype(np.int64),
        began["out_km"].cast(pl.Float64).fill_null(np.nan).to_numpy(),
        none,
        none,
        none,
    )


def part_rises(kind: Kind, starts: IntArray, weights: FloatArray) -> Iterator[Found]:
    """Search the groups of one kind of part and fault."""
    record = kind.records.of(kind.fault)
    spread = np.full(starts.size, _SPREAD)
    for level, name in enumerate(_NAMES, start=1):
        own = kind.groups.slice_of(level)
        part = part_of(record, own)
        if name != "lot":  # months of a number differ as numbers do
            missed, squared = squared_misses(part, starts)
            missed += _SPREAD * _SPREAD_WORTH
            spread = group_spread(missed, squared + _SPREAD_WORTH)
        search = Search(starts, spread, weights[level], False, ALARMS_A_YEAR)  # noqa: FBT003
        for rise in find_rises(part, search):
            yield _as_found(kind, level, own.start + rise.group, rise, part)


def _as_found(kind: Kind, level: int, group: int, rise: Rise, record: RateRecord) -> Found:
    return Found(
        kind.fault,
        PART_LEVELS[level],
        level,
        group,
        kind.groups.names[group],
        rise,
        record.onsets[rise.group],
        np.asarray(record.km[rise.group] @ rise.rates),
        PartGroup(kind.part, kind.since[group]),
    )
