"""One fleet from files to digest and on through a night, beside the bare work in this process.

    python -m tests.benchmarks.bench_fleet [rows] [folder]

Files of ten years are loaded, analysed whole and told in a fleet digest; then a night brings one
part in a thousand of new rows.  The baselines: ``CREATE TABLE AS FROM read_csv`` of the same scan
files for the load, one gaps-and-islands query over the same rows for the histories (also in
Polars and pandas where memory allows), the whole rebuild for the night.  Small fleets take turns
with their baseline and the best counts; large ones run once.
"""

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy

import duckdb

from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.app import App
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.pages.write_digests import DigestAsked, digest
from afterclear.commands.progress import Progress
from afterclear.config import Config
from afterclear.store.engine.database import open_store, query
from afterclear.store.merging.scan_parts import PARTS
from afterclear.store.queries.exports import EXPORTS
from tests.benchmarks.fleet_rows import FleetFiles, write_fleet, write_night
from tests.benchmarks.islands import in_pandas, in_polars, in_the_database
from tests.benchmarks.measuring import Cost, Watch, best, cost_of

NIGHT_SHARE = 0.001
TURNS, TURNS_UP_TO = 3, 2_000_000
FRAMES_UP_TO = 20_000_000  # Polars and pandas hold all rows in memory
COMPARED_UP_TO = 20_000_000  # the night's results against a second whole rebuild
BARE_MEMORY = "2GB"  # as much as a rebuild may take
_LAST_DAY = datetime(2024, 12, 20, tzinfo=UTC)
# tell of runs, not of vehicles
_OF_RUNS = {"loads", "runs", "digests", "sent"}


@dataclass(frozen=True)
class Fleet:
    """What was measured at one size; None: not at this size."""

    rows: int
    vehicles: int
    bare_read: Cost
    load: Cost
    bare_islands: Cost
    polars_islands: Cost | None
    pandas_islands: Cost | None
    histories: Cost
    analysis: Cost  # histories, verdicts and all findings
    digest: Cost
    night: Cost  # load, analysis and fleet digest of the new rows
    night_vehicles: int
    night_differs_in: tuple[str, ...] | None  # exports that are not as after a whole rebuild
    store_bytes: int
    scans_bytes: int
    help_s: float
    bare_python_s: float
    vehicle_s: float

    @property
    def whole(self) -> float:
        """Seconds of the whole way: load, analysis, fleet digest."""
        return self.load.seconds + self.analysis.seconds + self.digest.seconds


def measure(n_rows: int, folder: Path) -> Fleet:
    """Measure one size, in ``folder``, which needs about 300 bytes a row."""
    files = write_fleet(folder / "files", n_rows)
    _say("files are written")
    turns = TURNS if n_rows <= TURNS_UP_TO else 1
    reads, loads = [], []
    for _ in range(turns):
        reads.append(cost_of(partial(_bare_read, files, folder / "bare.duckdb")))
        app = _fresh_app(folder)
        loads.append(cost_of(partial(_load, app, files.scans)))
    _load(app, (files.vehicles, *files.repairs, *files.clears))
    _say(f"bare read {best(reads)}, load {best(loads)}")
    rows, islands, polars_cost, pandas_cost = _islands(folder / "bare.duckdb")
    _say(f"bare islands {islands}")
    histories, analysis = _analyse(app)
    _say(f"histories {histories}, analysis {analysis}")
    digest_cost = cost_of(partial(_digest, app))
    store_bytes = app.store.stat().st_size
    scans_bytes = sum(_table_bytes(app.store, name) for name in PARTS)
    vehicle_s = min(_seconds_of(app, "vehicle", "V17") for _ in range(3))
    _say(f"digest {digest_cost}, store {store_bytes:,} bytes, vehicle {vehicle_s:.2f} s")
    night = write_night(folder / "night", files.n_vehicles, int(n_rows * NIGHT_SHARE))
    later = replace(app, clock=lambda: _LAST_DAY + timedelta(days=1))
    rebuilt: list[int] = []
    night_cost = cost_of(partial(_night, later, night, rebuilt))
    return Fleet(
        rows=rows,
        vehicles=files.n_vehicles,
        bare_read=best(reads),
        load=best(loads),
        bare_islands=islands,
        polars_islands=polars_cost,
        pandas_islands=pandas_cost,
        histories=histories,
        analysis=analysis,
        digest=digest_cost,
        night=night_cost,
        night_vehicles=rebuilt[0],
        night_differs_in=_differing(later) if rows <= COMPARED_UP_TO else None,
        store_bytes=store_bytes,
        scans_bytes=scans_bytes,
        help_s=min(_seconds_of(app, "--help") for _ in range(5)),
        bare_python_s=min(cost_of(_bare_python).seconds for _ in range(5)),
        vehicle_s=vehicle_s,
    )


