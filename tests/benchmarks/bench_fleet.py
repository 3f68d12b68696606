"""Load and analysis at two sizes, as ratios to a bare read of the same file in this process.

    python -m tests.benchmarks.bench_fleet [rows]

The baseline is ``CREATE TABLE AS FROM read_csv`` into a file of the same kind.  Each pair is
run in turn, several times, and the best of each counts.
"""

import resource
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from math import log
from pathlib import Path

import duckdb

from afterclear.config import Config
from afterclear.runs.analysing import analyse
from afterclear.runs.app import App
from afterclear.runs.loading import Whose, load_paths
from tests.benchmarks.fleet_rows import write_fleet

REPEATS = 3


@dataclass(frozen=True, slots=True)
class Timing:
    """Seconds of each part at one size."""

    rows: int
    bare_s: float
    load_s: float
    analyse_s: float
    store_bytes: int


def _seconds(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def _bare(scans: Path, folder: Path) -> None:
    store = folder / "bare.duckdb"
    store.unlink(missing_ok=True)
    with duckdb.connect(str(store)) as con:
        con.execute(f"CREATE TABLE scans AS FROM read_csv('{scans}')")


def _fresh(folder: Path, name: str) -> App:
    place = folder / name
    place.mkdir()
    return App(Config(None), place / "store.duckdb", lambda: datetime.now(UTC))


def measure(n_rows: int) -> Timing:
    """Time one size."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        paths = write_fleet(folder / "files", n_rows)
        bare, load = [], []
        for turn in range(REPEATS):
            bare.append(_seconds(lambda: _bare(paths["scans"], folder)))
            app = _fresh(folder, f"store{turn}")
            load.append(
                _seconds(lambda: load_paths(app, [paths["scans"]], Whose(), lambda _: None))  # noqa: B023
            )
        load_paths(app, [paths["repairs"], paths["clears"]], Whose(), lambda _: None)
        analysed = _seconds(lambda: analyse(app))
        with duckdb.connect(str(folder / "bare.duckdb"), read_only=True) as con:
            rows = con.execute("SELECT count(*) FROM scans").fetchall()[0][0]
        return Timing(rows, min(bare), min(load), analysed, app.store.stat().st_size)


def main() -> None:
    """Print the table."""
    most = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    timings = [measure(n) for n in (most // 4, most)]
    print("rows      bare s  load s  ratio  analyse s  store B/row")
    for t in timings:
        print(
            f"{t.rows:>9,} {t.bare_s:>6.2f} {t.load_s:>7.2f} {t.load_s / t.bare_s:>6.2f}"
            f" {t.analyse_s:>10.2f} {t.store_bytes / t.rows:>12.1f}"
        )
    small, large = timings
    growth = {
        part: log(getattr(large, part) / getattr(small, part)) / log(large.rows / small.rows)
        for part in ("bare_s", "load_s", "analyse_s")
    }
    print(
        "growth exponents:", ", ".join(f"{k.removesuffix('_s')} {v:.2f}" for k, v in growth.items())
    )
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory of the whole process: {peak:.0f} MB")


if __name__ == "__main__":
    main()
