"""Rows of the store by vehicle, read along with a list of vehicles.  Pure.

Frames hold a fleet's rows in little memory; as rows of Python they would take twenty times that.
So they become Python a vehicle at a time, and are forgotten with it.
"""

from itertools import groupby
from operator import itemgetter
from typing import Any

import polars as pl

Row = dict[str, Any]


class ByVehicle:
    """A frame in the order of ``vehicle_id``, given out to vehicles asked for in that order."""

    def __init__(self, frame: pl.DataFrame) -> None:
        by_vehicle = itemgetter("vehicle_id")
        self._groups = groupby(frame.iter_rows(named=True), by_vehicle)
        self._next = next(self._groups, None)

    def of(self, vehicle_id: str) -> list[Row]:
        """Give the rows of a vehicle; none if it has none, or one after it was asked for."""
        while self._next is not None and self._next[0] < vehicle_id:
            self._next = next(self._groups, None)
        if self._next is None or self._next[0] != vehicle_id:
            return []
        rows = list(self._next[1])
        self._next = next(self._groups, None)
        return rows