def _say(text: str) -> None:
    """Tell how far a long run is."""
    print(f"{datetime.now(UTC):%H:%M:%S} {text}", file=sys.stderr, flush=True)


def _bare_python() -> None:
    subprocess.run([sys.executable, "-c", "pass"], check=True)


def _bare_read(files: FleetFiles, store: Path) -> None:
    store.unlink(missing_ok=True)
    paths = ", ".join(f"'{path}'" for path in files.scans)
    with duckdb.connect(str(store)) as con:
        con.execute(f"CREATE TABLE scans AS FROM read_csv([{paths}])")


def _fresh_app(folder: Path) -> App:
    place = Path(tempfile.mkdtemp(prefix="store-", dir=folder))
    (place / "config").mkdir()
    (place / "config" / "afterclear.toml").write_text('[digest]\nvehicle_pages = "named"\n')
    return App(Config(place / "config"), place / "store.duckdb", lambda: _LAST_DAY, processes=2)


def _load(app: App, paths: tuple[Path, ...]) -> None:
    for result in load_paths(app, paths, Whose(), lambda _: None).results:
        if result.outcome != "stored" or result.rows_stored != result.rows_read:
            raise SystemExit(f"rows were lost: {result}")


def _islands(store: Path) -> tuple[int, Cost, Cost | None, Cost | None]:
    """Cost of the bare histories; the three ways must give the same number of islands."""
    with duckdb.connect(str(store), config={"memory_limit": BARE_MEMORY}) as con:
        rows = int(con.execute("SELECT count(*) FROM scans").fetchall()[0][0])
        counts = []
        ways: list[Callable[[], object]] = [
            lambda: counts.append(in_the_database(con)),
            lambda: counts.append(in_polars(con).height),
            lambda: counts.append(len(in_pandas(con))),
        ]
        costs = [cost_of(way) for way in (ways if rows <= FRAMES_UP_TO else ways[:1])]
    if len(set(counts)) != 1:
        raise SystemExit(f"the histories differ: {counts}")
    return (rows, costs[0], *(costs[1:] or (None, None)))


def _analyse(app: App) -> tuple[Cost, Cost]:
    """Cost until the last vehicle's history was rebuilt, and of the whole analysis."""
    watch = Watch()
    left: list[int] = []
    histories: list[Cost] = []

    def advance(n: int) -> None:
        left[0] -= n
        if left[0] == 0:
            histories.append(watch.cost())

    analyse(app, full=True, progress=Progress(left.append, advance))
    return histories[0], watch.cost()


def _digest(app: App) -> None:
    digest(app, DigestAsked(audiences=("fleet",)))


def _night(app: App, paths: tuple[Path, ...], rebuilt: list[int]) -> None:
    with app.long_writing("run"):
        _load(app, paths)
        rebuilt.append(analyse(app).vehicles_rebuilt)
        _digest(app)


def _differing(app: App) -> tuple[str, ...]:
    """Rebuild everything and name the exports that are not as they were."""
    before = _export_sums(app.store)
    analyse(app, full=True)
    after = _export_sums(app.store)
    return tuple(name for name in EXPORTS if before[name] != after[name])


