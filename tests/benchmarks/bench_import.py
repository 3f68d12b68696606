"""How fast delimited text comes through an import map, against the bare parsing of the same file.

Run as ``python -m tests.benchmarks.bench_import``.  Both sides run in this process on the same
invented export of a German workshop: day first with minutes and a zone whose clocks change,
thousands marks, a table of status words.  The baseline reads every column and does nothing with
it.  The two take turns, on one core, and the fastest run of each counts.  ``with store``: the
same file all the way into an empty store, for scale.
"""

import os

os.environ.setdefault("POLARS_MAX_THREADS", "1")  # the machine's other work disturbs less

import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import polars as pl

from afterclear.load import Arrival, load_files
from afterclear.readers.mapped.map_reader import MapReader
from afterclear.readers.maps.checked_map import ImportMap
from afterclear.readers.maps.import_map import parse_map
from afterclear.records import Delivery
from afterclear.store.engine.database import open_store

FIRST = datetime(2016, 1, 1, 8)  # noqa: DTZ001 - a wall clock
SIZES = (100_000, 1_000_000)
TURNS = 7
MAP = """
kind = "delimited"
files = ["bench*.csv"]
delimiter = ";"
zone = "Europe/Berlin"
missing_time = "later"
date_format = ["%d.%m.%Y %H:%M"]
decimal = ","
thousands = "."
[[table]]
into = "scans"
[table.columns]
vehicle_id = "Fahrzeug"
scanned_at = "Datum"
odometer_km = "km-Stand"
ecu = "Steuergerät"
code = "Code"
description = "Text"
[table.columns.status]
from = "Status"
values = { "vorhanden" = "confirmed", "sporadisch" = "stored", "gespeichert" = "stored" }
"""


def write_export(path: Path, n_rows: int) -> None:
    """Write rows of scans: six rows each, of one time and distance, as a workshop's are."""
    states = ("vorhanden", "sporadisch", "gespeichert")
    with path.open("w", encoding="utf-8") as file:
        file.write("Fahrzeug;Datum;km-Stand;Code;Status;Steuergerät;Text\n")
        for scan in range(n_rows // 6 + 1):
            when = FIRST + timedelta(minutes=31 * scan)
            km = f"{scan * 37 % 300 + 1}.{scan * 7 % 1000:03d}"
            file.writelines(
                f"T-{scan % 900};{when:%d.%m.%Y %H:%M};{km};P0{(scan + 13 * row) % 1000:03d};"
                f"{states[(scan + row) % 3]};unit {row};text about {scan % 77}\n"
                for row in range(min(6, n_rows - 6 * scan))
            )


def bench_map() -> ImportMap:
    """Give the map the export is read with."""
    problems: list[str] = []
    made = parse_map(MAP, "bench", "bench", problems)
    if made is None:
        raise SystemExit("\n".join(problems))
    return made


def seconds(work: Callable[[], object]) -> float:
    """Take the processor seconds of one run: others on the machine do not count."""
    began = time.process_time()
    work()
    return time.process_time() - began


def bare_csv(path: Path) -> pl.DataFrame:
    """Parse every column as text, and nothing more."""
    return pl.read_csv(path, separator=";", infer_schema=False)


def through_the_map(path: Path) -> int:
    """Read with the map; return the number of rows."""
    read = MapReader(bench_map()).read(Delivery("bench", path.name, path, "ab" * 32))
    if read.rejections:
        raise SystemExit(f"nothing should be refused, but: {read.rejections[0]}")
    return sum(len(part.frame) for part in read.parts if hasattr(part, "frame"))


def into_a_store(path: Path, folder: Path) -> None:
    """Load the file into an empty store."""
    imports = folder / "imports"
    imports.mkdir()
    (imports / "bench.toml").write_text(MAP, encoding="utf-8")
    with open_store(folder / "x.duckdb") as con:
        arrivals = [Arrival("bench", path, path.name)]
        clock = lambda: datetime(2026, 11, 1, tzinfo=UTC)  # noqa: E731
        results = list(load_files(con, folder / "archive", arrivals, clock, imports))
    if results[0].outcome != "stored":
        raise SystemExit(str(results))


def main() -> None:
    """Print seconds of both sides, their ratio, and the whole load."""
    print(f"{'rows':>10} {'read_csv s':>11} {'map s':>7} {'speed ratio':>12} {'with store s':>13}")
    for size in SIZES:
        with tempfile.TemporaryDirectory() as name:
            path = Path(name) / "bench.csv"
            write_export(path, size)
            if through_the_map(path) != size:
                raise SystemExit("rows were lost")
            turns = [
                (seconds(partial(bare_csv, path)), seconds(partial(through_the_map, path)))
                for _ in range(TURNS)
            ]
            bare, ours = min(b for b, _ in turns), min(o for _, o in turns)
            whole = seconds(partial(into_a_store, path, Path(name)))
        print(f"{size:>10,} {bare:>11.3f} {ours:>7.3f} {bare / ours:>12.2f} {whole:>13.2f}")


if __name__ == "__main__":
    main()
