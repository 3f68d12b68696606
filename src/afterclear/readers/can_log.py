"""Reader of bus recordings: frames -> scans, clears and the VIN, in the plain layout.

What the bytes mean is decided in ``can_j1939``; this file cuts the recording into scans, finds
out whose vehicle and which moment it is, and writes the rows.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import zip_longest
from typing import ClassVar

import polars as pl

from afterclear.errors import RefusedFileError
from afterclear.protocols.j1939 import unit_label
from afterclear.readers import can_frames
from afterclear.readers.can_frames import Frames
from afterclear.readers.can_j1939 import (
    J1939Log,
    UnitReading,
    acknowledged_clears,
    read_j1939,
    with_j1939_columns,
)
from afterclear.records import Delivery, PlainRows, ReadFile, Rejection

# A vehicle's bus is never silent for a minute while it is awake: slow groups come every 10 s at
# most (own judgement).  After a longer silence the recorder was started again.
SILENCE_S = 60.0
# A scan has one moment and one odometer reading, so a day's recording is cut into hours.
SCAN_AT_MOST_S = 3600.0
# Units answer one erase request one after the other; the new scan begins when all have.
CLEAR_BURST_S = 10.0
HEAD_BYTES = 8192
Row = dict[str, str | int | None]


@dataclass(frozen=True, slots=True)
class _Vehicle:
    vehicle_id: str
    vin: str | None


class CanLogReader:
    """Recordings of a CAN bus: candump text, and the other forms python-can reads.

    ``spn_methods``: for units that send codes in an old form, the SPN conversion method (1, 2 or
    3) by source address.  Without it such a code is refused with its bytes, not guessed.
    """

    name: ClassVar[str] = "can_log"

    def __init__(self, spn_methods: Mapping[int, int] | None = None) -> None:
        self.spn_methods = dict(spn_methods or {})

    def identify(self, delivery: Delivery) -> bool:
        """Tell a recording by its first bytes (and, for two forms without a mark, its suffix)."""
        return _form(delivery) is not None

    def read(self, delivery: Delivery) -> ReadFile:
        """Turn a recording into scans, clears and a vehicle.

        Raises:
            RefusedFileError: nothing in it is a frame, or nobody says whose vehicle it is.

        """
        frames = _frames(delivery)
        table, begin_note = _on_wall_clock(frames, delivery)
        table = with_j1939_columns(_with_stretches(table))
        table = _with_scans(table)
        log = read_j1939(table, self.spn_methods)
        vehicle = _vehicle(delivery, log)
        began = dict(table.group_by("scan").agg(pl.col("at").min()).iter_rows())
        parts, unnamed = _parts(delivery, vehicle, log, began)
        return ReadFile(
            parts=tuple(parts),
            rejections=tuple(frames.rejections) + tuple(unnamed),
            note=_note(frames, log, begin_note),
        )


def _form(delivery: Delivery) -> str | None:
    with delivery.path.open("rb") as file:
        return can_frames.form_of(delivery.name, file.read(HEAD_BYTES))


def _frames(delivery: Delivery) -> Frames:
    form = _form(delivery)
    if form is None:
        raise RefusedFileError(
            f"{delivery.name} is no bus recording: none of its first lines is a frame "
            f"({can_frames.EXPECTED_LINE})."
        )
    if form == "candump":
        frames = can_frames.read_candump(delivery.path, delivery.zone)
    else:
        frames = can_frames.read_other(delivery, form)
    if frames.table.is_empty() and not frames.skipped.total():
        raise RefusedFileError(f"{delivery.name} holds no frame of a bus.")
    return frames


# --- when ----------------------------------------------------------------------------------


def _on_wall_clock(frames: Frames, delivery: Delivery) -> tuple[pl.DataFrame, str]:
    """Shift a relative clock to its begin; say where the begin was taken from."""
    if not frames.is_relative:
        return frames.table, ""
    if delivery.started_at is not None:
        begin, note = delivery.started_at.timestamp(), "relative clock, begun as stated"
    else:
        begin = delivery.path.stat().st_mtime
        note = "relative clock without a stated begin: the file's modification time was taken"
    return frames.table.with_columns(pl.col("at") + begin), note


def _with_stretches(table: pl.DataFrame) -> pl.DataFrame:
    """Give each frame its stretch of traffic: a silence or a clock set back begins one."""
    step = pl.col("at").diff().abs().fill_null(0.0)
    return table.with_columns((step > SILENCE_S).cum_sum().cast(pl.Int64).alias("stretch"))


def _with_scans(table: pl.DataFrame) -> pl.DataFrame:
    """Give each frame its scan: a stretch, cut every hour and after each acknowledged erasing."""
    hour = ((pl.col("at") - pl.col("at").first().over("stretch")) // SCAN_AT_MOST_S).cast(pl.Int64)
    n_clears = _line_counter(_ends_of_bursts(table))
    parts = table.with_columns(hour.alias("hour"), n_clears.alias("n_clears"))
    changed = pl.any_horizontal(
        pl.col(name) != pl.col(name).shift() for name in ("stretch", "hour", "n_clears")
    )
    return parts.with_columns(changed.fill_null(value=True).cum_sum().cast(pl.Int64).alias("scan"))


def _ends_of_bursts(table: pl.DataFrame) -> list[int]:
    clears = acknowledged_clears(table)
    pairs = zip_longest(clears, clears[1:])
    return [one.line for one, after in pairs if after is None or after.at - one.at > CLEAR_BURST_S]


def _line_counter(lines: list[int]) -> pl.Expr:
    """Count for each frame how many of the lines lie before it."""
    counter = pl.lit(0)
    for line in lines:
        counter = counter + (pl.col("line") > line).cast(pl.Int64)
    return counter


# --- whose ---------------------------------------------------------------------------------


def _vehicle(delivery: Delivery, log: J1939Log) -> _Vehicle:
    """Take the vehicle a person named, else the VIN the units agree on."""
    vins = sorted(set(log.vins.values()))
    vin = vins[0] if len(vins) == 1 else None
    vehicle_id = delivery.vehicle_id or vin
    if vehicle_id is None:
        found = f"its units state {len(vins)} VINs ({', '.join(vins)})" if vins else "it has no VIN"
        raise RefusedFileError(
            f"{delivery.name} does not say whose vehicle it is: {found}. Name the vehicle with "
            "`load --vehicle ID`, or with `vehicle` of the source in sources.toml."
        )
    return _Vehicle(vehicle_id, vin)


# --- rows ----------------------------------------------------------------------------------


def _parts(
    delivery: Delivery, vehicle: _Vehicle, log: J1939Log, began: Mapping[int, float]
) -> tuple[list[PlainRows], list[Rejection]]:
    scans: list[Row] = []
    unnamed: list[Rejection] = []
    for (scan, sa), reading in sorted(log.readings.items()):
        head: Row = {
            "scan_id": f"{delivery.sha256[:12]}-{scan}",
            "vehicle_id": vehicle.vehicle_id,
            "scanned_at": _instant(began[scan]),
            "odometer_km": _number(log.odometer_km.get(scan)),
            "engine_hours": _number(log.engine_hours.get(scan)),
            "ecu_vin": log.vins.get(sa),
        }
        scans += _unit_rows(head, reading)
        unnamed += _unnamed(reading)
    parts = [
        _table("scans", scans),
        _table("clears", _clear_rows(vehicle, log)),
        _table("vehicles", _vehicle_rows(vehicle, log)),
    ]
    return [part for part in parts if not part.frame.is_empty()], unnamed


def _unit_rows(head: Row, reading: UnitReading) -> list[Row]:
    """Write a row a code, or one clean row of a unit that reported none."""
    common: Row = head | {
        "scan_scope": "partial",
        "memory": "stored" if reading.is_whole_memory else "active_only",
        "ecu": unit_label(reading.source_address),
        "ecu_response": "answered",
        "lamps": " ".join(sorted(reading.lamps)) or None,
        "distance_since_clear_km": _number(reading.since_clear_km),
        "warmups_since_clear": _number(reading.warmups_since_clear),
        "monitors_incomplete": reading.monitors_incomplete,
    }
    rows: list[Row] = [
        common
        | {
            "code": code,
            "status": seen.status,
            "occurrences": _number(seen.occurrences),
            "_line": seen.line,
        }
        for code, seen in reading.codes.items()
    ]
    if not rows and not reading.unnamed:
        rows.append(common | {"_line": reading.first_line})
    return rows


def _unnamed(reading: UnitReading) -> list[Rejection]:
    sa = reading.source_address
    return [
        Rejection(
            "scans",
            line,
            "code",
            raw,
            f"expected the current form of a code, but {unit_label(sa)} uses one of three older "
            f"ones that look alike: name the method of address {sa}",
        )
        for raw, line in reading.unnamed.items()
    ]


def _clear_rows(vehicle: _Vehicle, log: J1939Log) -> list[Row]:
    return [
        {
            "vehicle_id": vehicle.vehicle_id,
            "cleared_at": _instant(clear.at),
            "ecu": unit_label(clear.source_address),
            "reason": clear.reason,
            "_line": clear.line,
        }
        for clear in log.clears
    ]


def _vehicle_rows(vehicle: _Vehicle, log: J1939Log) -> list[Row]:
    if vehicle.vin is None:
        return []
    return [{"vehicle_id": vehicle.vehicle_id, "vin": vehicle.vin, "_line": min(log.vin_lines)}]


def _table(name: str, rows: list[Row]) -> PlainRows:
    columns = {key: None for row in rows for key in row}
    schema = {key: pl.Int64 if key == "_line" else pl.String for key in columns}
    return PlainRows(name, pl.DataFrame(rows, schema=schema, orient="row"))


def _instant(at: float) -> str:
    return datetime.fromtimestamp(at, tz=UTC).isoformat(timespec="milliseconds")


def _number(value: float | None) -> str | None:
    return None if value is None else f"{value:.10g}"


def _note(frames: Frames, log: J1939Log, begin_note: str) -> str:
    """Say in one sentence a part what the recording held beside the rows."""
    counts = {"frames": frames.table.height, **frames.skipped, **log.counts}
    parts = [f"{n:,} {what}" for what, n in counts.items() if n]
    return "; ".join([", ".join(parts), *frames.notes, *([begin_note] if begin_note else [])])
