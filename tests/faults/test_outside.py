"""What the machine does to it: a full disk, a read-only folder, a clock set back, two at once.

After each the store passes ``check``, and the same work done again is right.
"""

import errno
import os
import shutil
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner

from afterclear.cli import main
from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.app import App
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.upkeep import backup, check, vacuum
from afterclear.errors import StoreError, StoreInUseError
from afterclear.readers.child.reading_process import Readers
from afterclear.readers.registry import all_readers
from afterclear.store.engine import database, locking
from afterclear.store.engine.database import is_copy, open_store, query, scalar
from afterclear.store.engine.failures import full_disk_explained
from afterclear.store.upkeep.retention import Retention
from tests.faults.child import NOW, app_in, held_by_another
from tests.store.care_fixture import copy_of_garage, export_text, exports
from tests.store.test_kill import deliveries


@contextmanager
def small_disk(folder: Path, size: str) -> Iterator[Path]:
    """Mount a file system of a few megabytes in memory; skips where that is not allowed."""
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={size}", "none", str(folder)]
    tried = sys.platform == "linux" and subprocess.run(mount, capture_output=True, check=False)
    if not tried or tried.returncode:
        pytest.skip("a small file system needs Linux and the right to mount")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def load_all(app: App) -> None:
    load_paths(app, [app.store.parent / "inbox"], Whose(), lambda _: None)


