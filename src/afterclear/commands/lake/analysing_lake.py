"""Analyse a lake: histories and roles bucket by bucket on an engine, fits where this runs.

Buckets whose rows and rules are as before are not built again, whether an earlier run ended or was
killed. The driver (this process) gathers what the buckets left into a store of its own, judges it
by the functions that ``analyse`` calls, and publishes exports and, where wanted, pages.
"""

import hashlib
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, Final

from afterclear.commands.analysis.analysing import rule_tables, rules_version
from afterclear.commands.app import App
from afterclear.commands.lake.bucket_histories import SUMS_FOLDER, build_histories
from afterclear.commands.lake.bucket_job import (
    LINKS,
    OWN_CURES,
    UNFINISHED,
    Plan,
    Task,
    done,
    put_plan,
    tasks_of,
)
from afterclear.commands.lake.bucket_roles import ROLE_TABLES, tell_bucket_roles
from afterclear.commands.lake.lake_lock import holding_lake
from afterclear.commands.lake.publishing import publish
from afterclear.commands.pages.pseudonym_key import pseudonyms_of
from afterclear.commands.progress import QUIET, Progress
from afterclear.errors import UsageError
from afterclear.histories.build_histories import set_rules
from afterclear.lake.bucket_store import leave_tables, take_decisions, take_rows, take_tables
from afterclear.lake.contents import WHOLE, Contents, contents_there, files_of, named
from afterclear.lake.engine import HERE, Told, Work, Workers, one_after_another, workers_of
from afterclear.store.engine.database import Connection, open_store, scalar
from afterclear.store.engine.parquet_files import put_rows
from afterclear.store.queries.results import Analysis, add_analysis

if TYPE_CHECKING:
    from afterclear.commands.lake.lake_pages import MadePages
    from afterclear.findings.verdicts import Verdicts

__all__ = ["HERE"]  # so that the command line can name it without importing the engine

# Rows that findings ask for beside histories; of scans, those of vehicles in stock alone.
_ASKED_FOR: Final[Mapping[str, str]] = {
    "vehicles": "true",
    "repairs": "true",
    "scans": "vehicle_id IN (SELECT vehicle_id FROM store.vehicles "
    "WHERE stock_status = 'in_stock')",
}
_WORK: Final = "work"  # plans, for workers
_PAIRS: Final = f"{_WORK}/role_pairs.parquet"


@dataclass(frozen=True, slots=True)
class LakeReport:
    """What a run did, found and took."""

    as_of: datetime
    n_buckets: int
    n_built: int  # buckets that were not there from before
    run: Path  # folder of the exports
    n_pages: int  # beside them, in its folder ``pages``
    verdicts: "Verdicts"
    told: tuple[dict[str, Any], ...]  # by each task


@dataclass(slots=True)
class _Run:
    """What a run works with."""

    app: App
    lake: Path
    until: datetime
    settings: str
    version: str  # of the rules
    tasks: tuple[Task, ...]
    workers: Workers = one_after_another
    progress: Progress = QUIET
    told: list[dict[str, Any]] = field(default_factory=list)

    def round(self, name: str, work: Any, tasks: tuple[Task, ...], pairs: str = "") -> None:  # noqa: ANN401 - as the engine takes it
        """Let the workers do one thing to some buckets."""
        plan = f"{_WORK}/{name}.json"
        rules = self.app.history_rules(self.until)
        put_plan(self.lake / plan, Plan(self.settings, rules, tasks, pairs))
        self.work(partial(work, str(self.lake), plan), len(tasks))

    def work(self, asked: Work, n_tasks: int) -> list[Told]:
        """Let the workers do tasks 0 to n - 1; give what these told."""
        self.progress.begin(n_tasks)
        told = self.workers(asked, n_tasks, self.progress.advance)
        self.told += told
        return told


def analyse_lake(
    app: App,
    lake: Path,
    engine: str,
    *,
    as_of: datetime | None = None,
    pages: bool = False,
    progress: Progress = QUIET,
) -> LakeReport:
    """Bring a lake's results up to date with its rows, and publish them; ``pages``: with pages.

    Raises:
        UsageError: there is no lake, no such engine, or exports are to have tokens for names.
        StoreError: another process works on the lake, or the engine gave up.

    """
    if pseudonyms_of(app, public=False) is not None:
        raise UsageError(
            "Exports are to have tokens for names ([privacy] pseudonyms), and a lake has names. "
            "Take exports from a store, or leave the setting off for this command."
        )
    until = as_of or app.clock()
    place = lake.resolve()
    contents = contents_there(place)
    with (
        holding_lake(place, "lake-analyse"),
        workers_of(engine) as workers,
        TemporaryDirectory(prefix="afterclear-") as scratch,
        open_store(Path(scratch) / "fleet.duckdb") as con,
    ):
        _sweep_unfinished(place)
        run = _begun(app, con, place, contents, until)
        run.workers, run.progress = workers, progress
        todo = tuple(task for task in run.tasks if not (place / task.histories).exists())
        run.round("histories", build_histories, todo)
        verdicts = _judge(run, con)
        made = _make_pages(run, con) if pages else None
        published = publish(con, place, run.tasks, until, made.folder if made else None)
    n_pages = made.n_pages if made else 0
    built, told = (len(run.tasks), len(todo)), tuple(run.told)
    return LakeReport(until, *built, published, n_pages, verdicts, told)


