"""The share of fixes that hold, by quarter of the work.

Recent work has less exposure, so plain shares always look better at the end. Instead, the fleet's
share of failed attempts is multiplied by come-backs observed over come-backs expected of the
quarter's work, given its exposure.
"""

import numpy as np
import polars as pl

from afterclear.estimators.rates.rates import exact_poisson_interval
from afterclear.findings.common.tables import keep
from afterclear.findings.sites.site_ratios import Outcomes
from afterclear.store.engine.database import Connection


def find_quarters(con: Connection, outcomes: Outcomes | None) -> None:
    """Replace ``held_by_quarter``: for all sites together (no site), then for each."""
    if outcomes is None:
        keep(con, "held_by_quarter", None)
        return
    rows = outcomes.rows.select("site", "quarter", "counted_as").with_columns(
        pl.Series("came", outcomes.returned),
        pl.Series("chance", outcomes.expected),
    )
    is_judged = outcomes.expected > 0
    if not is_judged.any():
        keep(con, "held_by_quarter", None)
        return
    failed = float(outcomes.p_failed[is_judged].mean())
    # expected and observed are equal in sum over the fleet: quarters are compared with that
    scale = float(outcomes.returned.sum() / outcomes.expected.sum())
    together = rows.with_columns(pl.lit(None, rows.schema["site"]).alias("site"))
    named = rows.drop_nulls("site")
    table = pl.concat([_counted(together), _counted(named)])
    keep(con, "held_by_quarter", _with_shares(table, scale, failed))


def _counted(rows: pl.DataFrame) -> pl.DataFrame:
    return (
        rows.group_by("site", "quarter")
        .agg(
            pl.len().cast(pl.Int32).alias("n_attempts"),
            (pl.col("chance") > 0).sum().cast(pl.Int32).alias("n_judged"),
            pl.col("came").sum().cast(pl.Int32).alias("observed"),
            pl.col("chance").sum().alias("expected"),
            *(
                (pl.col("counted_as") == word).sum().cast(pl.Int32).alias(f"n_{word}")
                for word in ("worn_or_new", "still_there", "held", "on_watch")
            ),
        )
        .sort("site", "quarter")
        .with_columns(
            pl.format("{}-Q{}", pl.col("quarter") // 4, pl.col("quarter") % 4 + 1).alias("quarter")
        )
    )


def _with_shares(table: pl.DataFrame, scale: float, failed: float) -> pl.DataFrame:
    """Add ratios with exact limits, and the shares held that follow from them."""
    expected = table["expected"].to_numpy() * scale
    observed = table["observed"].to_numpy().astype(np.float64)
    low, high = exact_poisson_interval(observed)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio, ratio_low, ratio_high = (
            np.where(expected > 0, value / expected, np.nan) for value in (observed, low, high)
        )
    shares = {
        "share_held": ratio,
        "share_low": ratio_high,
        "share_high": ratio_low,
    }
    columns = {"ratio": ratio, "ratio_low": ratio_low, "ratio_high": ratio_high}
    columns |= {name: np.clip(1 - failed * value, 0.0, 1.0) for name, value in shares.items()}
    return table.with_columns(
        pl.Series("expected", expected),
        *(pl.Series(name, values).fill_nan(None) for name, values in columns.items()),
    )
