"""Frames into the classes of their rows, all or one vehicle at a time."""

from collections.abc import Callable
from dataclasses import fields
from typing import Generic, TypeVar

import polars as pl

Row = TypeVar("Row")


def read_rows(frame: pl.DataFrame, kind: Callable[..., Row]) -> list[Row]:
    """Turn a frame's rows into their class, in the frame's order."""
    return [kind(*row) for row in _in_order(frame, kind).iter_rows()]


def _in_order(frame: pl.DataFrame, kind: Callable[..., Row]) -> pl.DataFrame:
    """Bring a frame's columns into the order of the class's fields."""
    names = [f.name for f in fields(kind)]  # type: ignore[arg-type]  # every kind is a dataclass
    known = set(frame.columns)
    return frame.select(name if name in known else pl.lit(None).alias(name) for name in names)


class RowsByVehicle(Generic[Row]):
    """Rows of one frame, returned one vehicle at a time, so that few are in memory at once."""

    def __init__(self, frame: pl.DataFrame, kind: Callable[..., Row]) -> None:
        ordered = frame.sort("vehicle_id", maintain_order=True)
        runs = ordered.select(pl.col("vehicle_id").rle()).unnest("vehicle_id")
        self._kind = kind
        self._frame = _in_order(ordered, kind)
        self._slices: dict[str, tuple[int, int]] = {}
        start = 0
        for length, vehicle_id in runs.select("len", "value").iter_rows():
            self._slices[vehicle_id] = (start, length)
            start += length

    def vehicle_ids(self) -> set[str]:
        """Return the vehicles that have a row."""
        return set(self._slices)

    def read(self, vehicle_id: str) -> list[Row]:
        """Turn one vehicle's rows into their class; an unknown vehicle has none."""
        start, length = self._slices.get(vehicle_id, (0, 0))
        if not length:
            return []
        return [self._kind(*row) for row in self._frame.slice(start, length).rows()]