def _begun(app: App, con: Connection, lake: Path, contents: Contents, until: datetime) -> _Run:
    """Gather the rows that are needed of the whole fleet, and name the buckets' tasks."""
    # the estimators' libraries take longer to load than most of what else a command does
    from afterclear.findings.cures.order_links import learn_links  # noqa: PLC0415

    for pieces in contents.by_bucket().values():
        take_rows(con, lake, pieces, _ASKED_FOR)
    take_decisions(con, [lake / file for file in files_of(contents.whole(), WHOLE)])
    version = rules_version(app, learn_links(con, app.catalogue, until))
    settings = _put_settings(app, con, lake, version)
    return _Run(app, lake, until, settings, version, tasks_of(contents, version, until))


def _sweep_unfinished(lake: Path) -> None:
    """Remove what tasks of a killed run left half done."""
    for folders in ("histories/bucket=*", "roles/bucket=*", "settings"):
        for left in lake.glob(f"{folders}/{UNFINISHED}*"):
            shutil.rmtree(left, ignore_errors=True)


def _put_settings(app: App, con: Connection, lake: Path, version: str) -> str:
    """Put what workers need beside rows into the lake; return its folder there.

    That is the tables of the settings, and what the fleet's orders add to them.
    """

    def leave(folder: Path) -> None:
        for path in rule_tables(app):
            target = folder / "tables" / path.relative_to(app.config.tables)
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, target)
        if app.config.own_cures:
            shutil.copyfile(app.config.own_cures, folder / OWN_CURES)
        leave_tables(con, folder, LINKS)

    name = f"settings/{hashlib.sha256(version.encode()).hexdigest()[:16]}"
    done(lake / name, leave)
    return name


def _judge(run: _Run, con: Connection) -> "Verdicts":
    """Gather the buckets' histories and judge them as one fleet."""
    from afterclear.commands.analysis.judging import judge_all  # noqa: PLC0415 - as above

    for task in run.tasks:
        take_tables(con, run.lake / task.histories)
    set_rules(con, run.app.history_rules(run.until))
    return judge_all(con, run.app, run.until, partial(_tell_roles, run))


def _make_pages(run: _Run, con: Connection) -> "MadePages":
    """Make the fleet's pages, those of vehicles by the workers."""
    from afterclear.commands.lake.lake_pages import make_pages  # noqa: PLC0415 - as above

    now = run.app.clock()
    n_vehicles = scalar(con, "SELECT count(*) FROM store.vehicle_words")
    done = Analysis(1, run.until, 0, True, run.version, n_vehicles, now, now)  # noqa: FBT003
    add_analysis(con, done)
    return make_pages(run.app, con, run.lake, run.until, run.work)


def _tell_roles(run: _Run, app: App, con: Connection) -> None:
    """Weigh the fleet's pairs, let the workers tell each bucket's roles, and gather these."""
    from afterclear.findings.roles.find_roles import find_related  # noqa: PLC0415
    from afterclear.findings.roles.pair_sums import SUMS, summed_pairs  # noqa: PLC0415
    from afterclear.findings.roles.role_facts import FactBook  # noqa: PLC0415

    book = FactBook(app.catalogue)
    places = [run.lake / task.histories / SUMS_FOLDER for task in run.tasks]
    summed_pairs(con, book, {n: [place / f"{n}.parquet" for place in places] for n in SUMS})
    put_rows(con, "FROM store.role_pairs ORDER BY ALL", run.lake / _PAIRS)
    key = hashlib.sha256((run.lake / _PAIRS).read_bytes()).hexdigest()
    run.tasks = tuple(
        replace(task, roles=f"roles/bucket={task.bucket}/{named((task.histories, key))}")
        for task in run.tasks
    )
    todo = tuple(task for task in run.tasks if not (run.lake / task.roles).exists())
    run.round("roles", tell_bucket_roles, todo, _PAIRS)
    for task in run.tasks:
        take_tables(con, run.lake / task.roles, ROLE_TABLES)
    find_related(con, book)
