"""Others write the store while a digest's pages are written: the pages show the state before.

The digest is a process of its own, held up after its first page for as long as a test wants.
"""

from pathlib import Path

import pytest

from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.app import App
from afterclear.commands.forgetting import forget
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.pages.write_digests import digest, make_digest
from afterclear.commands.upkeep import backup, check, restore
from afterclear.config import Config
from afterclear.digest.common.file_names import vehicle_page
from afterclear.errors import StoreInUseError
from afterclear.store.engine import locking, snapshot
from afterclear.store.engine.database import open_store, scalar
from afterclear.store.engine.working import dead_folders
from tests.commands.small_fleet import AS_OF, small_fleet
from tests.faults.child import held_by_another

_SLOW_PAGES = """
import sys
from pathlib import Path
from afterclear.commands.running.accounting import Due
from afterclear.commands.running.jobs import do_job
from afterclear.commands.pages import write_digests
from afterclear.config import NamedJob
from tests.faults.test_beside_pages import app_at
app = app_at(Path(sys.argv[1]))
at_once = write_digests.write_digest
def slowly(pages, *where):
    def held():
        for i, page in enumerate(pages):
            yield page
            if i == 0:
                print("held", flush=True)
                sys.stdin.readline()
    return at_once(held(), *where)
write_digests.write_digest = slowly
"""
_DIGEST = f"{_SLOW_PAGES}\nwrite_digests.digest(app)"
_JOB = f"""{_SLOW_PAGES}
job = NamedJob(name="a", does="digest", every="1d")
do_job(app, job, Due(), lambda _: None)
"""

_MORE = (
    "scan_id,vehicle_id,scanned_at,odometer_km,scan_scope,ecu,code\n"
    "later,K-4,2026-05-19T08:00:00Z,38000,full,engine,P0171\n"
)


def app_at(folder: Path) -> App:
    return App(Config(folder / "config"), folder / "afterclear.duckdb", lambda: AS_OF)


def load_more(app: App) -> None:
    file = app.store.parent / "inbox" / "more.csv"
    file.write_text(_MORE, encoding="utf-8")
    load_paths(app, [file], Whose(), lambda _: None)


def pages_in(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): path.read_text(encoding="utf-8")
        for path in folder.rglob("*")
        if path.is_file()
    }


@pytest.mark.slow
@pytest.mark.parametrize("work", [_DIGEST, _JOB], ids=["digest", "job"])
def test_a_load_and_an_analysis_end_while_pages_are_written_and_are_on_none_of_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, work: str
) -> None:
    undisturbed = pages_in(digest(small_fleet(tmp_path / "undisturbed")).index.parent)
    app = small_fleet(tmp_path / "disturbed")
    monkeypatch.setattr(locking, "WRITER_WAITS_S", 3.0)
    with held_by_another(work, app.store.parent) as child:
        load_more(app)
        analyse(app)
        assert child.poll() is None, "the pages were written before"
        child.communicate("go\n")
        assert child.returncode == 0
    assert pages_in(app.reports) == undisturbed
    with open_store(app.store, read_only=True) as con:
        assert scalar(con, "SELECT count(*) FROM digests") == 1
        assert scalar(con, "SELECT count(*) FROM scans WHERE scan_id = 'later'") == 1
    assert check(app).wrong == ()
    assert not list(app.store.parent.glob(".pages-*"))
    told = digest(app).index.parent / vehicle_page("K-4")
    assert "P0171" in told.read_text(encoding="utf-8")


@pytest.mark.slow
def test_a_second_digest_a_forgetting_and_a_restore_wait_for_the_pages_of_the_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Pages would be mixed, or of a vehicle just forgotten, or noted in a store that is another."""
    app = small_fleet(tmp_path)
    backup(app, tmp_path / "b.tar")
    monkeypatch.setattr(locking, "WRITER_WAITS_S", 0.3)
    with held_by_another(_DIGEST, tmp_path) as child:
        with pytest.raises(StoreInUseError, match=f"'digest', process {child.pid} on"):
            make_digest(app)
        with pytest.raises(StoreInUseError, match=f"'digest', process {child.pid} on"):
            forget(app, "K-4")
        with pytest.raises(StoreInUseError, match=f"'digest', process {child.pid} on"):
            restore(app, tmp_path / "b.tar", replacing=True)
        child.communicate("go\n")
        assert child.returncode == 0
    assert (app.reports / vehicle_page("K-4")).exists()
    forget(app, "K-4")
    assert not (app.reports / vehicle_page("K-4")).exists()


@pytest.mark.slow
def test_a_digest_killed_between_two_pages_leaves_nothing_that_the_next_one_does_not_remove(
    tmp_path: Path,
) -> None:
    undisturbed = pages_in(digest(small_fleet(tmp_path / "undisturbed")).index.parent)
    app = small_fleet(tmp_path / "killed")
    with held_by_another(_DIGEST, app.store.parent) as child:
        child.kill()
        child.wait()
    assert dead_folders(app.store.parent, "pages")
    app.sweep()
    assert not list(app.store.parent.glob(".pages-*"))
    assert pages_in(digest(app).index.parent) == undisturbed


@pytest.mark.slow
@pytest.mark.parametrize("why", ["no room", "no copies wanted"])
def test_without_a_copy_the_store_is_held_until_the_pages_are_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, why: str
) -> None:
    settings = "[store]\ncopy_for_readers = false\n" if why == "no copies wanted" else ""
    app = small_fleet(tmp_path, settings)
    code = _DIGEST
    if why == "no room":
        code = _DIGEST.replace(
            "at_once =",
            "from afterclear.commands.pages import still_store\n"
            "still_store.private_copy = lambda *_: None\nat_once =",
        )
    monkeypatch.setattr(locking, "WRITER_WAITS_S", 0.3)
    with held_by_another(code, tmp_path) as child:
        with pytest.raises(StoreInUseError, match=f"'digest', process {child.pid} on"):
            load_more(app)
        child.communicate("go\n")
        assert child.returncode == 0
    load_more(app)


def test_nobody_waits_longer_than_half_a_minute_for_another() -> None:
    """Neither for pages nor for anything else; who waits longer holds what is done already."""
    assert max(locking.WRITER_WAITS_S, locking.READER_WAITS_S) <= 30


def test_a_copy_for_which_there_is_no_room_is_not_left_half_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    store = tmp_path / "a.duckdb"
    store.write_bytes(b"some bytes")
    monkeypatch.setattr(snapshot.shutil, "copyfileobj", full)
    assert snapshot.private_copy(store, tmp_path / "copy.duckdb") is None
    assert not (tmp_path / "copy.duckdb").exists()
