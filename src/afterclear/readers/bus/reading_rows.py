"""Readings as rows of the plain layout, and the vehicle they belong to."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

import polars as pl

from afterclear.errors import RefusedFileError, worded
from afterclear.readers.bus.unit_readings import CodeSeen, Readings, UnitReading
from afterclear.records import Delivery, PlainRows, Rejection

Row = dict[str, str | int | None]


@dataclass(frozen=True, slots=True)
class Vehicle:
    """The vehicle of the readings.  ``vin`` is None if the units state none or several."""

    vehicle_id: str
    vin: str | None


def vehicle_of(delivery: Delivery, vins: Mapping[str, str]) -> Vehicle:
    """Take the vehicle a person named, otherwise the VIN the units agree on.

    Raises:
        RefusedFileError: neither is there.

    """
    stated = sorted(set(vins.values()))
    vin = stated[0] if len(stated) == 1 else None
    vehicle_id = delivery.vehicle_id or vin
    if vehicle_id is None:
        found = f"its units state {len(stated)} VINs" if stated else "it has no VIN"
        raise RefusedFileError(
            worded(
                "{name} does not say whose vehicle it is: {found}. Name the vehicle with `load "
                "--vehicle ID`, or with `vehicle` of the source in sources.toml.",
                name=delivery.name,
                found=found,
            )
        )
    return Vehicle(vehicle_id, vin)


def instant(at: float) -> str:
    """Write an instant (seconds since 1970) in the plain layout's form."""
    return datetime.fromtimestamp(at, tz=UTC).isoformat(timespec="milliseconds")


def scan_heads(
    delivery: Delivery, vehicle: Vehicle, readings: Readings, began: Mapping[int, float]
) -> dict[int, Row]:
    """Write what all rows of a scan share.  ``began``: seconds since 1970 by scan."""
    return {
        scan: {
            "scan_id": f"{delivery.sha256[:12]}-{scan}",
            "vehicle_id": vehicle.vehicle_id,
            "scanned_at": instant(at),
            "odometer_km": _number(readings.odometer_km.get(scan)),
            "engine_hours": _number(readings.engine_hours.get(scan)),
            **_way(readings, scan),
        }
        for scan, at in began.items()
    }


def _way(readings: Readings, scan: int) -> Row:
    """Keep the distance at the end of a recording in a column of its own, if the vehicle moved."""
    last = readings.last_km.get(scan)
    moved = last is not None and last != readings.odometer_km.get(scan)
    return {"last_odometer_km": _number(last)} if moved else {}


def _sight(seen: CodeSeen) -> Row:
    """Keep the first and last time of a code that came or went, in columns of their own."""
    if seen.sight is None:
        return {}
    first, last = map(instant, seen.sight)
    return {"first_heard_at": first, "last_heard_at": last}


def plain_parts(
    vehicle: Vehicle, readings: Readings, heads: Mapping[int, Row]
) -> tuple[tuple[PlainRows, ...], tuple[Rejection, ...]]:
    """Write scans, clears and the vehicle; refuse codes without a known name."""
    scans: list[Row] = []
    unnamed: list[Rejection] = []
    for (scan, ecu), unit in sorted(readings.units.items()):
        scans += _unit_rows(heads[scan] | {"ecu_vin": readings.vins.get(ecu)}, unit)
        unnamed += _unnamed(unit)
    read = {scan for scan, _ in readings.units}
    # a recording without any fault message still shows the vehicle's distance
    scans += [
        heads[scan] | {"ecu": None, "_line": line}
        for scan, line in sorted(readings.total_lines.items())
        if scan in heads and scan not in read
    ]
    parts = (
        _table("scans", scans),
        _table("clears", _clear_rows(vehicle, readings)),
        _table("vehicles", _vehicle_rows(vehicle, readings)),
    )
    return tuple(part for part in parts if not part.frame.is_empty()), tuple(unnamed)


def _unit_rows(head: Row, unit: UnitReading) -> list[Row]:
    """Write a row a code, or one clean row of a unit that reported none."""
    common: Row = head | {
        "scan_scope": "partial",
        "memory": "stored" if unit.is_whole_memory else "active_only",
        "ecu": unit.ecu,
        "ecu_response": "answered" if unit.has_answered else "no_answer",
        "lamps": " ".join(sorted(unit.lamps)) or None,
        "distance_since_clear_km": _number(unit.since_clear_km),
        "warmups_since_clear": _number(unit.warmups_since_clear),
        "monitors_incomplete": unit.monitors_incomplete,
    }
    rows: list[Row] = [
        common
        | {
            "code": seen.code,
            "failure_type": seen.failure_type,
            "status": seen.status,
            "occurrences": _number(seen.occurrences),
            **_sight(seen),
            "_line": seen.line,
        }
        for seen in unit.codes.values()
    ]
    if not rows and not unit.unnamed:
        rows.append(common | {"_line": unit.first_line})
    return rows


def _unnamed(unit: UnitReading) -> list[Rejection]:
    expected = worded(
        "the current form of a code, but {ecu} uses one of three older ones that look alike: name "
        "the SPN conversion method of its address",
        ecu=unit.ecu,
    )
    return [Rejection("scans", line, "code", raw, expected) for raw, line in unit.unnamed.items()]


def _clear_rows(vehicle: Vehicle, readings: Readings) -> list[Row]:
    return [
        {
            "vehicle_id": vehicle.vehicle_id,
            "cleared_at": instant(clear.at),
            "ecu": clear.ecu,
            "reason": clear.reason,
            "_line": clear.line,
        }
        for clear in readings.clears
    ]


def _vehicle_rows(vehicle: Vehicle, readings: Readings) -> list[Row]:
    if vehicle.vin is None:
        return []
    return [{"vehicle_id": vehicle.vehicle_id, "vin": vehicle.vin, "_line": readings.vin_line}]


def _table(name: str, rows: list[Row]) -> PlainRows:
    columns = {key: None for row in rows for key in row}
    schema = {key: pl.Int64 if key == "_line" else pl.String for key in columns}
    return PlainRows(name, pl.DataFrame(rows, schema=schema, orient="row"))


def _number(value: float | None) -> str | None:
    return None if value is None else f"{value:.10g}"
