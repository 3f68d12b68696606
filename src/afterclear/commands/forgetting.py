"""Forget a vehicle, step by step: after a kill between or in any of them it continues.

The store comes first, then each archived file, the files beside the store, the results without the
vehicle, and at last the store's file is rewritten, because a database file keeps deleted rows until
their space is used again.  The order of the steps is that of ``STEPS``.
"""

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC
from pathlib import Path
from typing import Final

from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.app import App
from afterclear.commands.scheduler_state import hold_desk
from afterclear.commands.trail import take_in
from afterclear.config import NamedJob
from afterclear.cut_out import Stays, what_stays
from afterclear.digest.common.file_names import pages_of_vehicle
from afterclear.errors import StoreError, UnknownVehicleError, UsageError, worded
from afterclear.readers.child.reading_process import Readers
from afterclear.readers.maps.import_map import load_maps
from afterclear.readers.registry import all_readers
from afterclear.records import Delivery
from afterclear.store.engine.archive import keep_bytes, taken_out
from afterclear.store.engine.database import Connection, open_store, transaction
from afterclear.store.engine.locking import holding, pages_lock
from afterclear.store.engine.snapshot import long_writing, sweep
from afterclear.store.intake.forgotten_names import allow, was_forgotten
from afterclear.store.queries.results import last_analysis
from afterclear.store.upkeep import forget as steps
from afterclear.store.upkeep.backup import backups_of
from afterclear.store.upkeep.forget import ArchivedFile, Forgotten, Job
from afterclear.store.upkeep.vacuum import compact, unowed

_REMAINS: Final = worded(
    """\
What remains: in the ledger, how many rows each file had and the hash of its bytes, so that the
same file is not loaded again; and keyed hashes of the vehicle's number, VINs and plates, by which
its rows are refused from now on ('afterclear forget allow NAME' lets them in again).  Not erased:
backups made before, digests and exports written before ('afterclear digest' writes the present
ones anew), the delivered files in their folders, and files that wait at an open desk.  Apart from
the backups of the timetable, this program does not know where they are.  Logs name no vehicle."""
)


def forget(app: App, vehicle_id: str) -> Forgotten:
    """Erase a vehicle, judge the rest of the fleet again, and rewrite the store's file.

    A forgetting that was killed is finished first, whichever vehicle's it was.

    Raises:
        UnknownVehicleError: no row names the vehicle.

    """
    with _alone(app):
        finished = _finish(app)
        with open_store(app.store) as con:
            take_in(app, con)
            if not steps.is_known(con, vehicle_id):
                if finished is not None and was_forgotten(con, vehicle_id):
                    return finished
                if was_forgotten(con, vehicle_id):
                    return Forgotten(was_before=True)
                raise UnknownVehicleError(vehicle_id)
            steps.begin(con, vehicle_id, pages_of_vehicle(vehicle_id), app.clock())
        return _finish(app) or Forgotten()


def finish(app: App) -> Forgotten | None:
    """Finish a forgetting that was killed, whichever vehicle's it was; None: none was."""
    with _alone(app):
        return _finish(app)


@contextmanager
def _alone(app: App) -> Iterator[None]:
    """Hold the store, and keep out whoever writes pages of a state with the vehicle."""
    with (
        holding(pages_lock(app.store), "forget"),
        long_writing(app.store, "forget", copy=False),
    ):
        yield


def let_in(app: App, name: str) -> int:
    """Let a forgotten vehicle's rows come in again; return how many of its names are let in."""
    with open_store(app.store) as con:
        return allow(con, name)


def question(vehicle_id: str) -> str:
    """Ask whether a vehicle is to be forgotten."""
    return worded("Erase vehicle {vehicle} for good", vehicle=vehicle_id)


def remains(app: App) -> list[str]:
    """Say what a forgetting leaves, and which backups of the timetable still name the vehicle."""
    listed = [
        told
        for job in app.config.timetable.jobs
        if job.does == "backup" and (told := _backups_left(app, job))
    ]
    return [_REMAINS, *listed]


