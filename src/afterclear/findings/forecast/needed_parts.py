"""Parts that failures to come will take: pieces fitted per failure so far, times those to come."""

from typing import Final

import numpy as np
import polars as pl

from afterclear.estimators.forecast.ahead import Ahead
from afterclear.estimators.forecast.spread import quantile
from afterclear.findings.forecast.seen_past import Seen
from afterclear.store.engine.database import Connection, query

_ENOUGH_ORDERS: Final = 3  # that fitted one (own judgement)
_MOSTLY: Final = 0.6  # of the parts fitted have one number (own judgement)
_IN_STOCK: Final = 0.95  # of needs are met
_PIECES: Final = """
    SELECT component, part_family, min(label) AS label, count(*)::INTEGER AS n_orders,
        sum(pieces) AS pieces, sum(pieces * pieces) AS squares
    FROM coming_fitted GROUP BY component, part_family ORDER BY part_family, component"""


def needed_parts(con: Connection, seen: Seen, ahead: Ahead) -> pl.DataFrame:
    """Expect pieces of each kind of part, and how many are enough.

    Each failure takes so many pieces as one did so far, independently: a compound number.
    """
    failed = seen.faults["component"].value_counts(name="n_failed")
    coming = pl.DataFrame(
        {
            "component": pl.Series(seen.components, dtype=pl.String),
            "failures": ahead.expected,
            "variance": ahead.variance,
        }
    )
    each = (
        query(con, _PIECES)
        .join(failed, on="component", maintain_order="left")
        .join(coming, on="component", maintain_order="left")
        .with_columns(a_piece=pl.col("pieces") / pl.col("n_failed"))
        .with_columns(
            expected=pl.col("failures") * pl.col("a_piece"),
            spread=pl.col("failures") * pl.col("squares") / pl.col("n_failed")
            + (pl.col("variance") - pl.col("failures")).clip(0.0) * pl.col("a_piece") ** 2,
        )
    )
    parts = (
        each.group_by("part_family", maintain_order=True)
        .agg(pl.col("label").min(), pl.col("n_orders", "expected", "spread").sum())
        .filter(pl.col("n_orders") >= _ENOUGH_ORDERS)
        .sort("part_family")
    )
    enough = quantile(parts["expected"].to_numpy(), parts["spread"].to_numpy(), _IN_STOCK)
    numbers = query(con, "FROM coming_numbers").filter(pl.col("share") >= _MOSTLY)
    return (
        parts.with_columns(
            pl.Series("keep", enough.astype(np.int32)),
            pl.lit(round(ahead.days), pl.Int32).alias("days"),
            pl.col("n_orders").cast(pl.Int32),
        )
        .join(
            numbers.select("part_family", "part_number", "part_brand"),
            on="part_family",
            how="left",
            maintain_order="left",
        )
        .drop("spread")
    )
