"""What many small files cost beside the same rows in one.

    python -m tests.benchmarks.bench_small_files [files] [rows of each]

Both loads go into a new store each.  What is left when a file's rows are taken off is what a file
costs by itself: its place in the archive, its line in the ledger, and what a load looks for.  Then
the same files once more: bytes that are known cost a hash.
"""

import os
import sys
import tempfile
from functools import partial
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy

from afterclear.commands.app import App
from afterclear.commands.intake.loading import Whose, load_paths
from tests.benchmarks.bench_fleet import _fresh_app
from tests.benchmarks.fleet_rows import ROWS_A_VEHICLE, YEARS, write_fleet
from tests.benchmarks.measuring import Cost, cost_of


def measure(n_files: int, n_rows: int, folder: Path) -> tuple[Cost, Cost, Cost]:
    """Cost of all rows in one file, in so many files, and of those files once more."""
    whole = _whole(n_files * n_rows, folder)
    head, *lines = whole.read_text().splitlines(keepends=True)
    parts = []
    for at in range(n_files):
        parts.append(folder / f"part-{at}.csv")
        parts[-1].write_text(head + "".join(lines[at * n_rows : (at + 1) * n_rows]))
    one, many = _fresh_app(folder), _fresh_app(folder)
    for app in (one, many):  # a store is made once
        _load(app, [])
    return (
        cost_of(partial(_load, one, [whole])),
        cost_of(partial(_load, many, parts)),
        cost_of(partial(_load, many, parts)),
    )


def _whole(n_rows: int, folder: Path) -> Path:
    """Write a file of so many rows of a fleet."""
    fleet = write_fleet(folder / "fleet", max(n_rows * YEARS, ROWS_A_VEHICLE))
    lines = [line for file in fleet.scans for line in file.read_text().splitlines(keepends=True)]
    head = lines[0]
    rows = [line for line in lines if line != head][:n_rows]
    place = folder / "whole.csv"
    place.write_text(head + "".join(rows))
    return place


def _load(app: App, paths: list[Path]) -> None:
    load_paths(app, paths, Whose(), lambda _: None)


def main() -> None:
    """Measure and print."""
    n_files, n_rows = (int(word) for word in (*sys.argv[1:], "1000", "48")[:2])
    with tempfile.TemporaryDirectory() as name:
        one, many, again = measure(n_files, n_rows, Path(name))
    print(f"{n_files * n_rows:,} rows in one file: {one.seconds:.2f} s, {one.cpu_s:.2f} cpu s")
    print(f"the same in {n_files:,}: {many.seconds:.2f} s, {many.cpu_s:.2f} cpu s")
    print(f"  a file by itself: {1000 * (many.cpu_s - one.cpu_s) / n_files:.0f} ms of a processor")
    print(f"those once more: {again.seconds:.2f} s, {again.cpu_s:.2f} cpu s")


if __name__ == "__main__":
    main()
