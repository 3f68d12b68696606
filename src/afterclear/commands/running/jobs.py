"""One job of the timetable: done, recorded, logged, counted."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.app import App
from afterclear.commands.intake.loading import load_sources
from afterclear.commands.pages.mailing import send_digest, send_urgent
from afterclear.commands.pages.still_store import written_then_still
from afterclear.commands.pages.write_digests import AUDIENCES, DigestAsked, make_digest
from afterclear.commands.running.accounting import Account, Due, accounted, log_and
from afterclear.commands.running.nightly import run_once
from afterclear.commands.upkeep import backup, check, vacuum
from afterclear.config import NamedJob
from afterclear.errors import StoreError
from afterclear.records import LoadResult
from afterclear.store.engine.stop_signal import stop_explained
from afterclear.store.upkeep.backup import backups_of


def do_job(app: App, job: NamedJob, due: Due, on_load: Callable[[LoadResult], None]) -> Account:
    """Do one job of the timetable."""
    with stop_explained(), accounted(app, job.name, due) as account:
        _DOES[job.does](app, job, account, on_load)
    return account


# --- what a job can be ----------------------------------------------------------------------


def _run(app: App, job: NamedJob, account: Account, on_load: Callable[[LoadResult], None]) -> None:
    report = run_once(app, log_and(on_load), only=job.sources)
    account.add_run(report)


def _load(app: App, job: NamedJob, account: Account, on_load: Callable[[LoadResult], None]) -> None:
    account.add_load(load_sources(app, log_and(on_load), only=job.sources))


def _analyse(app: App, _: NamedJob, account: Account, __: Callable[[LoadResult], None]) -> None:
    report = analyse(app)
    account.report["attempts"] = report.verdicts.n_attempts
    account.report["vehicles_rebuilt"] = report.vehicles_rebuilt


def _digest(app: App, job: NamedJob, account: Account, __: Callable[[LoadResult], None]) -> None:
    # a digest shows what is loaded now
    with written_then_still(app, "digest", lambda: analyse(app)) as (_, still):
        report, model = make_digest(app, DigestAsked(audiences=job.audiences or AUDIENCES), still)
    account.report["pages"] = report.n_pages
    # first, and even if the mail fails: it is about safety
    account.add_sent(send_urgent(app, model))
    if job.email:
        account.add_sent(send_digest(app, report, model))


def _backup(app: App, job: NamedJob, account: Account, _: Callable[[LoadResult], None]) -> None:
    folder = app.config.beside(job.into or Path())
    manifest = backup(app, folder / f"{job.name}-{app.clock():%Y-%m-%dT%H%M%SZ}.tar")
    account.report["archived_files"] = len(manifest.archive)
    for old in _beyond(backups_of(job.name, folder), job.keep):
        old.unlink()


def _beyond(backups: Sequence[Path], keep: int) -> Sequence[Path]:
    """Give the oldest of some backups, so that ``keep`` stay; names sort by time."""
    return backups[:-keep]


def _check(app: App, _: NamedJob, account: Account, __: Callable[[LoadResult], None]) -> None:
    wrong = check(app).wrong
    account.report["wrong"] = [f.says for f in wrong]
    if wrong:
        raise StoreError(f"The store is damaged: {wrong[0].says}")


def _vacuum(app: App, _: NamedJob, account: Account, __: Callable[[LoadResult], None]) -> None:
    account.report["bytes_saved"] = vacuum(app, app.retention).bytes_saved


_DOES: Final = {
    "run": _run,
    "load": _load,
    "analyse": _analyse,
    "digest": _digest,
    "backup": _backup,
    "check": _check,
    "vacuum": _vacuum,
}
