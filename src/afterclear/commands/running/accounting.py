"""What a run does is recorded, logged and counted, whatever becomes of it.

Kept apart from what a job does: whoever loads a file need not wait for the estimators' libraries.
The record is the store's and has every word; the log has none that may name a vehicle.
"""

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import TYPE_CHECKING, Final

from afterclear.commands.app import App
from afterclear.config import without_secrets
from afterclear.errors import (
    AfterclearError,
    StoreError,
    UnreachableError,
    UsageError,
    for_log,
    unfilled,
)
from afterclear.records import LoadResult
from afterclear.store.engine.database import Connection, open_store
from afterclear.store.engine.stop_signal import is_stopping, stop_explained
from afterclear.store.intake.forgotten_names import Door, the_door
from afterclear.store.queries.journal import Outcome, Run, add_run

if TYPE_CHECKING:
    from afterclear.commands.intake.loading import LoadReport
    from afterclear.commands.pages.mailing import SentReport
    from afterclear.commands.running.nightly import RunReport

_log = logging.getLogger("afterclear.jobs")
_SHOWN: Final = 12  # digits of a hash, as elsewhere
_OUTCOME_OF_EXIT: Final[dict[int, Outcome]] = {
    0: "done",
    1: "failed",
    3: "refused",
    4: "out_of_reach",
}


@dataclass(slots=True)
class Account:
    """What a run reports while it works."""

    outcome: Outcome = "done"
    report: dict[str, object] = field(default_factory=dict)
    error: str = ""  # that ended it, for the log

    def fail(self, error: Exception, said: str) -> None:
        """Report the error that ended it."""
        self.outcome = "out_of_reach" if isinstance(error, UnreachableError) else "failed"
        self.report["error"], self.error = without_secrets(said), for_log(error)

    def add_load(self, load: "LoadReport") -> None:
        """Count what a load did."""
        self.outcome = _OUTCOME_OF_EXIT[load.exit_code]
        self.report |= {
            "files": len(load.results),
            "files_refused": sum(r.outcome == "refused" for r in load.results),
            "rows_read": sum(r.rows_read for r in load.results),
            "rows_stored": sum(r.rows_stored for r in load.results),
            "rows_duplicate": sum(r.rows_duplicate for r in load.results),
            "rows_refused": load.rows_rejected,
            "out_of_reach": list(load.out_of_reach),
            "unsettled": len(load.unsettled),
        }

    def add_run(self, run: "RunReport") -> None:
        """Count what a whole run did."""
        self.add_load(run.load)
        self.report["attempts"] = run.analysis.verdicts.n_attempts
        self.report["pages"] = run.digest.n_pages
        self.add_sent(run.sent)

    def add_sent(self, sent: "SentReport") -> None:
        """Count the messages sent, and report those that were not."""
        if sent.failed:
            self.outcome = "out_of_reach"
            self._add("not_sent", len(sent.failed))
            reason = self.report.setdefault("not_sent_why", [])
            reason += [without_secrets(text) for text in sent.failed]  # type: ignore[operator]
        if sent.sent:
            self._add("sent", len(sent.sent))

    def _add(self, name: str, n: int) -> None:
        before = self.report.get(name, 0)
        self.report[name] = n + (before if isinstance(before, int) else 0)


@dataclass(frozen=True, slots=True)
class Due:
    """When a job was due, and how many earlier times it makes up for."""

    at: datetime | None = None
    n_missed: int = 0


@contextmanager
def accounted(app: App, job: str, due: Due = Due()) -> Iterator[Account]:
    """Record, log and count what the block does, whatever the outcome."""
    account, started_at = Account(), app.clock()
    is_mistyped = False
    _log.info("job begins", extra={"facts": {"job": job, "missed": due.n_missed}})
    try:
        with stop_explained():
            yield account
    except UsageError as error:
        # a person sees it at once, and nothing was done that others should check
        is_mistyped = due.at is None
        account.fail(error, str(error))
        raise
    except AfterclearError as error:
        account.fail(error, str(error))
        raise
    except Exception as error:
        account.fail(error, repr(error))
        raise
    except BaseException:
        account.outcome = "stopped"
        raise
    finally:
        run = Run(
            job,
            due.at,
            due.n_missed,
            started_at,
            app.clock(),
            account.outcome,
            account.report,
        )
        _log_end(run, account.error)
        _tell(app, run, remembered=not is_mistyped)


def log_load(result: LoadResult) -> None:
    """Log what became of a file; its name and the reason stand in the ledger under its number."""
    facts = {
        "source": result.source,
        "outcome": result.outcome,
        "load": result.load_id,
        "sha256": result.sha256[:_SHOWN],
        "rows_read": result.rows_read,
        "rows_stored": result.rows_stored,
        "rows_duplicate": result.rows_duplicate,
        "rows_refused": result.rows_rejected,
        "why": unfilled(result.note),
    }
    level = logging.WARNING if result.outcome in ("refused", "left") else logging.INFO
    _log.log(level, "file", extra={"facts": facts})


def log_and(on_load: Callable[[LoadResult], None]) -> Callable[[LoadResult], None]:
    """Give a listener that logs each file and passes it on."""

    def both(result: LoadResult) -> None:
        log_load(result)
        on_load(result)

    return both


def _log_end(run: Run, error: str) -> None:
    level = logging.INFO if run.outcome == "done" else logging.WARNING
    counts = {
        name: len(said) if isinstance(said, list) else said
        for name, said in run.report.items()
        if not isinstance(said, str)
    }
    why = {"error": error} if error else {}
    facts = {"job": run.job, "outcome": run.outcome, **counts, **why}
    _log.log(level, "job ended", extra={"facts": facts})


def _tell(app: App, run: Run, *, remembered: bool) -> None:
    # a full, held or missing store is why the run failed: it is reported already
    with suppress(StoreError):
        if remembered and app.store.exists():
            with open_store(app.store, doing="run report") as con:
                add_run(con, _without_forgotten(con, run))
            if not is_stopping():  # a process asked to stop does nothing more
                _publish_metrics(app)


def _without_forgotten(con: Connection, run: Run) -> Run:
    """Write a report without forgotten vehicles: a source may go on listing files named by one."""
    door = the_door(con)
    if door is None:
        return run
    return replace(run, report={name: _erased(said, door) for name, said in run.report.items()})


def _erased(said: object, door: Door) -> object:
    if isinstance(said, list):
        return [_erased(each, door) for each in said]
    return door.erased_from(said) if isinstance(said, str) else said


def _publish_metrics(app: App) -> None:
    if app.config.settings.watching.metrics_file is None:
        return
    from afterclear.commands.queries.store_metrics import publish_metrics  # noqa: PLC0415 - slow

    publish_metrics(app)