def _backups_left(app: App, job: NamedJob) -> str:
    folder = app.config.beside(job.into or Path())
    try:
        n_made = len(backups_of(job.name, folder))
    except FileNotFoundError:
        return ""
    except OSError as error:
        why = error.strerror or ""
        return worded("Backups in {folder} cannot be listed: {why}.", folder=folder, why=why)
    if not n_made:
        return ""
    return worded(
        "Backups of the job {job!r} made before are in {folder}: {n}. The last of them goes when "
        "{keep} more are made; delete them to be rid of them sooner.",
        job=job.name,
        folder=folder,
        n=n_made,
        keep=job.keep,
    )


def _finish(app: App) -> Forgotten | None:
    """Go through the steps that are left; None: no forgetting was under way."""
    done = None
    while True:
        with open_store(app.store) as con:
            job = steps.job_under_way(con)
            done = steps.report(con) if job else done
        if job is None:
            return done
        STEPS[job.step](app, job)


def _from_store(app: App, job: Job) -> None:
    with open_store(app.store) as con:
        steps.erase_from_store(con, job, app.clock())


def _from_archive(app: App, job: Job) -> None:
    """Archive each file again without the vehicle, or remove it; one after another."""
    readers = Readers(
        all_readers(load_maps(app.config.imports), app.reading_limits), app.reading_limits
    )
    with readers, open_store(app.store) as con:
        while (file := steps.next_archived(con)) is not None:
            stays = _what_stays(app, file, job, readers)
            kept = stays.content
            if stays.is_changed and kept is not None:
                name = keep_bytes(app.archive, kept, Path(file.name).suffix)
            else:
                name = None
            steps.done_with(con, file, name, app.clock(), is_changed=stays.is_changed)
        with transaction(con):
            steps.go_to(con, "beside")


def _what_stays(app: App, file: ArchivedFile, job: Job, readers: Readers) -> Stays:
    try:
        with taken_out(app.archive, file.kept, file.name) as plain:
            if file.changed_at is not None:  # a log with a clock of its own is dated by its file
                os.utime(plain.path, (file.changed_at, file.changed_at))
            begun = file.started_at.replace(tzinfo=UTC) if file.started_at else None
            delivery = Delivery(
                "", file.name, plain.path, file.kept, file.zone, file.vehicle_id, begun
            )
            return what_stays(delivery, job.called, readers, speaks=file.speaks)
    except StoreError:  # lost or changed: its content is not known
        return Stays(None, is_changed=True)


def _beside(app: App, job: Job) -> None:
    """Remove files beside the store: bytes no load needs, old copies, the vehicle's pages."""
    sweep(app.store)
    with open_store(app.store) as con:
        for path in unowed(con, app.archive):
            path.unlink(missing_ok=True)
        for copy in app.store.parent.glob(f"{app.store.name}.before-*"):
            copy.unlink(missing_ok=True)
        for called in job.pages:
            for pattern in (called, steps.page_before(called, "*")):
                for page in app.reports.rglob(Path(pattern).name):
                    page.unlink(missing_ok=True)
        with transaction(con):
            steps.go_to(con, "results")
    # what a desk that was killed left; one that is open still has its own
    with suppress(UsageError), hold_desk(app) as brought:
        shutil.rmtree(brought, ignore_errors=True)


def _judge_anew(app: App, _: Job) -> None:
    with open_store(app.store) as con:
        before = last_analysis(con)
    if before is not None:
        analyse(app, as_of=before.as_of)
    with open_store(app.store) as con, transaction(con):
        steps.go_to(con, "compact")


def _write_anew(app: App, _: Job) -> None:
    compact(app.store)
    with open_store(app.store) as con:
        steps.close(con)


STEPS: Final[dict[steps.Step, Callable[[App, Job], None]]] = {
    "rows": _from_store,
    "archive": _from_archive,
    "beside": _beside,
    "results": _judge_anew,
    "compact": _write_anew,
}


def is_half_done(con: Connection) -> bool:
    """Whether a vehicle is half forgotten."""
    return steps.job_under_way(con) is not None
