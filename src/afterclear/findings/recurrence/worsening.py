"""Vehicles whose faults come at ever shorter distances, and how faults add up on a platform.

An event is a visit at which something new was found. With eight or more such visits, a score test
on the stretches between scans shows whether they become more frequent; below that the vehicle has
too few (own judgement).

Only new faults count; returns after work are covered by the verdicts.
"""

from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from afterclear.estimators.recurrence.exposure import ObservedUnits, observed_units
from afterclear.estimators.recurrence.mean_cumulative import mean_cumulative_function
from afterclear.estimators.recurrence.power_law import fit_power_law, shape_limits
from afterclear.estimators.recurrence.trend import trend_verdicts
from afterclear.estimators.recurrence.trend_between_scans import Stretches, stretches
from afterclear.findings.common.tables import forget, keep
from afterclear.findings.common.vehicle_traits import MODEL_NOT_KNOWN
from afterclear.findings.parts.part_units import MOST_AT_ONCE
from afterclear.store.engine.database import Connection, query

_SQL = files("afterclear.findings") / "sql" / "worsening.sql"


@dataclass(frozen=True, slots=True)
class _Fleet:
    """Vehicles, their new faults, and both in the form the estimators need."""

    vehicles: pl.DataFrame
    events: pl.DataFrame
    data: ObservedUnits  # one group for each vehicle, km since its observation began
    stretches: Stretches  # between its readings, by the same groups


def find_worsening(con: Connection) -> int:
    """Replace ``worsening`` and the tables it rests on; return how many vehicles worsen.

    Needs ``vehicle_traits``, ``order_parts``, the settings of the histories, and verdicts.
    """
    con.execute("SET VARIABLE most_at_once = ?", [MOST_AT_ONCE])
    con.script(_SQL.read_text(encoding="utf-8"))
    fleet = _fleet(con)
    rows = _verdicts(fleet) if len(fleet.vehicles) else None
    keep(con, "worsening", rows)
    keep(con, "worsening_events", fleet.events)
    keep(con, "fault_curves", _curves(fleet) if len(fleet.vehicles) else None)
    forget(con, ("failed_parts", "fault_events", "fault_windows", "fault_stretches"))
    return 0 if rows is None else int((rows["trend"] == "worsening").sum())


def _fleet(con: Connection) -> _Fleet:
    vehicles = query(con, "FROM fault_windows ORDER BY vehicle_id").with_row_index("unit")
    events = (
        query(con, "FROM fault_events ORDER BY vehicle_id, km, visit_no")
        .join(vehicles, on="vehicle_id", maintain_order="left")
        .filter((pl.col("km") > pl.col("entry_km")) & (pl.col("km") <= pl.col("exit_km")))
        .with_columns(
            pl.int_range(1, pl.len() + 1, dtype=pl.Int32).over("vehicle_id").alias("event_no"),
            pl.col("km").alias("event_km"),
            (pl.col("km") - pl.col("entry_km")).alias("since_km"),
        )
    )
    since, unit = events["since_km"].to_numpy(), events["unit"].to_numpy().astype(np.int64)
    exit_km = (vehicles["exit_km"] - vehicles["entry_km"]).to_numpy()
    last = np.zeros(len(vehicles))
    np.maximum.at(last, unit, since)
    # the last scan was made because of a fault, not some time after it
    data = observed_units(
        since, unit, exit_km, group=np.arange(len(vehicles)), closed=last == exit_km
    )
    return _Fleet(vehicles, events, data, _stretches(con, vehicles))


def _stretches(con: Connection, vehicles: pl.DataFrame) -> Stretches:
    rows = query(con, "FROM fault_stretches ORDER BY vehicle_id, low").join(
        vehicles.select("vehicle_id", "unit", "entry_km"), on="vehicle_id"
    )
    return stretches(
        rows["low"] - rows["entry_km"],
        rows["high"] - rows["entry_km"],
        rows["found"],
        rows["unit"].to_numpy().astype(np.int64),
        exact=rows["exact"],
        n_groups=len(vehicles),
    )


def _verdicts(fleet: _Fleet) -> pl.DataFrame:
    found = trend_verdicts(fleet.data, fleet.stretches)
    own = fit_power_law(fleet.data)
    low, high = shape_limits(fleet.data, own)
    columns: dict[str, NDArray[Any]] = {
        "n_events": found.n_events.astype(np.int32),
        "exposure_km": fleet.data.exit,
        "trend": found.trend,
        "p_value": found.p_value,
        "q_value": found.q_value,
        "shape": found.shape,
        "shape_own": own.shape,
        "shape_low": low,
        "shape_high": high,
        "p_worsening": found.p_worsening,
    }
    blank = [name for name, values in columns.items() if values.dtype == np.float64]
    judged = fleet.vehicles.with_columns(
        pl.Series(name, values) for name, values in columns.items()
    )
    return judged.with_columns(pl.col(blank).fill_nan(None))


def _curves(fleet: _Fleet) -> pl.DataFrame:
    """Mean number of new faults per vehicle by mileage, for each platform that has any.

    A visit counts once for each part that failed, if orders show these.
    """
    counts = fleet.events["n_parts"].to_numpy()
    platform = fleet.vehicles["platform"]
    names = platform.unique().sort()
    number = platform.replace_strict(names, np.arange(len(names)), return_dtype=pl.Int64)
    curves = mean_cumulative_function(
        observed_units(
            np.repeat(fleet.events["event_km"].to_numpy(), counts),
            np.repeat(fleet.data.event_unit, counts),
            fleet.vehicles["exit_km"].to_numpy(),
            entry=fleet.vehicles["entry_km"].to_numpy(),
            group=number.to_numpy(),
            n_groups=len(names),
        )
    )
    of_point = names.gather(np.repeat(np.arange(len(names)), np.diff(curves.offsets)))
    return pl.DataFrame(
        {
            "platform": of_point.replace(MODEL_NOT_KNOWN, None),
            "km": curves.km,
            "n_at_risk": curves.n_at_risk.astype(np.int32),
            "mean": curves.mean,
            "mean_low": curves.low,
            "mean_high": curves.high,
        }
    )
