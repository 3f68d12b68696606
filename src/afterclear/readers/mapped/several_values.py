"""Cells that hold several values: a row for each, in step where several columns do."""

import re

import polars as pl

from afterclear.readers.mapped.cell_origins import Origins, row_as_json
from afterclear.readers.maps.checked_map import MapTable
from afterclear.readers.maps.source_table import LINE
from afterclear.records import Rejection

_BREAK = "\x1f"  # unit separator: in no text a person writes


def row_for_each(
    frame: pl.DataFrame, spec: MapTable, origins: Origins
) -> tuple[pl.DataFrame, list[Rejection]]:
    """Make a row for each value of cells that hold several, in step where several columns do."""
    parted = {
        origin[0]: column.each
        for name, column in spec.columns.items()
        if column.each and (origin := origins[name])
    }
    ranges = {
        origin[0]: column.up_to
        for name, column in spec.columns.items()
        if column.up_to and (origin := origins[name])
    }
    frame = frame.with_columns(
        _told_in_full(frame[name], pattern) for name, pattern in ranges.items()
    )
    parted = {**dict.fromkeys(ranges, _BREAK), **parted}
    if not parted:
        return frame, []
    lists = frame.with_columns(_values(name, pattern) for name, pattern in parted.items())
    lengths = [pl.col(name).list.len() for name in parted]
    even = pl.all_horizontal(length == lengths[0] for length in lengths)
    keep = lists.select(even.alias("even")).to_series()
    uneven = [
        Rejection(
            spec.into,
            row[LINE],
            next(iter(parted)),
            str(row[next(iter(parted))]),
            f"as many values in each of: {', '.join(parted)}",
            row_as_json(row),
            is_source=True,
        )
        for row in frame.filter(~keep).iter_rows(named=True)
    ]
    return lists.filter(keep).explode(list(parted)), uneven


def _told_in_full(cells: pl.Series, up_to: str) -> pl.Series:
    """Write all codes from the first to the last, where only their last figure differs."""
    shape = re.compile(rf"\s*([PCBU][0-3][0-9A-F]{{2}})(\d)(?:{up_to})\1(\d)\s*", re.IGNORECASE)
    found = {text: shape.fullmatch(text) for text in cells.drop_nulls().unique()}
    full = {
        text: _BREAK.join(f"{m[1]}{n}" for n in range(int(m[2]), int(m[3]) + 1))
        for text, m in found.items()
        if m and int(m[2]) < int(m[3])
    }
    return cells.replace(full) if full else cells


def _values(name: str, pattern: str) -> pl.Expr:
    parts = (
        pl.col(name).fill_null("").str.replace_all(pattern, _BREAK).str.strip_chars(f"{_BREAK} \t")
    )
    values = parts.str.split(_BREAK).list.eval(pl.element().str.strip_chars())
    several = values.list.filter(pl.element() != "")
    # a cell without any value keeps its row
    return (
        pl.when(several.list.len() > 0)
        .then(several)
        .otherwise(pl.lit([None], dtype=pl.List(pl.String)))
        .alias(name)
    )