def _export_sums(store: Path) -> dict[str, tuple[int, int]]:
    """Rows and a sum of row hashes of each export."""
    sums = {}
    with open_store(store, read_only=True) as con:
        for name, sql in EXPORTS.items():
            told = f"SELECT count(*), sum(hash(t)::HUGEINT) FROM ({sql}) t"
            sums[name] = (0, 0) if name in _OF_RUNS else con.execute(told).fetchall()[0]
    return sums


def _table_bytes(store: Path, table: str) -> int:
    with open_store(store, read_only=True) as con:
        blocks = query(
            con,
            f"""SELECT count(DISTINCT block_id) FROM pragma_storage_info('{table}')
                WHERE block_id >= 0""",
        ).item()
        size = query(con, "SELECT block_size FROM pragma_database_size() LIMIT 1").item()
    return int(blocks * size)


def _seconds_of(app: App, *words: str) -> float:
    """Run the command line in a process of its own, its modules compiled as an installer does."""
    where = ["--store", str(app.store), "--config", str(app.config.folder)]
    command = [sys.executable, "-m", "afterclear", *where, *words]
    compiled = {"PYTHONPYCACHEPREFIX": str(app.store.with_suffix(".compiled"))}
    env = os.environ | compiled | {"PYTHONDONTWRITEBYTECODE": ""}
    run = partial(subprocess.run, command, check=True, capture_output=True, env=env)
    return cost_of(run).seconds


def told(fleet: Fleet) -> str:
    """Write the figures of one size as lines of a table."""
    per_row = fleet.store_bytes / fleet.rows
    lines = [
        f"{fleet.rows:,} scan rows, {fleet.vehicles:,} vehicles",
        _line("bare read_csv into a table", fleet.bare_read),
        _line("load", fleet.load, fleet.bare_read.seconds, "x bare read"),
        _line("bare gaps and islands, in the database", fleet.bare_islands),
        *(
            _line(f"the same in {name}", cost)
            for name, cost in (("Polars", fleet.polars_islands), ("pandas", fleet.pandas_islands))
            if cost
        ),
        _line("histories", fleet.histories, fleet.bare_islands.seconds, "x bare islands"),
        _line("analysis, histories and all findings", fleet.analysis),
        _line("fleet digest", fleet.digest),
        _line("night: load, analysis, fleet digest", fleet.night, fleet.whole, "of the whole"),
        f"  night: {fleet.night_vehicles:,} vehicles rebuilt, {_told_difference(fleet)}",
        f"  store: {per_row:.1f} bytes a scan row, {fleet.scans_bytes / fleet.rows:.1f} the rows",
        f"  --help: {fleet.help_s:.2f} s, bare Python {fleet.bare_python_s:.2f} s",
        f"  vehicle ID: {fleet.vehicle_s:.2f} s",
    ]
    return "\n".join(lines)


def _line(what: str, cost: Cost, baseline_s: float = 0.0, unit: str = "") -> str:
    ratio = f"{cost.seconds / baseline_s:8.3f} {unit}" if baseline_s else ""
    return (
        f"  {what:<40}{cost.seconds:9.2f} s {cost.cpu_s:9.2f} cpu s {cost.peak_mb:7,.0f} MB{ratio}"
    )


def _told_difference(fleet: Fleet) -> str:
    if fleet.night_differs_in is None:
        return "not compared with a second whole rebuild at this size"
    if fleet.night_differs_in:
        return f"NOT as after a whole rebuild in: {', '.join(fleet.night_differs_in)}"
    return "every export as after a whole rebuild"


def main() -> None:
    """Measure one size and print it; the figures follow as a line of JSON."""
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    with tempfile.TemporaryDirectory(dir=sys.argv[2] if len(sys.argv) > 2 else None) as name:
        fleet = measure(rows, Path(name))
    print(told(fleet))
    print(json.dumps(asdict(fleet)))


if __name__ == "__main__":
    main()