@pytest.fixture(scope="module")
def with_room(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Give what a load says on a disk with room enough."""
    whole = tmp_path_factory.mktemp("whole")
    (whole / "inbox").mkdir()
    deliveries(whole / "inbox")
    load_all(app_in(whole))
    return exports(app_in(whole), "loads")


@pytest.mark.slow
@pytest.mark.usefixtures("stores_made_in_earnest")
@pytest.mark.parametrize("size", ["300k", "700k", "1300k", "2m", "3m"])
def test_a_disk_that_fills_up_during_a_load_loses_nothing(
    tmp_path: Path, with_room: dict[str, str], size: str
) -> None:
    """The load says so; with room made, the same load ends as if nothing had happened."""
    with small_disk(tmp_path / "disk", size) as disk:
        app = app_in(disk)
        files = tmp_path / "inbox"
        files.mkdir()
        deliveries(files)
        try:
            load_paths(app, [files], Whose(), lambda _: None)
            outcome = "room enough"
        except StoreError as error:
            outcome = str(error).replace(str(disk), "DISK")
            assert "full" in outcome or "cannot be written" in outcome
        print(f"\n{size}: {outcome}")
        subprocess.run(["mount", "-o", "remount,size=200m", str(disk)], check=True)
        if app.store.exists():
            with open_store(app.store):
                pass
            assert check(app, quick=True).wrong == ()
        load_paths(app, [files], Whose(), lambda _: None)
        assert check(app, quick=True).wrong == ()
        assert exports(app, "loads") == with_room
        assert not list(disk.glob("**/incoming-*"))


def packed_scans(place: Path, n_rows: int = 3) -> Path:
    head = "scan_id,vehicle_id,scanned_at,odometer_km,scan_scope,ecu\n"
    rows = (f"S{n},V1,2025-12-20T08:00:00Z,{n},full,engine\n" for n in range(n_rows))
    with zipfile.ZipFile(place, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("scans.csv", head + "".join(rows))
    return place


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_disk_that_is_full_while_unpacking_is_not_the_archives_fault(tmp_path: Path) -> None:
    """Its first file is written to a device that is always full."""
    (tmp_path / "1.csv").symlink_to("/dev/full")
    packed = packed_scans(tmp_path / "a.zip")
    with Readers(all_readers()) as readers, pytest.raises(OSError, match="No space left") as told:
        readers.unpacked(packed, "a.zip", "zip", tmp_path)
    assert told.value.errno == errno.ENOSPC


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EDQUOT])
def test_an_archive_that_met_a_full_disk_is_loaded_when_there_is_room(
    number: int, tmp_path: Path
) -> None:
    def full(*_: object) -> None:
        raise OSError(number, os.strerror(number))

    (tmp_path / "inbox").mkdir()
    packed_scans(tmp_path / "inbox" / "a.zip")
    app = app_in(tmp_path)
    with pytest.MonkeyPatch.context() as disk:
        disk.setattr(Readers, "unpacked", full)
        with pytest.raises(StoreError, match="is full"):
            load_all(app)
    with open_store(app.store) as con:
        assert scalar(con, "SELECT count(*) FROM loads") == 0
    load_all(app)
    with open_store(app.store) as con:
        assert scalar(con, "SELECT count(*) FROM scans") == 3


@pytest.mark.slow
def test_a_small_disk_does_not_lose_a_large_archive(tmp_path: Path) -> None:
    """90 kB of zip unpack to more than the disk has; with room made, all of it is loaded."""
    packed = packed_scans(tmp_path / "a.zip", 100_000)
    with small_disk(tmp_path / "disk", "4m") as disk:
        app = app_in(disk)
        with pytest.raises(StoreError, match="is full"):
            load_paths(app, [packed], Whose(), lambda _: None)
        subprocess.run(["mount", "-o", "remount,size=200m", str(disk)], check=True)
        report = load_paths(app, [packed], Whose(), lambda _: None)
        assert [r.outcome for r in report.results] == ["stored", "stored"]
        assert report.results[0].rows_stored == 100_000
        assert not list(disk.glob("**/within-*"))


def test_no_room_for_temporary_files_is_told_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> str:
        raise FileNotFoundError(errno.ENOENT, "No usable temporary directory found in ['/tmp']")

    monkeypatch.setattr(tempfile, "mkdtemp", full)
    packed = packed_scans(tmp_path / "a.zip")
    told = CliRunner().invoke(
        main, ["--store", str(tmp_path / "x.duckdb"), "map-check", str(packed)]
    )
    assert told.exit_code == 2
    assert "TMPDIR" in told.output


def test_a_frame_that_finds_no_room_is_told_in_words(tmp_path: Path) -> None:
    """Frames are written by a library whose errors are its own, with the system's in words."""
    with pytest.raises(StoreError, match="TMPDIR"), full_disk_explained(tmp_path):
        pl.DataFrame({"a": [str(n) for n in range(100_000)]}).write_parquet("/dev/full")


@pytest.mark.slow
@pytest.mark.parametrize("work", ["analyse", "backup", "vacuum"])
def test_a_disk_that_fills_up_later_loses_nothing(
    template: Path, tmp_path: Path, work: str
) -> None:
    """Analysis, backup and vacuum on a disk that has room for the store and little more."""
    with small_disk(tmp_path / "disk", "200m") as disk:
        app = copy_of_garage(template, disk)
        expected = exports(app)
        taken = sum(f.stat().st_size for f in disk.rglob("*") if f.is_file())
        subprocess.run(
            ["mount", "-o", f"remount,size={taken // 1024 + 64}k", str(disk)], check=True
        )
        does = {
            "analyse": lambda: analyse(app, full=True),
            "backup": lambda: backup(app, disk / "b.tar"),
            "vacuum": lambda: vacuum(app, Retention()),
        }[work]
        try:
            does()
            print(f"\n{work}: room enough")
        except StoreError as error:
            print(f"\n{work}: {str(error).replace(str(disk), 'DISK')}")
            assert not (disk / "b.tar").exists()
        subprocess.run(["mount", "-o", "remount,size=200m", str(disk)], check=True)
        analyse(app)
        assert check(app).wrong == ()
        assert exports(app) == expected


_AS_NOBODY = """
import os, sys
from pathlib import Path
from afterclear.errors import AfterclearError
from tests.faults.child import WORK
for folder in sys.argv[3:]:  # done as root, so that all is imported: nobody may not read Python
    WORK[sys.argv[1]](Path(folder))
os.setgid(65534); os.setuid(65534)
try:
    WORK[sys.argv[1]](Path(sys.argv[2]))
except AfterclearError as error:
    print(type(error).__name__, error)
"""


@pytest.mark.skipif(os.name != "posix" or os.geteuid() != 0, reason="only root can become nobody")
def test_a_folder_that_may_not_be_written_is_told_and_nothing_is_changed() -> None:
    """A read-only folder, seen by a user without rights."""
    folder = Path("/var/tmp") / f"afterclear-test-{os.getpid()}"  # noqa: S108 - removed below
    (folder / "inbox").mkdir(parents=True)
    try:
        deliveries(folder / "inbox")
        folder.chmod(0o555)
        told = subprocess.run(
            [sys.executable, "-c", _AS_NOBODY, "load", str(folder)],
            capture_output=True,
            text=True,
            check=False,
            env=os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
        )
        assert told.stdout.startswith("DiskError The folder"), told
        assert sorted(p.name for p in folder.iterdir()) == ["inbox"]
    finally:
        folder.chmod(0o755)
        shutil.rmtree(folder)


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix" or os.geteuid() != 0, reason="only root can become nobody")
def test_a_store_in_a_folder_that_may_not_be_written_is_told(tmp_path: Path) -> None:
    """The database finds out only at the end of a transaction, where it puts its log."""
    folder = Path("/var/tmp") / f"afterclear-test-store-{os.getpid()}"  # noqa: S108 - removed below
    (folder / "inbox").mkdir(parents=True)
    try:
        deliveries(folder / "inbox")
        shutil.copytree(folder / "inbox", tmp_path / "inbox")
        first, *rest = sorted((folder / "inbox").iterdir())
        load_paths(app_in(folder), [first], Whose(), lambda _: None)
        assert rest, "something is left to load"
        for path in (folder, *folder.rglob("*")):
            os.chown(path, 65534, 65534)
        folder.chmod(0o555)
        told = subprocess.run(
            [sys.executable, "-c", _AS_NOBODY, "load", str(folder), str(tmp_path)],
            capture_output=True,
            text=True,
            check=False,
            env=os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
        )
        assert told.stdout.startswith("StoreError The store"), told
    finally:
        folder.chmod(0o755)
        shutil.rmtree(folder)


@pytest.mark.slow
def test_a_clock_set_back_an_hour_changes_no_result(template: Path, tmp_path: Path) -> None:
    """Loads and analyses at 12:00, then again at 11:00 with a new file, then at 13:00."""
    steady, moved = tmp_path / "steady", tmp_path / "moved"
    more = (
        "scan_id,vehicle_id,scanned_at,odometer_km,scan_scope,ecu\n"
        "S99,V2,2025-12-20T08:00:00Z,20000,full,engine\n"
    )
    told = []
    for folder, hours in ((steady, (0, 0, 1)), (moved, (0, -1, 1))):
        folder.mkdir()
        app = copy_of_garage(template, folder)
        for n, hour in enumerate(hours):
            app = app_in(folder)
            at = NOW + timedelta(hours=hour)
            app = App(app.config, app.store, lambda at=at: at)  # type: ignore[misc]
            if n == 1:
                (folder / "inbox" / "7_more.csv").write_text(more)
            load_all(app)
            analyse(app)
        assert check(app).wrong == ()
        told.append(exports(app, "loads"))
    assert told[0] == told[1]


_HOLDER = """
import sys, time
from pathlib import Path
from tests.faults.child import app_in
app = app_in(Path(sys.argv[1]))
from afterclear.store.engine.database import open_store
with app.long_writing("run"), open_store(app.store) as con:
    con.execute("DELETE FROM scan_lines")
    print("held", flush=True)
    sys.stdin.readline()
"""


@pytest.mark.slow
def test_readers_beside_a_writer_see_the_store_as_it_was(template: Path, tmp_path: Path) -> None:
    """status, export and vehicle answer at once, from before the run; and say so."""
    app = copy_of_garage(template, tmp_path)
    before = exports(app)
    with held_by_another(_HOLDER, tmp_path) as child:
        assert exports(app) == before
        with open_store(app.store, read_only=True) as con:
            assert is_copy(con)
        child.communicate("go\n")
        assert "S10" not in export_text(app, "scans")


@pytest.mark.slow
def test_a_second_writer_waits_and_is_then_told_who_the_first_is(
    template: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = copy_of_garage(template, tmp_path)
    monkeypatch.setattr(locking, "WRITER_WAITS_S", 0.3)
    with (
        held_by_another(_HOLDER, tmp_path) as child,
        pytest.raises(StoreInUseError, match=f"'run', process {child.pid} on"),
    ):
        load_all(app)
    # the first was killed: the lock went with it, and its work was whole
    load_all(app)
    with open_store(app.store) as con:
        assert scalar(con, "SELECT count(*) FROM scans") in (0, 25)


@pytest.mark.slow
def test_a_killed_holder_leaves_no_lock_behind(template: Path, tmp_path: Path) -> None:
    app = copy_of_garage(template, tmp_path)
    with held_by_another(_HOLDER, tmp_path) as child:
        child.kill()
        child.wait()
    assert locking.holder(locking.writer_lock(app.store)) is None
    load_all(app)
    assert not Path(f"{app.store}.reading").exists()


@pytest.mark.slow
def test_another_program_with_the_file_open_is_waited_for_and_told(
    template: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A person looks into the store with DuckDB itself; no lock of ours tells of it."""
    app = copy_of_garage(template, tmp_path)
    monkeypatch.setattr(database, "WRITER_WAITS_S", 0.3)
    look = "import duckdb, sys; c = duckdb.connect(sys.argv[1]); print(1, flush=True); input()"
    with subprocess.Popen(
        [sys.executable, "-c", look, str(app.store)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as child:
        assert child.stdout is not None
        child.stdout.readline()
        with pytest.raises(StoreInUseError, match=f"PID {child.pid}"), open_store(app.store):
            pass
        child.communicate("\n")
    with open_store(app.store) as con:
        assert len(query(con, "FROM loads")) == 6
