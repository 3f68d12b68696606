"""Readings and clears of each control unit in one order, by arrays instead of windows.

Rows are in any order; a unit and a place in its order (``seq``: ``sql/50_order.sql``) tell where
each belongs. Two readings of a unit never share their place.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from afterclear.store.engine.database import Connection, create_temp_table, query

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]

# km are added up as whole numbers: a sum must not depend on what else is in the bucket
_PARTS_OF_KM = 1e9
# what a reading has of the last clear before it
_OF_CLEAR: Final = ("clear_no", "emptied_no", "cleared_at", "clear_km", "clear_km_low")


@dataclass(frozen=True, slots=True)
class Readings:
    """What was read of units, and where, each shape (n_readings,)."""

    unit: IntArray
    seq: IntArray
    is_stored: NDArray[np.bool_]  # of stored memory, and answered
    km: FloatArray  # nan: not known


@dataclass(frozen=True, slots=True)
class Clears:
    """Clears by unit and place, each shape (n_clears,)."""

    unit: IntArray
    seq: IntArray
    km: FloatArray


@dataclass(frozen=True, slots=True)
class ReadingOrder:
    """For each reading, in the order given."""

    clear_row: IntArray  # the last clear of its unit before it; -1: none
    reading_no: IntArray  # readings of stored memory up to it
    watched_km: (
        FloatArray  # km its unit was watched up to it; nan: not known, or not of stored memory
    )


def put_reading_order(con: Connection) -> None:
    """Order the rows of ``unit_readings`` into ``reading_order``, row by row beside them."""
    read = query(
        con,
        """SELECT unit_no, seq, coalesce(answered AND is_stored_memory, false) AS is_stored, km
           FROM unit_readings""",
    )
    cleared = query(con, "FROM unit_clears ORDER BY unit_no, seq")
    found = reading_order(
        Readings(*(read[name].to_numpy() for name in ("unit_no", "seq", "is_stored", "km"))),
        Clears(*(cleared[name].to_numpy() for name in ("unit_no", "seq", "clear_km"))),
    )
    before = pl.Series(found.clear_row).replace(-1, None)
    clear_before = cleared.select(pl.col(_OF_CLEAR).gather(before))
    counted = pl.DataFrame({"reading_no": found.reading_no, "watched_km": found.watched_km})
    none = pl.col("clear_no", "emptied_no").fill_null(0)
    table = pl.concat([clear_before, counted], how="horizontal").with_columns(
        none, pl.col("watched_km").fill_nan(None)
    )
    create_temp_table(con, "reading_order", table)


def reading_order(readings: Readings, clears: Clears) -> ReadingOrder:
    """Put readings in the order of their units; ``clears`` are in it."""
    n = len(readings.unit)
    width = np.int64(1 + max(readings.seq.max(initial=0), clears.seq.max(initial=0)))
    clear_keys = clears.unit * width + clears.seq
    order = np.argsort(readings.unit * width + readings.seq)
    unit, stored = readings.unit[order], readings.is_stored[order]
    clear_row = np.searchsorted(clear_keys, unit * width + readings.seq[order]) - 1
    # the row before a unit's first clear is another unit's; -1 reads the one added at the end
    clear_row[np.append(clears.unit, 0)[clear_row] != unit] = -1
    reading_no = _within(unit, stored.astype(np.int64))
    clear_km = np.append(clears.km, np.nan)[clear_row]
    watched = np.full(n, np.nan)
    watched[stored] = _watched_km(
        unit[stored], readings.km[order][stored], clear_row[stored], clear_km[stored]
    )
    back = np.empty(n, dtype=np.intp)
    back[order] = np.arange(n)
    return ReadingOrder(clear_row[back], reading_no[back], watched[back])


def _watched_km(
    unit: IntArray, km: FloatArray, clear_row: IntArray, clear_km: FloatArray
) -> FloatArray:
    """Add up what each reading covers: back to the one before or, where between, to a clear."""
    is_first = np.ones(len(unit), dtype=np.bool_)
    is_first[1:] = unit[1:] != unit[:-1]
    km_before = np.where(is_first, np.nan, np.roll(km, 1))
    is_clear_between = ~is_first & (clear_row > np.roll(clear_row, 1))
    begun_km = np.fmax(km_before, np.where(is_clear_between, clear_km, np.nan))
    covered = np.nan_to_num(np.maximum(km - begun_km, 0.0))
    covered[np.isnan(km_before)] = 0.0
    total = _within(unit, np.rint(covered * _PARTS_OF_KM).astype(np.int64)) / _PARTS_OF_KM
    return np.where(is_first | ~np.isnan(km_before), total, np.nan)


def _within(unit: IntArray, counts: IntArray) -> IntArray:
    """Add up over each unit's run of rows."""
    total = np.cumsum(counts)
    begins = np.flatnonzero(np.diff(unit, prepend=unit[:1] - 1))
    before = (total - counts)[begins]
    return total - np.repeat(before, np.diff(begins, append=len(unit)))
