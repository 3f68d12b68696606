"""A whole digest (three audiences, pages of vehicles) at several sizes: time, memory, growth.

    python -m tests.benchmarks.bench_digest [vehicles ...]

With a page for every vehicle, then with pages only of the vehicles an audience's page names.
Frames are made in one process and read from Parquet in another, so that only the digest's own
memory counts: in one process, with the frames of every row, which a store keeps on disk.  The
baseline is writing files of the same bytes, in the same process.  Then size and time of each
picture.
"""

import multiprocessing
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from math import log
from pathlib import Path

import polars as pl

from afterclear.commands.pages.page_workers import rendered
from afterclear.digest.audience.garage_model import FunnelChart, HeldChart, LifeChart
from afterclear.digest.charts.funnel import draw_funnel
from afterclear.digest.charts.held import draw_held
from afterclear.digest.charts.layout import WIDE
from afterclear.digest.charts.life import draw_life
from afterclear.digest.charts.odometer_chart import draw_odometer
from afterclear.digest.charts.timeline_chart import draw_timeline
from afterclear.digest.input.frames import FRAME_ROWS, DigestSettings, VehiclePagesOf
from afterclear.digest.output.write import write_digest
from afterclear.digest.vehicle.vehicle_model import OdometerChart, TimeLine
from afterclear.wording.cells import Cells
from tests.digest.every_row import HistoryFrames, build_digest
from tests.digest.findings_fixture import ROWS, findings
from tests.digest.fleet_fixture import AS_OF, CAUTIONS, fleet, many
from tests.digest.hostile_fixture import long_history

SIZES = (100, 1_000, 5_000)
NAMED_SIZES = (1_000, 5_000, 20_000)
MOST_SECONDS, MOST_MB = 30.0, 1_000.0  # issue 6, for 1,000 vehicles
_PER_VEHICLE = ("recurring", "worsening", "roles", "stock", "stock_reasons", "worklist")


@dataclass(frozen=True, slots=True)
class Timing:
    """One size."""

    vehicles: int
    pages: int
    digest_s: float
    bare_s: float  # writing the same bytes
    pages_mb: float
    peak_mb: float


def _store_frames(n: int, folder: Path) -> None:
    frames = many(n)
    for name in FRAME_ROWS:
        getattr(frames, name).write_parquet(folder / f"{name}.parquet")
    ids = frames.vehicles["vehicle_id"].to_list()
    for name, table in findings().items():
        if name in _PER_VEHICLE:
            row = table.head(1).drop("vehicle_id")
            table = row.join(pl.DataFrame({"vehicle_id": ids}), how="cross")  # noqa: PLW2901
        table.write_parquet(folder / f"f_{name}.parquet")


def _read_frames(folder: Path, of: VehiclePagesOf) -> HistoryFrames:
    tables = {name: pl.read_parquet(folder / f"{name}.parquet") for name in FRAME_ROWS}
    told = {name: pl.read_parquet(folder / f"f_{name}.parquet") for name in ROWS}
    settings = DigestSettings(vehicle_pages=of)
    return HistoryFrames(as_of=AS_OF, cautions=CAUTIONS, findings=told, settings=settings, **tables)


def _measure(
    n: int, of: VehiclePagesOf, folder: Path, results: "multiprocessing.Queue[Timing]"
) -> None:
    frames = _read_frames(folder, of)
    begun = time.perf_counter()
    written = write_digest(rendered(build_digest(frames)), folder / "pages")
    took = time.perf_counter() - begun
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    contents = [path.read_bytes() for path in written]
    (folder / "bare").mkdir()
    begun = time.perf_counter()
    for i, content in enumerate(contents):
        (folder / "bare" / str(i)).write_bytes(content)
    bare = time.perf_counter() - begun
    results.put(Timing(n, len(written), took, bare, sum(map(len, contents)) / 1e6, peak))


def measure(n: int, of: VehiclePagesOf) -> Timing:
    """Make and write the digest of ``n`` vehicles in a process of its own."""
    spawn = multiprocessing.get_context("spawn")
    results: multiprocessing.Queue[Timing] = spawn.Queue()
    with tempfile.TemporaryDirectory() as folder:
        for work in (
            spawn.Process(target=_store_frames, args=(n, Path(folder))),
            spawn.Process(target=_measure, args=(n, of, Path(folder), results)),
        ):
            work.start()
            work.join()
            if work.exitcode:
                raise SystemExit(f"a child process ended with {work.exitcode}")
        return results.get()


def print_sizes(sizes: tuple[int, ...], of: VehiclePagesOf) -> None:
    """Print a line for each size, and how time grows from one to the next."""
    print(f"pages of {of} vehicles")
    print("vehicles   pages  digest s  x bare write  pages MB  peak MB  growth exponent")
    before: Timing | None = None
    for n in sizes:
        now = measure(n, of)
        growth = ""
        if before is not None:
            ratio = log(now.digest_s / before.digest_s) / log(now.vehicles / before.vehicles)
            growth = f"{ratio:.2f}"
        print(
            f"{n:8d}  {now.pages:6d}  {now.digest_s:8.1f}  {now.digest_s / now.bare_s:12.1f}  "
            f"{now.pages_mb:8.1f}  {now.peak_mb:7.0f}  {growth}"
        )
        if n == 1_000:
            assert now.digest_s < MOST_SECONDS
            assert now.peak_mb < MOST_MB
        before = now


def _pictures() -> dict[str, Callable[[], str]]:
    model = build_digest(fleet(findings=findings()))
    garage = model.garage
    assert garage is not None
    (page,) = build_digest(long_history()).vehicles
    held, funnel, life = garage.held, garage.groups[0].funnel, garage.parts[0].life
    timeline, odometer = page.timeline, page.odometer
    assert isinstance(held, HeldChart)
    assert isinstance(funnel, FunnelChart)
    assert isinstance(life, LifeChart)
    assert isinstance(timeline, TimeLine)
    assert isinstance(odometer, OdometerChart)
    return {
        "time line, 284 scans": lambda: draw_timeline(timeline, WIDE, "t"),
        "odometer": lambda: draw_odometer(odometer, WIDE, "km", "t"),
        "held by quarter": lambda: draw_held(held, WIDE, "t", Cells()),
        "funnel": lambda: draw_funnel(funnel, WIDE, "site", "t", Cells()),
        "life of a part": lambda: draw_life(life, WIDE, "part-1", "t", Cells()),
    }


def print_pictures() -> None:
    """Print size and time of each picture; the best of twenty."""
    print("\npicture                  kB    ms")
    for name, draw in _pictures().items():
        best = min(_seconds(draw) for _ in range(20))
        print(f"{name:20s} {len(draw().encode()) / 1e3:6.1f} {best * 1e3:5.1f}")


def _seconds(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


if __name__ == "__main__":
    chosen = tuple(map(int, sys.argv[1:]))
    print_sizes(chosen or SIZES, "all")
    print_sizes(chosen or NAMED_SIZES, "named")
    print_pictures()
