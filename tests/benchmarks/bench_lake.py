"""One fleet both ways, analysed in its store and as a lake bucket by bucket, and held together.

    python -m tests.benchmarks.bench_lake [rows] [--engine ENGINE] [--kill] [--pages] [--in FOLDER]

``--kill``: every bucket's first worker dies with half a bucket written (not with ``here``).
Processor seconds count: those of this process, and those the workers tell of themselves. What Java
needs is not in it.
"""

import argparse
import json
import tempfile
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import asdict, dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any
from unittest import mock

from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.app import App
from afterclear.commands.lake import analysing_lake
from afterclear.commands.lake.analysing_lake import LakeReport, analyse_lake
from afterclear.commands.lake.filling_lake import fill_lake
from afterclear.commands.lake.publishing import OFFERED, current_run
from afterclear.commands.queries.exporting import write_export
from afterclear.lake.engine import HERE
from afterclear.store.engine.database import open_store
from tests.benchmarks.bench_fleet import NIGHT_SHARE, _fresh_app, _load, _say
from tests.benchmarks.fleet_rows import write_fleet, write_night
from tests.benchmarks.measuring import Cost, cost_of
from tests.lake.killing import build_once_killed

ROWS_A_BUCKET = 1_000_000


@dataclass(frozen=True)
class Both:
    """What was measured at one size."""

    rows: int
    engine: str
    n_buckets: int
    n_killed: int  # workers
    n_pages: int
    store: Cost  # analysis of the store
    fill: Cost
    driver: Cost  # of the process that asks; with engine ``here`` the buckets are in it
    workers_cpu_s: float
    worker_peak_mb: float
    worker_longest_s: float
    lake_bytes: int
    differs_in: tuple[str, ...]
    night_built: int
    night_driver: Cost
    night_differs_in: tuple[str, ...]

    def per_core(self) -> tuple[float, float]:
        """Rows a processor second: in the store, and as a lake."""
        lake = self.driver.cpu_s + (0 if self.engine == HERE else self.workers_cpu_s)
        return self.rows / self.store.cpu_s, self.rows / lake


def measure(n_rows: int, engine: str, folder: Path, *, kill: bool, pages: bool) -> Both:
    """Measure one size, in ``folder``."""
    files = write_fleet(folder / "files", n_rows)
    app = _fresh_app(folder)
    _load(app, (files.vehicles, *files.scans, *files.repairs, *files.clears))
    lake = folder / "lake"
    n_buckets = max(2, n_rows // ROWS_A_BUCKET)
    fill = cost_of(lambda: fill_lake(app, lake, n_buckets))
    _say(f"filled: {fill}")
    reports: list[LakeReport] = []
    with _workers_that_die() if kill else nullcontext():
        driver = cost_of(lambda: reports.append(analyse_lake(app, lake, engine, pages=pages)))
    _say(f"lake: {driver}")
    store = cost_of(lambda: analyse(app, full=True))
    _say(f"store: {store}")
    differs = _differing(app, lake, folder)
    _say(f"differs in {differs}")
    _load(app, write_night(folder / "night", files.n_vehicles, int(n_rows * NIGHT_SHARE)))
    later = replace(app, clock=lambda: app.clock() + timedelta(days=1))
    fill_lake(later, lake)
    night = cost_of(lambda: reports.append(analyse_lake(later, lake, engine, pages=pages)))
    _say(f"night: {night}")
    analyse(later)
    told = reports[0].told
    return Both(
        rows=n_rows,
        engine=engine,
        n_buckets=n_buckets,
        n_killed=len(list(lake.glob("killed-*"))),
        n_pages=reports[0].n_pages,
        store=store,
        fill=fill,
        driver=driver,
        workers_cpu_s=sum(each["cpu_s"] for each in told),
        worker_peak_mb=max(each["peak_mb"] for each in told),
        worker_longest_s=max(each["seconds"] for each in told),
        lake_bytes=sum(file.stat().st_size for file in (lake / "rows").rglob("*.parquet")),
        differs_in=differs,
        night_built=reports[1].n_built,
        night_driver=night,
        night_differs_in=_differing(later, lake, folder),
    )


def _workers_that_die() -> AbstractContextManager[Any]:
    return mock.patch.object(analysing_lake, "build_histories", build_once_killed)


def _differing(app: App, lake: Path, folder: Path) -> tuple[str, ...]:
    """Name the exports whose rows are not those of the store, whatever their order."""
    run = current_run(lake)
    found = []
    with open_store(app.store) as con, tempfile.TemporaryDirectory(dir=folder) as name:
        for table in OFFERED:
            own = Path(name) / f"{table}.parquet"
            write_export(con, table, "parquet", own)
            if _sum(str(own)) != _sum(f"{run}/{table}/*.parquet"):
                found.append(table)
    return tuple(found)


def _sum(files: str) -> tuple[object, ...]:
    import duckdb  # noqa: PLC0415 - a connection of its own, as any other program's

    return duckdb.sql(
        f"SELECT count(*), sum(hash(t)::HUGEINT) FROM read_parquet('{files}') t"
    ).fetchall()[0]


def main(arguments: Sequence[str] | None = None, say: Callable[[str], None] = print) -> None:
    """Measure one size and print it as a line of JSON."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("rows", nargs="?", type=int, default=1_000_000)
    parser.add_argument("--engine", default=HERE)
    parser.add_argument("--kill", action="store_true")
    parser.add_argument("--pages", action="store_true")
    parser.add_argument("--in", dest="folder", help="where the fleet is made")
    asked = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory(dir=asked.folder) as name:
        both = measure(asked.rows, asked.engine, Path(name), kill=asked.kill, pages=asked.pages)
    say(json.dumps(asdict(both)))
    say("rows a processor second, store and lake: {:,.0f} {:,.0f}".format(*both.per_core()))


if __name__ == "__main__":
    main()
