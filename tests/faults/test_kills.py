"""SIGKILL at random moments of load, analyse, digest and backup.

After each: the store passes every check, nothing is lost or doubled, and the same work done
again gives what it gives undisturbed.  What was found after the kills is counted and printed.
"""

import multiprocessing
import random
import shutil
import signal
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

from afterclear.commands.upkeep import check
from afterclear.errors import StoreError
from afterclear.store.engine.database import open_store, query
from afterclear.store.upkeep.backup import verify_backup
from tests.campaigns import counted, counted_kills, repeats
from tests.faults.child import WORK, app_in
from tests.faults.garage_work import WARM
from tests.store.care_fixture import exports
from tests.store.test_kill import deliveries

KILLS_EACH = repeats(20)  # more of them: python -m tests.campaigns kills
# forked from a server that has imported everything, so that a kill falls into the work itself
START = multiprocessing.get_context("forkserver")
BEFORE = {"load": (), "analyse": ("load",), "digest": ("load", "analyse")}
BEFORE["backup"] = (*BEFORE["digest"], "digest")
# when something was loaded or run is not what a kill may change
_OF_THE_RUN = ("digests", "sent")


def prepared(folder: Path, work: str) -> Path:
    """Give a folder in which all but the last piece of work is done."""
    (folder / "inbox").mkdir(parents=True)
    deliveries(folder / "inbox")
    for name in BEFORE[work]:
        WORK[name](folder)
    return folder


def started(work: str, folder: Path) -> multiprocessing.process.BaseProcess:
    child = START.Process(target=WORK[work], args=(folder,))
    child.start()
    return child


def seconds_of(work: str, folder: Path) -> float:
    begun = time.perf_counter()
    child = started(work, folder)
    child.join()
    assert child.exitcode == 0
    return time.perf_counter() - begun


def _rows(folder: Path, sql: str) -> int:
    store = app_in(folder).store
    if not store.exists():
        return -1
    try:
        with open_store(store, read_only=True) as con:
            return int(query(con, sql).item())
    except StoreError:
        return -1  # killed while its schema was made


def _loads(folder: Path) -> str:
    return f"{max(_rows(folder, 'SELECT count(*) FROM loads'), 0)} of 3 files loaded"


def _analysis(folder: Path) -> str:
    if _rows(folder, "SELECT count(*) FROM unfinished"):
        waiting = _rows(folder, "SELECT count(*) FROM stale_vehicles")
        return f"unfinished, and marked so; histories {'waiting' if waiting else 'rebuilt'}"
    return "finished" if _rows(folder, "SELECT count(*) FROM analyses") else "not begun"


def _digest(folder: Path) -> str:
    pages = len(list((app_in(folder).reports).rglob("*.html")))
    kept = _rows(folder, "SELECT count(*) FROM digests")
    return f"{'no' if not pages else 'some or all'} pages, {'in' if kept else 'not in'} the store"


def _backup(folder: Path) -> str:
    target = folder / "backups" / "b.tar"
    if not target.exists():
        return "no file of that name"
    verify_backup(target)  # one that is there is whole
    target.unlink()
    return "whole"


FOUND: dict[str, Callable[[Path], str]] = {
    "load": _loads,
    "analyse": _analysis,
    "digest": _digest,
    "backup": _backup,
}


def everything(folder: Path) -> dict[str, str]:
    """Every export, and the number of pages and backups."""
    app = app_in(folder)
    told = exports(app, *_OF_THE_RUN)
    told["pages"] = str(len(list(app.reports.rglob("*.html"))))
    told["backups"] = str(len(list((folder / "backups").glob("b.tar"))))
    return told


@pytest.mark.slow
@pytest.mark.parametrize("work", list(WORK))
def test_a_kill_loses_and_doubles_nothing(tmp_path: Path, work: str) -> None:
    START.set_forkserver_preload(["tests.faults.child", WARM])
    template = prepared(tmp_path / "template", work)
    whole = shutil.copytree(template, tmp_path / "whole")
    seconds_of(work, shutil.copytree(template, tmp_path / "warm"))
    took_s = seconds_of(work, whole)
    expected = everything(whole)

    chance = random.Random(f"{work} 20261125")  # noqa: S311 - moments, not secrets
    found: Counter[str] = Counter()
    n_kills = 0
    for number in range(KILLS_EACH):
        folder = shutil.copytree(template, tmp_path / f"killed{number}")
        child = started(work, folder)
        # one in each stretch of the work: no phase is missed by chance
        child.join(1.1 * took_s * (number + chance.random()) / KILLS_EACH)
        child.kill()
        child.join()
        n_kills += child.exitcode == -signal.SIGKILL  # otherwise it was done before
        found[FOUND[work](folder)] += 1
        app = app_in(folder)
        if app.store.exists():
            with open_store(app.store):
                pass  # what a killed process left in the log is folded in
            assert check(app, quick=True).wrong == (), f"{work}, kill {number}"
        WORK[work](folder)
        assert everything(folder) == expected, f"{work}, kill {number}"
        report = check(app, quick=number % 10 != 0)
        assert report.wrong == (), f"{work}, kill {number}, done again"
        left = [p.name for p in folder.iterdir() if ".reading" in p.name or ".tmp" in p.name]
        assert left == [], f"{work}, kill {number}, done again"
        shutil.rmtree(folder)
    counted(n_kills, "kills")
    counted_kills({work: n_kills})
    print(f"\n{n_kills} kills of {work} within {took_s:.2f} s; found afterwards:")
    for state, times in sorted(found.items()):
        print(f"  {times:>3}  {state}")
    assert len(found) > 1, "every kill fell into the same phase: spread them better"
