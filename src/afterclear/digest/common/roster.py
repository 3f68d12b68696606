"""All vehicles of a fleet: their names and states, when a page needs one.  Pure."""

from collections.abc import Iterable, Iterator
from datetime import datetime

import polars as pl

from afterclear.digest.common.assess import Setting, vehicle_ref
from afterclear.digest.common.model import VehicleLine, VehicleRef
from afterclear.digest.input.frames import FleetFrames
from afterclear.digest.input.mileage import Point, Usual, usual_between
from afterclear.digest.input.row_frames import read_rows
from afterclear.digest.input.row_types import Standing, Vehicle
from afterclear.wording.cells import Dash
from afterclear.wording.code_words import code_text


class Roster:
    """The fleet in order of vehicle_id."""

    def __init__(self, frames: FleetFrames, setting: Setting) -> None:
        self._frame = frames.fleet.sort("vehicle_id")
        self._setting = setting
        self.vehicle_ids: tuple[str, ...] = tuple(self._frame["vehicle_id"])
        self._place = {vehicle_id: i for i, vehicle_id in enumerate(self.vehicle_ids)}
        self._vehicles = read_rows(self._frame, Vehicle)
        self._standings = read_rows(self._frame, Standing)
        n_present = frames.open_faults["vehicle_id"].value_counts()
        self._n_present: dict[str, int] = dict(n_present.iter_rows())
        self._codes: dict[str, list[str]] = dict(
            frames.open_faults.group_by("vehicle_id", maintain_order=True)
            .agg(pl.col("code").unique(maintain_order=True))
            .iter_rows()
        )
        self._families: dict[str, list[str]] = dict(
            frames.open_faults.drop_nulls("family")
            .group_by("vehicle_id", maintain_order=True)
            .agg(pl.col("family").unique(maintain_order=True))
            .iter_rows()
        )
        self._safety = _with_safety_faults(frames.open_faults, setting)

    def __len__(self) -> int:
        return len(self.vehicle_ids)

    def __contains__(self, vehicle_id: object) -> bool:
        return vehicle_id in self._place

    def ref(self, vehicle_id: str) -> VehicleRef:
        """Name a vehicle; one without a row by its number alone."""
        return vehicle_ref(self._vehicle(vehicle_id))

    def last_scan_at(self, vehicle_id: str) -> datetime | None:
        """Return when a control unit of the vehicle was last read."""
        standing = self._standing(vehicle_id)
        return standing.last_scan_at if standing else None

    def usual(self, vehicle_id: str) -> Usual | Dash:
        """Return the vehicle's usual mileage, as its page computes it from every reading."""
        cells = self._setting.cells
        row = self._standing(vehicle_id)
        if row is None or row.line_first_at is None or row.line_last_at is None:
            return Dash(cells.t("no odometer reading"))
        first = Point(row.line_first_at, row.line_first_km or 0.0)
        last = Point(row.line_last_at, row.line_last_km or 0.0)
        least = self._setting.settings.usual_min_days
        return usual_between(first, last, row.line_n or 0, least, cells)

    def lines(self, vehicle_ids: Iterable[str]) -> Iterator[VehicleLine]:
        """Return the lines of these vehicles in a list."""
        for vehicle_id in vehicle_ids:
            row = self._standing(vehicle_id)
            if row is not None:
                yield VehicleLine(
                    vehicle=self.ref(vehicle_id),
                    n_present=self._n_present.get(vehicle_id, 0),
                    safety=vehicle_id in self._safety,
                    n_held=row.n_held,
                    n_on_watch=row.n_on_watch,
                    n_unchecked=row.n_unchecked,
                    n_came_back=row.n_came_back,
                    last_scan_at=row.last_scan_at,
                    codes=tuple(self._codes.get(vehicle_id, ())),
                    components=tuple(map(self._component, self._families.get(vehicle_id, ()))),
                )

    def _component(self, family: str) -> str:
        """Name a component and its place, in the reader's language."""
        words = family.replace("_", " ").replace(":", ", ")
        return code_text(words, self._setting.cells.words)

    def quiet_since(self, before: datetime) -> list[tuple[str, datetime]]:
        """List vehicles not sold and last scanned before an instant, the longest ago first."""
        if not self._was_scanned():
            return []
        found = self._not_sold().filter(pl.col("last_scan_at") < before)
        found = found.sort("last_scan_at", maintain_order=True)
        return list(found.select("vehicle_id", "last_scan_at").iter_rows())

    def never_scanned(self) -> list[str]:
        """List vehicles not sold of which no control unit was ever read."""
        never = pl.col("last_scan_at").is_null()
        return self._not_sold().filter(never)["vehicle_id"].to_list()

    def _was_scanned(self) -> bool:
        return self._frame["last_scan_at"].null_count() < len(self)

    def sold(self) -> list[str]:
        """List the vehicles that are sold: their fixes are no longer on watch."""
        if "stock_status" not in self._frame.columns:
            return []
        found = self._frame.filter(stock_status="sold")["vehicle_id"]
        return [str(vehicle) for vehicle in found]

    def _not_sold(self) -> pl.DataFrame:
        if "stock_status" not in self._frame.columns:
            return self._frame
        return self._frame.filter(pl.col("stock_status").ne_missing(pl.lit("sold")))

    def _vehicle(self, vehicle_id: str) -> Vehicle:
        at = self._place.get(vehicle_id)
        return Vehicle(vehicle_id) if at is None else self._vehicles[at]

    def _standing(self, vehicle_id: str) -> Standing | None:
        at = self._place.get(vehicle_id)
        return None if at is None else self._standings[at]


def _with_safety_faults(open_faults: pl.DataFrame, setting: Setting) -> frozenset[str]:
    faults = open_faults.select("vehicle_id", "code").unique()
    return frozenset(
        vehicle_id for vehicle_id, code in faults.iter_rows() if setting.cautions.get(code)
    )
