"""Distinct combinations of columns as numbers: what estimators group by."""

import numpy as np
import polars as pl

from afterclear.estimators.arrays.validation import IntArray


def numbered(rows: pl.DataFrame, columns: list[str]) -> IntArray:
    """Assign a number from 0 to each distinct combination of some columns, in their order."""
    ranks = rows.select(pl.struct(columns).rank("dense").alias("rank"))["rank"]
    return ranks.to_numpy().astype(np.int64) - 1
