"""Rows that are lines of one order: the number of an order without one, and amounts told again."""

from collections.abc import Sequence
from hashlib import sha256

import polars as pl

from afterclear.plain import ONCE
from afterclear.readers.mapped.map_cells import PlainCells, refuse
from afterclear.readers.maps.checked_map import MapTable

_NUMBERED_BY = ("repair_id", "vehicle_id", "_vin", "_plate")
_CODES = "codes"


def order_numbers(made: Sequence[PlainCells], identifier: pl.Series, day: pl.Series) -> pl.Series:
    """Make numbers for orders without one: several lines of one day are several orders.

    Each line's content is part of its number, but lines that differ in their codes only are one.
    """
    contents = _joined(*(m.cells.fill_null("") for m in _with_all_codes(made)))
    digests = [None if t is None else sha256(t.encode()).hexdigest()[:8] for t in contents]
    return _joined(identifier, day, pl.Series(digests, dtype=pl.String))


def _with_all_codes(made: Sequence[PlainCells]) -> list[PlainCells]:
    """Let lines that differ in their codes only have the codes of all of them."""
    codes = next((m for m in made if m.name == _CODES), None)
    rest = [m for m in made if m.name != _CODES]
    if codes is None or not rest:
        return list(made)
    cells = pl.DataFrame([m.cells.alias(m.name) for m in rest] + [codes.cells.alias(_CODES)])
    told = pl.col(_CODES).fill_null("")
    all_codes = told.unique().sort().str.join(" ").over([m.name for m in rest])
    joined = cells.select(
        pl.when(told.n_unique().over([m.name for m in rest]) > 1).then(all_codes).otherwise(told)
    ).to_series()
    return [PlainCells(_CODES, joined, joined) if m is codes else m for m in made]


def _joined(*cells: pl.Series) -> pl.Series:
    return pl.select(pl.concat_str(*cells, separator="@")).to_series()


def told_once(
    rows: pl.DataFrame, spec: MapTable, made: Sequence[PlainCells]
) -> tuple[pl.DataFrame, list[PlainCells]]:
    """Name the amounts that are the whole order's, as the map says, and each of its rows tells.

    The store keeps them in one row of each order: which rows it refuses only it knows. Orders whose
    rows have different amounts are not what the map says: the columns given back mark their rows.
    """
    amounts = [n for n in spec.once_per_order if n in rows.columns]
    order = [n for n in _NUMBERED_BY if n in rows.columns]
    if not amounts or "repair_id" not in order:
        return rows, []
    several = rows.select(
        (pl.col(n).cast(pl.Float64, strict=False).drop_nulls().n_unique().over(order) > 1).alias(n)
        for n in amounts
    )
    raw = {m.name: m.raw for m in made}
    wrong = [PlainCells(n, rows[n], raw[n]) for n in amounts]
    for column in wrong:
        refuse(column, several[column.name], f"one {column.name} for all rows of the order: the "
               "map's once_per_order says it is the whole order's")  # fmt: skip
    return rows.with_columns(pl.lit(" ".join(amounts)).alias(ONCE)), wrong
