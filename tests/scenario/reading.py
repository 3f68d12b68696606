"""Reads the delivered sample files back, simply and row by row, for the tests of this folder.

It shares no code with the program or with the writers, so that neither is checked by itself.
"""

import csv
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from tests.scenario.make import SAMPLE_DATA

KM_PER_MILE = 1.609344
_ZONE = ZoneInfo("Europe/Berlin")


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a scan file."""

    scan_id: str
    vehicle_id: str
    at: datetime
    km: float | None
    ecu: str
    answered: bool
    code: str  # upper case with -xx, empty: none stored
    cells: dict[str, Any]  # as delivered
    file: str

    @property
    def status(self) -> str:
        """The status as delivered."""
        return str(self.cells.get("status") or "")

    @property
    def reason(self) -> str:
        """The visit reason."""
        return str(self.cells["visit_reason"])


def cells_of(path: Path) -> Iterator[dict[str, Any]]:
    """Give the rows of one table file, as they stand."""
    match path.suffix:
        case ".csv":
            with path.open(encoding="utf-8", newline="") as file:
                yield from csv.DictReader(file)
        case ".jsonl":
            yield from map(json.loads, path.read_text(encoding="utf-8").splitlines())
        case ".parquet":
            yield from pl.read_parquet(path).iter_rows(named=True)


def files(table: str, *, late: bool = True) -> list[Path]:
    """Give the files of one table in the order of delivery."""
    found = sorted(p for p in SAMPLE_DATA.glob(f"*_{table}*") if p.suffix != ".md")
    return [p for p in found if late or "late" not in p.name]


@cache
def scan_rows() -> tuple[Row, ...]:
    """Give the good scan rows in time order; of rows with one key the last delivered counts."""
    rows: dict[tuple[str, ...], Row] = {}
    for path in files("scans"):
        for cells in cells_of(path):
            try:
                row = _row(cells, path.name)
            except (ValueError, TypeError):
                continue
            rows[row.scan_id, row.vehicle_id, row.ecu, row.code] = row
    return tuple(sorted(rows.values(), key=lambda r: (r.at, r.scan_id)))


@cache
def vehicles() -> dict[str, dict[str, Any]]:
    """Give the vehicle list."""
    return {cells["vehicle_id"]: cells for cells in cells_of(SAMPLE_DATA / "01_vehicles.csv")}


def repairs(vehicle_id: str) -> list[dict[str, Any]]:
    """Give the work order rows of a vehicle in time order, ``at`` and ``km`` added."""
    rows = {}
    for path in files("repairs"):
        for cells in cells_of(path):
            if cells["vehicle_id"] == vehicle_id and cells["action"] != "swap":
                key = (cells["repair_id"], cells["action"], cells.get("part_family"))
                rows[key] = cells | {"at": instant(cells["repaired_at"]), "km": _km(cells)}
    return sorted(rows.values(), key=lambda r: (r["at"], r["repair_id"]))


def clears(vehicle_id: str) -> list[datetime]:
    """Give when a vehicle's recorded clears were."""
    cells = cells_of(SAMPLE_DATA / "10_clears.csv")
    return sorted(instant(c["cleared_at"]) for c in cells if c["vehicle_id"] == vehicle_id)


def instant(cell: object) -> datetime:
    """Give the UTC instant of a cell; a time without offset is in the zone the README names."""
    at = cell if isinstance(cell, datetime) else datetime.fromisoformat(str(cell))
    return (at if at.tzinfo else at.replace(tzinfo=_ZONE)).astimezone(UTC)


def _km(cells: dict[str, Any]) -> float | None:
    if cells.get("odometer_mi"):
        return float(cells["odometer_mi"]) * KM_PER_MILE
    reading = cells.get("odometer_km")
    return None if reading in {None, ""} else float(reading)


def _row(cells: dict[str, Any], file: str) -> Row:
    km = _km(cells)
    known = bool(cells["vehicle_id"]) and cells["scan_scope"] in {"full", "partial"}
    code = str(cells.get("code") or "")
    if not code.startswith("Skelvorn:"):
        code = code.upper().replace(":", "-")
    if not known or (km is not None and km < 0) or "#" in code:
        raise ValueError("refused")
    int(cells.get("warmups_since_clear") or 0)
    if cells.get("failure_type"):
        code += f"-{cells['failure_type']}"
    answered = cells.get("ecu_response") != "no_answer"
    return Row(cells["scan_id"], cells["vehicle_id"], instant(cells["scanned_at"]), km,
               cells["ecu"], answered, code, cells, file)  # fmt: skip


# --- questions the story tests ask ----------------------------------------------------------


def with_code(vehicle_id: str, code: str, ecu: str | None = None) -> list[Row]:
    """Give the rows of a vehicle that show a code, in time order."""
    return [row for row in of(vehicle_id) if row.code == code and ecu in {None, row.ecu}]


def of(vehicle_id: str) -> list[Row]:
    """Give all rows of a vehicle in time order."""
    return [row for row in scan_rows() if row.vehicle_id == vehicle_id]


def looks_after(vehicle_id: str, ecu: str, at: datetime) -> list[Row]:
    """Give one row for each later scan in which the unit was asked."""
    found = {row.scan_id: row for row in of(vehicle_id) if row.ecu == ecu and row.at > at}
    return list(found.values())


def work(vehicle_id: str, code: str) -> list[dict[str, Any]]:
    """Give the work order rows of a vehicle that name a code, as its site spells it."""
    spelled = code.upper().replace(":", "-")
    return [cells for cells in repairs(vehicle_id)
            if spelled in str(cells.get("codes") or "").upper().replace(":", "-")]  # fmt: skip


def driven(begin: dict[str, Any], end: Row) -> float:
    """Give the km from a work order to a scan."""
    if end.km is None:
        raise ValueError(f"{end.scan_id} has no odometer.")
    return end.km - float(begin["km"])
