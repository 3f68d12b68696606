"""Rows of the store by vehicle, read in step with a list of vehicles. Pure.

As frames, a fleet's rows take little memory; as Python rows they would take twenty times that. So
each vehicle's rows become Python when they are needed, and are dropped with the vehicle.
"""

from itertools import groupby
from operator import itemgetter
from typing import Any

import polars as pl

Row = dict[str, Any]


class ByVehicle:
    """A frame in the order of ``vehicle_id``, read vehicle by vehicle in that order."""

    def __init__(self, frame: pl.DataFrame) -> None:
        by_vehicle = itemgetter("vehicle_id")
        self._groups = groupby(frame.iter_rows(named=True), by_vehicle)
        self._next = next(self._groups, None)

    def of(self, vehicle_id: str) -> list[Row]:
        """Return the rows of a vehicle; empty if it has none, or a later one was asked for."""
        while self._next is not None and self._next[0] < vehicle_id:
            self._next = next(self._groups, None)
        if self._next is None or self._next[0] != vehicle_id:
            return []
        rows = list(self._next[1])
        self._next = next(self._groups, None)
        return rows
