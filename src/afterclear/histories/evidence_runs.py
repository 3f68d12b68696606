"""Evidence by runs: scans that follow one another and prove the same of an attempt are one row.

A run keeps where its first stretch begins.  Each further one begins at the scan before it, or else
it begins a run of its own; so the view ``evidence`` gives back every scan.
"""

from typing import Final

import polars as pl

from afterclear.store.engine.database import Connection, create_temp_table, query

_ALIKE: Final = ("fix_no", "finding", "reason", "monitor", "needed_km", "clear_km")


def put_evidence_runs(con: Connection) -> None:
    """Put the bucket's ``evidence`` into ``evidence_runs``."""
    steps = query(
        con,
        """SELECT fix_no, scan_no, finding, reason, monitor, needed_km, clear_km, km,
               stretch_from_km
           FROM evidence ORDER BY fix_no, scan_no""",
    )
    create_temp_table(con, "evidence_runs", evidence_runs(steps))


def evidence_runs(steps: pl.DataFrame) -> pl.DataFrame:
    """Join steps, ordered by attempt and scan, into runs: the first of each, and ``n_scans``."""
    is_alike = [pl.col(name).eq_missing(pl.col(name).shift(1)) for name in _ALIKE]
    follows = pl.col("scan_no") == pl.col("scan_no").shift(1) + 1
    goes_on = pl.col("stretch_from_km").eq_missing(pl.col("km").shift(1))
    is_same_run = pl.all_horizontal(*is_alike, follows, goes_on | (pl.col("finding") != "clean"))
    numbered = steps.with_columns(is_same_run.fill_null(value=False).not_().cum_sum().alias("run"))
    kept = ("scan_no", *_ALIKE, "stretch_from_km")
    return (
        numbered.group_by("run", maintain_order=True)
        .agg(pl.col(kept).first(), pl.len().cast(pl.Int32).alias("n_scans"))
        .drop("run")
        .rename({"scan_no": "first_scan_no"})
    )
