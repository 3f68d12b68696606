"""Recordings made for a test, and what the reader makes of them."""

from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from afterclear.readers.bus.can_log import CanLogReader
from afterclear.records import Delivery, ReadFile
from tests.protocols.encoders import j1939_dtc

DATA = Path(__file__).parent / "data" / "bus"
BEGIN = datetime(2024, 5, 1, 12, 0, tzinfo=UTC)
Frame = tuple[float, int, bytes]
DM1 = 0x18FECA00  # from the engine; add another address
CLEAN = bytes.fromhex("00FF00000000FFFF")


def delivery(path: Path, **more: Any) -> Delivery:
    """Deliver a recording of the vehicle T-1, begun at BEGIN unless said otherwise."""
    fields: dict[str, Any] = {"vehicle_id": "T-1", "started_at": BEGIN} | more
    return Delivery("test", path.name, path, "0123456789abcdef" * 4, **fields)


def one_code(spn: int, fmi: int, count: int = 1, lamps: str = "04FF") -> bytes:
    """Build a single-frame DM1 of one code."""
    return bytes.fromhex(lamps) + j1939_dtc(spn, fmi, count) + b"\xff\xff"


def every_second(can_id: int, data: bytes, begin: float = 0.0, n: int = 5) -> list[Frame]:
    """Repeat a frame ``n`` times, once a second."""
    return [(begin + second, can_id, data) for second in range(n)]


def candump(path: Path, frames: Iterable[Frame]) -> Path:
    """Write frames (seconds, 29-bit identifier, data) as candump -L does."""
    lines = [f"({at:.6f}) can0 {can_id:08X}#{data.hex().upper()}\n" for at, can_id, data in frames]
    path.write_text("".join(lines), encoding="ascii")
    return path


def read(path: Path, reader: CanLogReader | None = None, **more: Any) -> ReadFile:
    """Read a recording as ``delivery`` hands it over."""
    return (reader or CanLogReader()).read(delivery(path, **more))


def rows(made: ReadFile, table: str) -> list[dict[str, Any]]:
    """List a table's rows; empty cells and columns left out."""
    frames = [part.frame for part in made.parts if part.table == table]
    return [
        {key: value for key, value in row.items() if value is not None}
        for frame in frames
        for row in frame.to_dicts()
    ]


def codes(made: ReadFile) -> set[tuple[str, str]]:
    """List (control unit, code) of all scans."""
    return {(row["ecu"], row["code"]) for row in rows(made, "scans") if "code" in row}


def units(made: ReadFile) -> set[str]:
    """List the control units that have a row."""
    return {row["ecu"] for row in rows(made, "scans")}
