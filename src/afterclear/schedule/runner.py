"""The scheduler: one job at a time, missed ones made up for once, until a signal.

The scheduler only waits and hands over due jobs; ``times.py`` works out the due times from the
store's record of the last one, so that a restart loses none and a clock set back repeats none.  All
jobs run in the main thread, one after another: they cannot overlap, and a signal stops the one at
work.
"""

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from queue import SimpleQueue
from typing import NoReturn

from apscheduler.schedulers.background import BackgroundScheduler

from afterclear.commands.app import App
from afterclear.commands.queries.store_metrics import metrics_now
from afterclear.commands.running.accounting import Due
from afterclear.commands.running.jobs import do_job
from afterclear.commands.scheduler_state import hold_timetable, times_attended
from afterclear.config import NamedJob
from afterclear.errors import AfterclearError, ConfigError, for_log
from afterclear.observe.metrics import Board, endpoint
from afterclear.records import LoadResult
from afterclear.schedule.times import Next, check_times, next_time, weekday_notice

_log = logging.getLogger("afterclear.schedule")


@dataclass(frozen=True, slots=True)
class Heard:
    """Callbacks: for each file, and for each job with a sentence."""

    load: Callable[[LoadResult], None]
    job: Callable[[str], object]


def keep_timetable(app: App, heard: Heard) -> NoReturn:
    """Run the jobs of the timetable until a signal.

    Raises:
        StoreError: another process keeps this store's timetable; says which.
        ConfigError: there is no job, or its time is not valid.
        Stopped: a signal came.

    """
    jobs = app.config.timetable.jobs
    if not jobs:
        raise ConfigError("schedule.toml has no job.")
    check_times(jobs, app.clock())
    with hold_timetable(app), _answering(app) as board:
        _Keeper(app, heard, board).keep(jobs)


class _Keeper:
    """The loop, with its state between jobs."""

    def __init__(self, app: App, heard: Heard, board: Board) -> None:
        self._app, self._heard, self._board = app, heard, board
        self._scheduler = BackgroundScheduler(timezone=UTC)
        self._due: SimpleQueue[tuple[NamedJob, Next]] = SimpleQueue()

    def keep(self, jobs: tuple[NamedJob, ...]) -> NoReturn:
        attended = times_attended(self._app)
        for notice in filter(None, map(weekday_notice, jobs)):
            self._heard.job(notice)
        for job in jobs:
            self._plan(job, attended.get(job.name))
        self._refresh()
        self._scheduler.start()
        try:
            while True:
                self._do(*self._due.get())
        finally:
            self._scheduler.shutdown(wait=False)

    def _plan(self, job: NamedJob, last: datetime | None) -> None:
        due = next_time(job, last, self._app.clock())
        self._heard.job(_announced(job, due, self._app.clock()))
        self._scheduler.add_job(
            self._due.put, "date", run_date=due.at, args=[(job, due)], misfire_grace_time=None
        )

    def _do(self, job: NamedJob, due: Next) -> None:
        try:
            account = do_job(self._app, job, Due(due.at, due.n_missed), self._heard.load)
            self._heard.job(f"{job.name}: {account.outcome}")
        except AfterclearError as error:
            # what a timetable says goes into the journal of whoever keeps it, which is a log
            why = f"{for_log(error).rstrip('.')}. 'afterclear status' says more"
            self._heard.job(f"{job.name} failed: {why}. The next time it is tried again.")
        except Exception:  # noqa: BLE001
            # our own bug in one job must not end the others; it is logged in full
            _log.exception("job broke", extra={"facts": {"job": job.name}})
            self._heard.job(f"{job.name} broke; the log says how.")
        self._refresh()
        self._plan(job, due.at)

    def _refresh(self) -> None:
        # while another holds the store, the numbers stay as they were
        self._board.metrics = metrics_now(self._app) or self._board.metrics


def _announced(job: NamedJob, due: Next, now: datetime) -> str:
    if due.at <= now and due.n_missed:
        return f"{job.name}: missed {due.n_missed + 1} times; made up for by one run now"
    if due.at <= now:
        return f"{job.name}: due since {due.at:%Y-%m-%d %H:%M} UTC, runs now"
    return f"{job.name}: next at {due.at:%Y-%m-%d %H:%M} UTC"


@contextmanager
def _answering(app: App) -> Iterator[Board]:
    board = Board()
    port = app.config.settings.watching.metrics_port
    if port is None:
        yield board
        return
    with endpoint(port, board):
        yield board
