"""What a messy file is, and how files are written: delimited text, workbooks, pages, documents."""

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

Row = Mapping[str, str | float | None]

VIN = "XZ9AA11B2C300000{}".format
# The vehicle list that was loaded before: (number, VIN, plate).
VEHICLES = (
    ("V-01", VIN(1), "NH-AB 101"),
    ("V-02", VIN(2), "NH-AB 102"),
    ("V-03", VIN(3), "AA-103-BB"),
    ("V-04", VIN(4), "1104 BCD"),
    ("V-05", VIN(5), "WX 12345"),
    ("V-06", VIN(6), "AB12 CDE"),
)


@dataclass(frozen=True)
class Messy:
    """One file, and what a person who knows the sender would say that it means."""

    name: str
    language: str
    about: str
    raw: bytes
    rows: tuple[tuple[str, Row], ...]  # (plain table, the cells that matter), in any order
    answers: Mapping[str, str] = field(default_factory=dict)  # to what is rightly asked
    vehicle: str | None = None  # told with --vehicle, where the file cannot know
    refused: int = 0  # rows that are rightly refused
    is_nothing: bool = False  # nothing of it should be loaded
    knows: bool = True  # the vehicle list was loaded before
    before: tuple[tuple[str, str, float, str], ...] = ()  # loaded too: vehicle, day, km, code


def text(lines: Sequence[str], encoding: str = "utf-8", end: str = "\r\n") -> bytes:
    """Write lines."""
    return (end.join(lines) + end).encode(encoding)


def sheet(rows: Sequence[Sequence[object]], mark: str = ";", encoding: str = "utf-8") -> bytes:
    """Write rows as delimited text, quoted where needed."""
    file = io.StringIO()
    csv.writer(file, delimiter=mark).writerows(rows)
    return file.getvalue().encode(encoding)


def scans(*rows: tuple[str | float | None, ...], names: str = "") -> tuple[tuple[str, Row], ...]:
    """List rows of scans: vehicle, time, km, unit, code, status, or the columns named."""
    return listed("scans", rows, names or "vehicle_id scanned_at odometer_km ecu code status")


def repairs(*rows: tuple[str | float | None, ...], names: str = "") -> tuple[tuple[str, Row], ...]:
    """List rows of repairs."""
    return listed("repairs", rows, names or "vehicle_id repaired_at odometer_km notes")


def clears(*rows: tuple[str | float | None, ...], names: str = "") -> tuple[tuple[str, Row], ...]:
    """List rows of clears."""
    return listed("clears", rows, names or "vehicle_id cleared_at odometer_km")


def listed(
    table: str, rows: Sequence[tuple[str | float | None, ...]], names: str
) -> tuple[tuple[str, Row], ...]:
    """List rows of a table by the names of their columns."""
    return tuple((table, dict(zip(names.split(), row, strict=False))) for row in rows)
