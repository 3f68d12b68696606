"""What it costs that foreign files are read by a process of their own.

Run as ``python -m tests.benchmarks.bench_reading_process``.  A night with one small file of a kind
is loaded into an empty store, by turns as the program does it and with the same readers called
where they are asked for; each in a process of its own, since what counts is its start.  The
difference of the medians is what the reading process costs a run, in seconds on the clock and in
processor seconds of both processes together (others on the machine disturb the first more).  Of
plain tables the difference is that of two equal runs: it says how exact the others are.
"""

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import nullcontext
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, Self
from unittest import mock

TURNS: Final = 7
# the sample of each kind, by the name of its file
KINDS: Final = {
    "plain CSV": ("scans.csv",),
    "plain JSON Lines": ("scans.jsonl",),
    "plain Parquet": ("scans.parquet",),
    "bus recording": ("bus.log",),
    "answers in hexadecimal": ("answers.txt",),
    "CSV with a map": ("fehlerliste_2025-10.csv",),
    "JSON with a map": ("telebox_7.json",),
    "XML with a map": ("gatehouse_0412.xml",),
    "workbook with a map": ("orders_2025.xlsx",),
    "all of these": ("bus.log", "answers.txt", "telebox_7.json", "orders_2025.xlsx"),
}


def load_once(names: Sequence[str], *, apart: bool) -> None:
    """Load the samples of these names into an empty store; in the process this is called in."""
    from afterclear import load  # noqa: PLC0415 - the start is measured
    from afterclear.store.engine.database import open_store  # noqa: PLC0415

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        arrivals = [load.Arrival("bench", Path(n), Path(n).name, vehicle_id="T-1") for n in names]
        clock = lambda: datetime(2026, 11, 1, tzinfo=UTC)  # noqa: E731
        here = nullcontext() if apart else mock.patch.object(load, "Readers", _here())
        with here, open_store(folder / "x.duckdb") as con:
            results = list(load.load_files(con, folder / "archive", arrivals, clock, _imports()))
    if any(result.outcome != "stored" for result in results):
        raise SystemExit(str(results))


def _imports() -> Path:
    from afterclear.config import shipped  # noqa: PLC0415 - the start is measured

    return shipped("config") / "imports"


def _here() -> type:
    """Give readers that do all their work where they are asked."""
    from afterclear.readers.limits import ReadingLimits  # noqa: PLC0415
    from afterclear.readers.reader import Reader  # noqa: PLC0415 - the start is measured
    from afterclear.readers.registry import identify  # noqa: PLC0415
    from afterclear.records import Delivery  # noqa: PLC0415

    class Here:
        def __init__(self, readers: Sequence[Reader], _: ReadingLimits) -> None:
            self._readers = readers

        def __enter__(self) -> Self:
            return self

        def __exit__(self, *_: object) -> None: ...

        def container_kind(self, _: Path, __: str) -> None:
            return None

        def identify(self, delivery: Delivery) -> Reader:
            return identify(delivery, self._readers)

    return Here


def one_run(names: Sequence[str], *, apart: bool) -> tuple[float, float]:
    """Give seconds on the clock and processor seconds of one run, both its processes."""
    began, used = time.perf_counter(), os.times()
    words = [sys.executable, "-m", __spec__.name, "--once", "apart" if apart else "here", *names]
    subprocess.run(words, check=True)
    now = os.times()
    cpu_s = now.children_user + now.children_system - used.children_user - used.children_system
    return time.perf_counter() - began, cpu_s


def main() -> None:
    """Print what each kind costs."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--once", choices=("here", "apart"))
    parser.add_argument("--turns", type=int, default=TURNS)
    parser.add_argument("names", nargs="*")
    asked = parser.parse_args()
    if asked.once:
        load_once(asked.names, apart=asked.once == "apart")
        return
    from tests.readers.samples import all_samples  # noqa: PLC0415 - the runs need it not

    raw = {sample.name: sample.raw for sample in all_samples()}
    print(f"{'':24} {'here s':>7} {'apart s':>8} {'more s':>7} {'more CPU s':>11}")
    with tempfile.TemporaryDirectory() as folder:
        for kind, names in KINDS.items():
            places = [str(Path(folder) / name) for name in names]
            for place, name in zip(places, names, strict=True):
                Path(place).write_bytes(raw[name])
            turns = [
                [one_run(places, apart=apart) for apart in (False, True)]
                for _ in range(asked.turns)
            ]
            (here, here_cpu), (apart, apart_cpu) = (
                [statistics.median(column) for column in zip(*side, strict=True)]
                for side in zip(*turns, strict=True)
            )
            print(
                f"{kind:24} {here:>7.2f} {apart:>8.2f} {apart - here:>7.2f} "
                f"{apart_cpu - here_cpu:>11.2f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
