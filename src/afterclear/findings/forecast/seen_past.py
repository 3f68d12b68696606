"""The store's histories as the forecast needs them: numbered vehicles, stretches and failures."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np
import polars as pl

from afterclear.estimators.arrays.ragged import last_up_to
from afterclear.estimators.arrays.validation import FloatArray, IntArray
from afterclear.estimators.forecast.past import (
    DELIVERED,
    HOLDS,
    NEWLY_DONE,
    Failures,
    Past,
    Risks,
    Stretches,
    Vehicles,
)
from afterclear.store.engine.database import Connection, query

_VEHICLES: Final = """
    SELECT m.vehicle_id, min(m.seen_at) AS first_at,
        arg_min(m.km, (m.seen_at, m.km)) AS first_km,
        coalesce(min(v.powertrain), '') AS kind, min(v.site) AS site,
        coalesce(min(v.stock_status), '') <> 'sold' AS stays
    FROM store.scan_moments m LEFT JOIN store.vehicles v USING (vehicle_id)
    WHERE m.km IS NOT NULL AND m.seen_at <= $1
    GROUP BY m.vehicle_id ORDER BY m.vehicle_id"""
_READINGS: Final = """
    SELECT vehicle_id, seen_at, km FROM store.scan_moments
    WHERE km IS NOT NULL AND seen_at <= $1 ORDER BY vehicle_id, seen_at, km"""
_FAULTS: Final = "FROM coming_faults ORDER BY vehicle_id, family, seen_at"
_UNIT: Final = ("vehicle_id", "family")  # a component at one place of one vehicle
# what failures and stretches are made of
_COUNTED: Final = (
    "vehicle", "component_no", "fault_no", "began", "seen_at", "seen_km", "over_at", "over_km",
    "looked_km", "known_at", "over_km_before", "looked_km_before",
)  # fmt: skip
_VISIT_KM: Final = 25.0  # a reading nearer to the work is of the same visit, as in histories
_EPOCH: Final = datetime(1970, 1, 1)  # noqa: DTZ001 - the store's instants are UTC without a zone


def day_of(at: datetime) -> float:
    """Count days since 1970."""
    return (at - _EPOCH).total_seconds() / 86400.0


@dataclass(frozen=True, slots=True)
class Seen:
    """The past of a fleet, and its names."""

    past: Past
    vehicles: pl.DataFrame  # vehicle_id, kind, site, ..., in the order of their numbers
    components: list[str]
    faults: pl.DataFrame  # those that began under observation


def seen_past(con: Connection, moments: FloatArray, as_of: datetime) -> Seen | None:
    """Read what was seen up to ``as_of``; None: no vehicle was ever read.

    Needs ``coming_faults``.
    """
    vehicles = query(con, _VEHICLES, [as_of]).with_row_index("vehicle")
    if not len(vehicles):
        return None
    vehicles = vehicles.with_columns(kind_no=pl.col("kind").rank("dense").cast(pl.Int64) - 1)
    # both are sorted, and every vehicle was read: numbers take less than names
    readings = query(con, _READINGS, [as_of]).select(
        pl.col("vehicle_id").rle_id().alias("vehicle"), "seen_at", "km"
    )
    numbers = vehicles.select("vehicle_id", "vehicle", "kind_no", "first_km")
    faults = query(con, _FAULTS).join(numbers, on="vehicle_id", maintain_order="left")
    components = faults["component"].unique().sort().to_list()
    known = faults.group_by("kind_no", "family").agg(
        pl.col("component").first(), pl.col("seen_at").min().alias("known_at")
    )
    known = known.sort("kind_no", "family")
    faults = faults.join(
        known.select("kind_no", "family", "known_at"),
        on=["kind_no", "family"],
        maintain_order="left",
    ).with_columns(component_no=_placed("component", components))
    faults = faults.with_columns(_fault_numbers(faults))
    # what is told later: names of a million faults take much memory
    told = faults.filter("began").select("vehicle_id", "component", "seen_at")
    faults = faults.drop("vehicle_id", "family", "component")
    faults = faults.with_columns(_first_looks(faults, readings)).with_columns(
        pl.when(pl.col("fault_no") > 0)
        .then(pl.col("over_km", "looked_km").shift(1))
        .name.suffix("_before")
    )
    faults = faults.select(_COUNTED)
    risks = Risks(
        known["kind_no"].to_numpy(),
        known.select(_placed("component", components)).to_series().to_numpy(),
        _days(known["known_at"]),
        int(vehicles["kind_no"].max()) + 1,  # type: ignore[arg-type]
        len(components),
    )
    past = Past(
        _vehicles(vehicles, readings, moments),
        risks,
        _stretches(faults),
        _failures(faults.filter("began")),
    )
    return Seen(past, vehicles, components, told)


def _placed(column: str, names: list[str]) -> pl.Expr:
    return pl.col(column).replace_strict(names, range(len(names)), return_dtype=pl.Int64)


def _fault_numbers(faults: pl.DataFrame) -> pl.Series:
    """Count the faults each unit had before, of faults sorted by unit."""
    starts = [pl.col(name).ne_missing(pl.col(name).shift(1)) for name in _UNIT]
    is_first = faults.select(pl.any_horizontal(*starts)).to_series().to_numpy()
    row = np.arange(is_first.size)
    return pl.Series("fault_no", row - np.maximum.accumulate(np.where(is_first, row, 0)))


def _days(at: pl.Series) -> FloatArray:
    """Days since 1970; inf where there is no instant."""
    days = at.cast(pl.Datetime("us")).dt.epoch("us").cast(pl.Float64) / 86400e6
    return days.fill_null(np.inf).to_numpy()


def _vehicles(vehicles: pl.DataFrame, readings: pl.DataFrame, moments: FloatArray) -> Vehicles:
    """Look up each odometer at each moment."""
    days, km = _days(readings["seen_at"]), readings["km"].to_numpy()
    number = readings["vehicle"].to_numpy().astype(np.int64)
    last = last_up_to(moments, days, number, len(vehicles))
    return Vehicles(
        vehicles["kind_no"].to_numpy(),
        vehicles["stays"].to_numpy(),
        _days(vehicles["first_at"]),
        vehicles["first_km"].to_numpy().astype(np.float64),
        moments,
        *(np.where(last < 0, np.nan, values[last]).astype(np.float64) for values in (km, days)),
    )


def _first_looks(faults: pl.DataFrame, readings: pl.DataFrame) -> pl.Series:
    """Odometer of the first reading after each fault was over; null: none yet."""
    asked = faults.select("vehicle", after=pl.col("over_km") + _VISIT_KM).with_row_index("row")
    found = (
        asked.drop_nulls("after")
        .sort("after")
        .join_asof(
            readings.select("vehicle", looked_km="km").sort("looked_km"),
            left_on="after",
            right_on="looked_km",
            by="vehicle",
            strategy="forward",
            coalesce=False,
            check_sortedness=False,
        )
    )
    joined = asked.join(found.select("row", "looked_km"), on="row", how="left").sort("row")
    return joined["looked_km"]


def _stretches(faults: pl.DataFrame) -> Stretches:
    """Give what every unit did after its first fault, and that it is as delivered no more."""
    names = ("vehicle", "component_no", "fault_no", "known_at", "seen_km", "over_km", "looked_km")
    rows = faults.select(
        *names,
        next_km=pl.when(pl.col("fault_no").shift(-1) > 0)
        .then(pl.col("seen_km").shift(-1))
        .fill_null(np.inf),
        often=(pl.col("fault_no") > 0).cast(pl.Int64),
    )
    gone = rows.filter(pl.col("fault_no") == 0).with_columns(
        state=pl.lit(DELIVERED, pl.Int64), sign=-1.0, zero_km=0.0, from_km="seen_km", to_km=np.inf
    )
    worked = rows.filter(pl.col("over_km").is_not_null()).with_columns(
        sign=1.0, zero_km="over_km", looked_km=pl.col("looked_km").fill_null(np.inf)
    )
    new = worked.with_columns(
        state=pl.col("often") + NEWLY_DONE,
        from_km="over_km",
        to_km=pl.min_horizontal("looked_km", "next_km"),
    )
    holds = worked.with_columns(
        state=pl.col("often") + HOLDS, from_km="looked_km", to_km="next_km"
    ).filter(pl.col("looked_km") < pl.col("next_km"))
    columns = ["vehicle", "component_no", "state", "sign", "zero_km", "from_km", "to_km"]
    every = pl.concat(
        [each.select(*columns, "known_at") for each in (gone, new, holds)],
        how="vertical_relaxed",
    )
    whole = _columns(every, columns[:3])
    sign, zero, begin, end = (every[name].to_numpy().astype(np.float64) for name in columns[3:])
    return Stretches(whole[0], whole[1], whole[2], sign, zero, begin, end, _days(every["known_at"]))


def _columns(rows: pl.DataFrame, names: list[str]) -> list[IntArray]:
    return [rows[name].to_numpy().astype(np.int64) for name in names]


def _failures(began: pl.DataFrame) -> Failures:
    """Failures with the state and age of their unit."""
    before = pl.col("over_km_before")
    told = began.with_columns(
        state=pl.when(pl.col("fault_no") == 0)
        .then(DELIVERED)
        .otherwise(
            (pl.col("fault_no") > 1).cast(pl.Int64)
            + pl.when(pl.col("looked_km_before") < pl.col("seen_km"))
            .then(HOLDS)
            .otherwise(NEWLY_DONE)
        ),
        age_km=(
            pl.col("seen_km")
            - pl.when(pl.col("fault_no") == 0).then(0.0).otherwise(before.fill_null(np.nan))
        )
        .fill_nan(0.0)
        .clip(0.0),
    )
    whole = _columns(told, ["vehicle", "component_no", "state"])
    return Failures(
        whole[0],
        whole[1],
        whole[2],
        told["age_km"].to_numpy(),
        _days(told["seen_at"]),
        _days(told["over_at"]),
        _days(told["known_at"]),
    )
