"""The files: who delivers what, when, in which form; and what is wrong with some of them.

The names' order is the order of delivery: the copy, the corrections, the file with refused rows
and the late file come after what they touch.
"""

import csv
import io
import json
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from pathlib import Path

import polars as pl

from tests.scenario.book import Book, Scan
from tests.scenario.bus_log import candump
from tests.scenario.drive import END, FIRST_DAY, instant
from tests.scenario.fleet import Vehicle
from tests.scenario.spelling import (
    CLEAR_COLUMNS,
    REPAIR_COLUMNS,
    SCAN_COLUMNS,
    VEHICLE_COLUMNS,
    Row,
    clear_row,
    columns_in_unit,
    repair_rows,
    scan_rows,
    vehicle_row,
)

MISTYPED = "P-215"  # the odometer of one of its scans is put right by a later file
MISTYPED_MILES = 20000
_WHOLE = {"odometer_km", "occurrences", "first_seen_km", "distance_since_clear_km",
          "warmups_since_clear"}  # fmt: skip
_FIRST = instant(f"{FIRST_DAY} 00:00")

# file, site, first instant, end
_SCAN_FILES = (
    ("02_scans_velmarsh_to_2025-06.csv", "A", _FIRST, instant("2025-07-01 00:00")),
    ("03_scans_velmarsh_2025-07_to_12.csv", "A", instant("2025-07-01 00:00"),
     instant("2026-01-01 00:00")),
    ("04_scans_velmarsh_2026-01_to_09.csv", "A", instant("2026-01-01 00:00"),
     instant("2026-10-01 00:00")),
    ("05_scans_orrinby_to_2025.csv", "B", _FIRST, instant("2026-01-01 00:00")),
    ("06_scans_orrinby_2026.csv", "B", instant("2026-01-01 00:00"), END),
    ("07_scans_tessgarth_to_2025.jsonl", "C", _FIRST, instant("2026-01-01 00:00")),
    ("08_scans_tessgarth_2026.jsonl", "C", instant("2026-01-01 00:00"), END),
    ("09_scans_quarrowsend.parquet", "D", _FIRST, END),
)  # fmt: skip
_REPAIR_FILES = (
    ("11_repairs_velmarsh.csv", "A"),
    ("12_repairs_orrinby.csv", "B"),
    ("13_repairs_tessgarth.jsonl", "C"),
    ("14_repairs_quarrowsend.csv", "D"),
)
COPY_OF = "03_scans_velmarsh_2025-07_to_12.csv"
COPY = "15_scans_velmarsh_2025-07_to_12_again.csv"
CORRECTED_SCANS = "16_scans_orrinby_corrected.csv"
CORRECTED_REPAIRS = "17_repairs_velmarsh_corrected.csv"
WITH_REFUSED = "18_scans_velmarsh_2026-10.csv"
LATE = "19_scans_tessgarth_late.jsonl"

# What is wrong with the refused rows of WITH_REFUSED: column, cell
_BROKEN = (
    ("scanned_at", "2026-13-04T08:10:00+01:00"),
    ("odometer_km", "-120"),
    ("scan_scope", "everything"),
    ("vehicle_id", ""),
    ("code", "P0#?1"),
    ("warmups_since_clear", "many"),
)
N_REFUSED_SCAN_ROWS = len(_BROKEN) + 1  # and a short line
REFUSED_ACTION = "swap"  # one row of the yard's repairs


def deliver(vehicles: dict[str, Vehicle], book: Book) -> dict[str, bytes]:
    """Give every data file by its name."""
    prompt = [scan for scan in book.scans if not scan.late]
    files = {"01_vehicles.csv": _csv(VEHICLE_COLUMNS, map(vehicle_row, vehicles.values()))}
    for name, letter, begin, end in _SCAN_FILES:
        files[name] = _scans(name, _within(prompt, letter, begin, end))
    files["10_clears.csv"] = _csv(CLEAR_COLUMNS, map(clear_row, book.clears))
    for name, letter in _REPAIR_FILES:
        files[name] = _repairs(name, letter, book)
    files[COPY] = files[COPY_OF]
    files[CORRECTED_SCANS] = _corrected_scans(prompt)
    files[CORRECTED_REPAIRS] = _corrected_repairs(book)
    files[WITH_REFUSED] = _with_refused(_within(prompt, "A", instant("2026-10-01 00:00"), END))
    files[LATE] = _scans(LATE, [scan for scan in book.scans if scan.late])
    for moment in book.recorded:
        files[f"bus_logs/{moment.vehicle_id}_{moment.at:%Y-%m-%d}.log"] = candump(moment)
    return files


