"""Cells of kinds that a form of file does not have, written as text."""

from collections.abc import Callable

import polars as pl


def as_text(frame: pl.DataFrame, odd: Callable[[pl.DataType], bool]) -> pl.DataFrame:
    """Write each column of an odd kind as text; empty cells stay empty."""
    return frame.select(
        _written(column) if odd(column.dtype) else column for column in frame.iter_columns()
    )


def _written(column: pl.Series) -> pl.Series:
    cells = [None if cell is None else str(cell) for cell in column.to_list()]
    return pl.Series(column.name, cells, dtype=pl.String)
