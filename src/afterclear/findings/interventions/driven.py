"""How far each vehicle was driven between some instants, from its odometer readings."""

from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise

import polars as pl

from afterclear.store.engine.database import Connection, query

_READINGS = """
    SELECT vehicle_id, happened_at, max(km) AS km FROM store.moment_km
    WHERE km IS NOT NULL GROUP BY ALL ORDER BY happened_at"""


def driven_km(con: Connection, instants: Sequence[datetime]) -> pl.DataFrame:
    """Give the km of each vehicle in each stretch: vehicle_id, stretch (from 0), km.

    Between two readings a vehicle goes on evenly; before its first and after its last nothing is
    known, and nothing counts.
    """
    readings = query(con, _READINGS).with_columns(pl.col("happened_at").set_sorted())
    vehicles = readings.select(pl.col("vehicle_id").unique())
    at = [_km_at(readings, vehicles, instant) for instant in instants]
    stretches = [
        begun.join(ended, on="vehicle_id", suffix="_end").select(
            "vehicle_id",
            pl.lit(number, pl.Int64).alias("stretch"),
            (pl.col("km_end") - pl.col("km")).clip(0.0).alias("km"),
        )
        for number, (begun, ended) in enumerate(pairwise(at))
    ]
    return pl.concat(stretches)


def _km_at(readings: pl.DataFrame, vehicles: pl.DataFrame, instant: datetime) -> pl.DataFrame:
    asked = vehicles.with_columns(at=pl.lit(instant).cast(readings["happened_at"].dtype))
    asked = asked.with_columns(pl.col("at").set_sorted())
    before, after = (
        asked.join_asof(
            readings,
            left_on="at",
            right_on="happened_at",
            by="vehicle_id",
            strategy=side,
            check_sortedness=False,
        ).select("vehicle_id", "happened_at", "km")
        for side in ("backward", "forward")
    )
    both = before.join(after, on="vehicle_id", suffix="_next")
    gap = (pl.col("happened_at_next") - pl.col("happened_at")).dt.total_seconds()
    since = (pl.lit(instant) - pl.col("happened_at")).dt.total_seconds()
    share = pl.when(gap > 0).then(since / gap).otherwise(0.0)
    between = pl.col("km") + (pl.col("km_next") - pl.col("km")) * share
    return both.select("vehicle_id", pl.coalesce(between, "km", "km_next").alias("km"))