def _within(scans: Iterable[Scan], letter: str, begin: datetime, end: datetime) -> list[Scan]:
    return [scan for scan in scans if scan.site == letter and begin <= scan.at < end]


# --- forms ----------------------------------------------------------------------------------


def _csv(columns: Sequence[str], rows: Iterable[Row]) -> bytes:
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().encode()


def _jsonl(columns: Sequence[str], rows: Iterable[Row]) -> bytes:
    """Write rows without their empty cells; numbers as numbers."""
    lines = []
    for row in rows:
        filled = {name: _number(name, row[name]) for name in columns if row[name]}
        lines.append(json.dumps(filled, ensure_ascii=False, separators=(",", ":")) + "\n")
    return "".join(lines).encode()


def _number(name: str, cell: str) -> str | int | float:
    if name in _WHOLE or name == "quantity":
        return int(cell)
    return float(cell) if name in {"engine_hours", "part_cost", "labour_cost"} else cell


def _parquet(columns: Sequence[str], rows: Iterable[Row]) -> bytes:
    """Write typed columns: instants, whole numbers, text; empty cells as nulls."""
    frame = pl.DataFrame(list(rows), schema=dict.fromkeys(columns, pl.String)).with_columns(
        pl.all().replace("", None)
    )
    frame = frame.with_columns(
        pl.col("scanned_at").str.to_datetime("%Y-%m-%dT%H:%M:%SZ", time_zone="UTC"),
        *(pl.col(name).cast(pl.Int64) for name in columns if name in _WHOLE),
    )
    out = io.BytesIO()
    frame.write_parquet(out, compression="zstd", statistics=False)
    return out.getvalue()


_FORMS: dict[str, Callable[[Sequence[str], Iterable[Row]], bytes]] = {
    ".csv": _csv,
    ".jsonl": _jsonl,
    ".parquet": _parquet,
}


# --- files ----------------------------------------------------------------------------------


def _scans(name: str, scans: Sequence[Scan]) -> bytes:
    letter = scans[0].site
    wrong = _mistyped(scans) if letter == "B" else None
    rows = []
    for scan in scans:
        for row in scan_rows(scan):
            if scan is wrong:
                row["odometer_mi"] = str(int(row["odometer_mi"]) + MISTYPED_MILES)
            rows.append(row)
    return _FORMS[Path(name).suffix](SCAN_COLUMNS[letter], rows)


def _mistyped(scans: Iterable[Scan]) -> Scan | None:
    """Give the scan whose odometer was mistyped, if it is among these."""
    begins = instant("2026-01-01 00:00")
    own = (s for s in scans if s.vehicle_id == MISTYPED and s.full and s.at >= begins)
    return next(own, None)


def _repairs(name: str, letter: str, book: Book) -> bytes:
    rows = [row for order in book.orders if order.site == letter for row in repair_rows(order)]
    if letter == "D":
        rows.append({**rows[-1], "repair_id": "DW-269901", "action": REFUSED_ACTION})
    return _FORMS[Path(name).suffix](columns_in_unit(REPAIR_COLUMNS, letter), rows)


def _corrected_scans(scans: Sequence[Scan]) -> bytes:
    """Deliver the mistyped scan as it should be, among scans that were right before."""
    own = [scan for scan in scans if scan.site == "B"]
    wrong = _mistyped(own)
    if wrong is None:
        raise ValueError(f"{MISTYPED} has no scan at Orrinby in 2026.")
    at = own.index(wrong)
    rows = [row for scan in own[at - 2 : at + 3] for row in scan_rows(scan)]
    return _csv(SCAN_COLUMNS["B"], rows)


def _corrected_repairs(book: Book) -> bytes:
    """Deliver three work orders again; the price of a part in one of them was wrong."""
    orders = [order for order in book.orders if order.site == "A" and order.lines[0].number][3:6]
    rows = [row for order in orders for row in repair_rows(order)]
    rows[1]["part_cost"] = f"{float(rows[1]['part_cost']) - 8:.2f}"
    return _csv(REPAIR_COLUMNS, rows)


def _with_refused(scans: Sequence[Scan]) -> bytes:
    """Put rows that must be refused between good ones, each of another sort."""
    rows = [row for scan in scans for row in scan_rows(scan)]
    for number, (column, cell) in enumerate(_BROKEN, 1):
        broken = {**rows[0], "scan_id": f"AS-2699{number:02d}", "tester": "T9", column: cell}
        rows.insert(number * 9, broken)
    lines = _csv(SCAN_COLUMNS["A"], rows).decode().splitlines(keepends=True)
    lines.insert(40, "AS-269900,M-103,2026-10-\n")
    return "".join(lines).encode()
