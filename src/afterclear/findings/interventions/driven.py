"""How far each vehicle was driven between some instants, from its odometer readings."""

from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise

import numpy as np
import polars as pl

from afterclear.estimators.arrays.ragged import last_up_to, offsets_of
from afterclear.estimators.arrays.validation import BoolArray, IntArray
from afterclear.store.engine.database import Connection, query

_READINGS = """
    SELECT vehicle_id, happened_at, max(km) AS km FROM store.moment_km
    WHERE km IS NOT NULL GROUP BY ALL ORDER BY vehicle_id, happened_at"""


def driven_km(con: Connection, instants: Sequence[datetime]) -> pl.DataFrame:
    """Give the km of each vehicle in each stretch: vehicle_id, stretch (from 0), km.

    ``instants``: rising.  Between two readings a vehicle goes on evenly; before its first and after
    its last nothing is known, and nothing counts.
    """
    readings = query(con, _READINGS)
    vehicles = readings["vehicle_id"].unique(maintain_order=True)
    of_row = readings["vehicle_id"].rle_id().to_numpy().astype(np.int64)
    readings = readings.drop("vehicle_id")
    moments = pl.Series(instants, dtype=readings["happened_at"].dtype).to_numpy()
    last = last_up_to(moments, readings["happened_at"].to_numpy(), of_row, len(vehicles))
    offsets = offsets_of(of_row, len(vehicles))
    at = [
        _km_at(readings, instant, own, offsets)
        for instant, own in zip(instants, last.T, strict=True)
    ]
    stretches = [
        pl.DataFrame({"vehicle_id": vehicles, "km": (ended - begun).clip(0.0)}).select(
            "vehicle_id", pl.lit(number, pl.Int64).alias("stretch"), "km"
        )
        for number, (begun, ended) in enumerate(pairwise(at))
    ]
    return pl.concat(stretches)


def _km_at(
    readings: pl.DataFrame, instant: datetime, last: IntArray, offsets: IntArray
) -> pl.Series:
    """Give the km of each vehicle at an instant, from its ``last`` row up to then (-1: none)."""
    following = np.where(last < 0, offsets[:-1], last + 1)
    before = _rows(readings, last, last >= 0)
    after = _rows(readings, following, following < offsets[1:])
    both = pl.concat([before, after.select(pl.all().name.suffix("_next"))], how="horizontal")
    gap = (pl.col("happened_at_next") - pl.col("happened_at")).dt.total_seconds()
    since = (pl.lit(instant) - pl.col("happened_at")).dt.total_seconds()
    share = pl.when(gap > 0).then(since / gap).otherwise(0.0)
    between = pl.col("km") + (pl.col("km_next") - pl.col("km")) * share
    return both.select(pl.coalesce(between, "km", "km_next").alias("km"))["km"]


def _rows(readings: pl.DataFrame, places: IntArray, are_there: BoolArray) -> pl.DataFrame:
    """Give a row for each place; empty where there is none."""
    wanted = pl.Series(np.where(are_there, places, 0)).set(pl.Series(~are_there), None)
    return readings.select(pl.all().gather(wanted))
