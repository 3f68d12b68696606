"""The bare history: runs of consecutive readings of a unit that show one code, three ways.

A gaps-and-islands query knows nothing of clears, evidence, repairs or distance; it is what a
rebuild of histories is measured against.  The three give the same rows.
"""

from typing import Final

import duckdb
import pandas as pd  # type: ignore[import-untyped]
import polars as pl

from afterclear.store.engine.database import frame_of

COLUMNS: Final = ["vehicle_id", "ecu", "code", "first_at", "last_at", "n"]

ISLANDS: Final = """
    SELECT vehicle_id, ecu, code, min(scanned_at) AS first_at, max(scanned_at) AS last_at,
        count(*) AS n
    FROM (
        SELECT vehicle_id, ecu, code, scanned_at,
            row_number() OVER (PARTITION BY vehicle_id, ecu ORDER BY scanned_at)
            - row_number() OVER (PARTITION BY vehicle_id, ecu, code ORDER BY scanned_at) AS island
        FROM scans
    ) WHERE code IS NOT NULL GROUP BY vehicle_id, ecu, code, island
"""
_ROWS: Final = "SELECT vehicle_id, ecu, code, scanned_at FROM scans"


def in_the_database(con: duckdb.DuckDBPyConnection) -> int:
    """Run one window query over all rows into a table; give the number of islands."""
    con.execute(f"CREATE OR REPLACE TEMP TABLE islands AS {ISLANDS}")
    return int(con.execute("SELECT count(*) FROM islands").fetchall()[0][0])


def in_polars(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Do the same in Polars, the rows' reading included."""
    rows = frame_of(con.sql(_ROWS)).sort("vehicle_id", "ecu", "scanned_at")
    return (
        rows.with_columns(pl.struct("vehicle_id", "ecu", "code").rle_id().alias("island"))
        .filter(pl.col("code").is_not_null())
        .group_by("island")
        .agg(
            pl.col("vehicle_id", "ecu", "code").first(),
            pl.col("scanned_at").min().alias("first_at"),
            pl.col("scanned_at").max().alias("last_at"),
            pl.len().cast(pl.Int64).alias("n"),
        )
        .select(COLUMNS)
    )


def in_pandas(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Do the same in pandas, the rows' reading included."""
    rows = con.execute(_ROWS).df().sort_values(["vehicle_id", "ecu", "scanned_at"])
    told = rows[["vehicle_id", "ecu"]].assign(code=rows["code"].fillna(""))
    island = (told != told.shift()).any(axis=1).cumsum()
    shown = rows["code"].notna()
    grouped = rows[shown].groupby(island[shown], sort=False)
    found = grouped.agg(
        vehicle_id=("vehicle_id", "first"),
        ecu=("ecu", "first"),
        code=("code", "first"),
        first_at=("scanned_at", "min"),
        last_at=("scanned_at", "max"),
        n=("code", "size"),
    )
    return found[COLUMNS]
