"""What is done to a garage, in this process or in one that ends at a chosen moment.

The moment is the n-th time the work asks the database or the file system for something, so that a
kill found once is the same kill again.
"""

import multiprocessing
import os
import signal
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any, Final, Literal

import pytest

from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.analysis.deciding import Asked, decide, undo
from afterclear.commands.app import App
from afterclear.commands.forgetting import forget, let_in
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.intake.replaying import replay
from afterclear.commands.intake.retracting import Otherwise, reassign, retract
from afterclear.commands.pages.write_digests import digest
from afterclear.commands.upkeep import backup, restore, vacuum
from afterclear.config import Config
from afterclear.errors import UsageError
from afterclear.store.engine.connection import Connection
from afterclear.store.engine.database import open_store, query
from afterclear.store.upkeep.retention import Retention

START: Final = multiprocessing.get_context("forkserver")
# what the server imports beside the work, so that no command's process imports it again
WARM: Final = "tests.faults.warm"
BY: Final = "Ottoline Vance"
# The names by which the program asks for something that a kill may come before.
_ASKS: Final = (
    *((Connection, name) for name in ("execute", "script", "relation")),
    *((os, name) for name in ("replace", "rename", "fsync", "unlink", "link", "mkdir", "rmdir")),
)


def garage_app(folder: Path, now: datetime) -> App:
    """Give the afterclear of a garage at a time."""
    return App(Config(folder / "config"), folder / "garage.duckdb", lambda: now)


def number_of(app: App, name: str) -> int:
    """Give the number of the load that counts of a file."""
    sql = """SELECT max(load_id) FROM loads
             WHERE file_name = ? AND outcome IN ('stored', 'refused')"""
    with open_store(app.store) as con:
        return int(query(con, sql, [name]).item() or 0)


def _load(app: App, name: str, given: str) -> None:
    whose = Whose(vehicle_id=given or None)
    load_paths(app, [app.store.parent / "files" / name], whose, lambda _: None)


def _undo(app: App, note: str) -> None:
    with open_store(app.store) as con:
        number = query(con, "SELECT decision_id FROM decisions WHERE note = ?", [note]).item()
    undo(app, number, BY)


def _backup(app: App, number: int) -> None:
    (target := backup_file(app, number)).unlink(missing_ok=True)
    backup(app, target)


def backup_file(app: App, number: int) -> Path:
    """Give a backup's place."""
    return app.store.parent / "backups" / f"{number}.tar"


def _upgrade(app: App) -> None:
    with open_store(app.store):
        pass


WORK: Final[dict[str, Callable[..., Any]]] = {
    "upgrade": _upgrade,
    "load": _load,
    "retract": lambda app, name: retract(app, [number_of(app, name)], lambda _: None),
    "reassign": lambda app, name, vehicle: reassign(
        app, number_of(app, name), Otherwise(vehicle), lambda _: None
    ),
    "replay": lambda app: replay(app, [], lambda _: None, everything=True),
    "decide": lambda app, vehicle, note: decide(app, Asked(vehicle, "accept", BY, note=note)),
    "undo": _undo,
    "forget": forget,
    "allow": let_in,
    "analyse": analyse,
    "digest": digest,
    "vacuum": lambda app: vacuum(app, Retention()),
    "backup": _backup,
    "restore": lambda app, number: restore(app, backup_file(app, number), replacing=True),
}


End = Literal["killed", "done", "refused"]
_REFUSED: Final = 3


def killed_at(folder: Path, now: datetime, asks: int, work: tuple[Any, ...]) -> End:
    """Do work in a process of its own that is killed when it asks so often; tell how it ended."""
    START.set_forkserver_preload([__name__, WARM])
    child = START.Process(target=_work_and_die, args=(folder, now, asks, work))
    child.start()
    child.join()
    ends: dict[int | None, End] = {-signal.SIGKILL: "killed", 0: "done", _REFUSED: "refused"}
    return ends[child.exitcode]


def _work_and_die(folder: Path, now: datetime, asks: int, work: tuple[Any, ...]) -> None:
    name, *given = work
    app = garage_app(folder, now)
    left = [asks]
    with pytest.MonkeyPatch.context() as patched:
        for place, called in _ASKS:
            patched.setattr(place, called, _counted(getattr(place, called), left))
        try:
            WORK[name](app, *given)
        except UsageError:
            sys.exit(_REFUSED)


def _counted(call: Callable[..., Any], left: list[int]) -> Callable[..., Any]:
    def counted(*args: Any, **kwargs: Any) -> Any:
        left[0] -= 1
        if left[0] == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return call(*args, **kwargs)

    return counted
