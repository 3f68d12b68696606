"""Commands on a disk that fails; all of it: ``python -m tests.faults.disks``.

The n-th write, sync or new name of a command fails, once or from then on, in one of several ways;
for every n.  After it the store passes every check; a command that said it was done did all of it;
one that said it was not ended in words with code 2 or 4; and the same command again leaves what an
undisturbed one leaves, to the last file name.

A command run twice leaves the same bytes (one core, one clock).  So what follows from bytes that
were met before is known, and is not tried again: it took most of the time.
"""

import ctypes
import errno
import hashlib
import mmap
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Final

import pytest

from afterclear.cli import main as afterclear
from afterclear.commands.app import App
from afterclear.commands.upkeep import check
from afterclear.config import Config
from afterclear.store.engine.database import open_store
from afterclear.store.upkeep.backup import verify_backup
from tests.faults.garage_work import START, WARM
from tests.store.care_fixture import (
    CORRECTED,
    NOW,
    REPAIRS,
    VEHICLES,
    WITH_REFUSED,
    exports,
    scans,
)

_SOURCE: Final = Path(__file__).with_name("failing_disk.c")
# what a disk does -> errno (0: half is written, and no error told), whether it stays so, and
# whether writes, syncs and new names fail
WAYS: Final = {
    "full": (errno.ENOSPC, 1, (1, 1, 1)),
    "full for a moment": (errno.ENOSPC, 0, (1, 1, 1)),
    "over the quota": (errno.EDQUOT, 1, (1, 1, 1)),
    "broken": (errno.EIO, 0, (1, 1, 1)),
    "short": (0, 0, (1, 0, 0)),
    "not synced": (errno.EIO, 0, (0, 1, 0)),
}
# command -> its arguments
COMMANDS: Final = {
    "load": ["load", "inbox"],
    "analyse": ["analyse", "--as-of", NOW.isoformat()],
    "digest": ["digest"],
    "export": ["export", "attempts", "-o", "attempts.csv"],
    "backup": ["backup", "backups/new.tar"],
    "vacuum": ["vacuum"],
    "restore": ["restore", "backups/old.tar", "--replace"],
    "forget": ["forget", "vehicle", "V1", "--yes"],
}
# when something was loaded or run, and which letters were sent, a fault may change
_OF_THE_RUN: Final = ("loads", "digests", "sent")


class _AskedOfDisk(ctypes.Structure):
    _fields_ = [
        ("kind", ctypes.c_long),
        ("call", ctypes.c_char * 24),
        ("path", ctypes.c_char * 232),
    ]


class Plan(ctypes.Structure):
    """The plan as ``failing_disk.c`` has it."""

    _fields_ = [
        *((name, ctypes.c_long * 3) for name in ("asked", "fails")),
        *((name, ctypes.c_long) for name in ("at", "error", "stays")),
        ("folder", ctypes.c_char * 1024),
        ("asks", _AskedOfDisk * 4096),
    ]


@dataclass(frozen=True)
class Ask:
    """What a command asked of the disk: which of ``WAYS``' three kinds, by which call, where."""

    kind: int
    call: str
    path: str

    @property
    def group(self) -> tuple[str, str]:
        """Name the call and the kind of file; one call on like files is one group."""
        top, _, below = self.path.partition("/")
        numbered = re.sub(r"[0-9a-f]{8,}|\d+", "#", top)
        return self.call, f"{numbered}/*{Path(below).suffix}" if below else numbered


@dataclass
class Tally:
    """What became of the commands."""

    ends: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Bench:
    """A disk that can be told to fail, and a garage for each command."""

    place: Path
    plan: Plan
    # command, whether it said it was done, the bytes it left -> what is wrong then
    follows: dict[tuple[str, bool, str], str] = field(default_factory=dict)

    def ready(self, command: str) -> Path:
        """Give the garage a command finds."""
        return self.place / f"before-{'load' if command == 'load' else 'others'}"


@contextmanager
def bench(place: Path) -> Iterator[Bench]:
    """Build the disk and the garages; skip where there is no C compiler."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None or not sys.platform.startswith("linux"):
        pytest.skip("a disk that fails needs Linux and a C compiler")
    library, plan_file = place / "failing_disk.so", place / "plan"
    flags = ["-shared", "-fPIC", "-O1", "-w", "-o", str(library), str(_SOURCE), "-ldl"]
    subprocess.run([compiler, *flags], check=True)
    plan_file.write_bytes(bytes(ctypes.sizeof(Plan)))
    with plan_file.open("r+b") as file:
        plan = Plan.from_buffer(mmap.mmap(file.fileno(), 0))
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("LD_PRELOAD", str(library))
        patched.setenv("AFTERCLEAR_TEST_DISK", str(plan_file))
        START.set_forkserver_preload(["tests.faults.disk", WARM])
        (first := START.Process(target=int)).start()  # the server has the disk from here on
        first.join()
    _garages(place)
    try:
        yield Bench(place, plan)
    finally:
        plan.folder = b""


def _garages(place: Path) -> None:
    folder = place / "before-load"
    for name in ("inbox", "tmp", "backups"):
        (folder / name).mkdir(parents=True)
    inbox = folder / "inbox"
    _write(inbox, {"1_vehicles.csv": VEHICLES, "2_scans.csv": scans(), "3_repairs.csv": REPAIRS})
    for command in ("load", "analyse"):
        _run(folder, command)
    _write(inbox, {"4_corrected.csv": CORRECTED, "5_refused.csv": WITH_REFUSED})
    others = Path(shutil.copytree(folder, place / "before-others"))
    for command in ("load", "digest", "backup"):
        _run(others, command)
    (others / "backups" / "new.tar").rename(others / "backups" / "old.tar")
    _write(others / "inbox", {"6_more.csv": scans(8)})  # an analysis with something to do
    _run(others, "load")


def _write(folder: Path, files: dict[str, str]) -> None:
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")


def _run(folder: Path, command: str) -> tuple[int, str]:
    """Run a command in a process of its own on the disk; give its exit code and words."""
    words = folder.parent / "words"
    child = START.Process(target=_command, args=(folder, command, words))
    child.start()
    child.join()
    return child.exitcode or 0, words.read_text(encoding="utf-8", errors="replace")


def _command(folder: Path, command: str, words: Path) -> None:
    os.chdir(folder)
    tempfile.tempdir = str(folder / "tmp")
    descriptor = os.open(words, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    for standard in (1, 2):
        os.dup2(descriptor, standard)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("afterclear.cli.frame._cores", lambda: 1)
        patched.setattr("afterclear.commands.app.datetime", _Clock)
        afterclear(["--store", str(folder / "garage.duckdb"), *COMMANDS[command]])


class _Clock(datetime):
    @classmethod
    def now(cls, tz: object = None) -> "_Clock":
        del tz
        return cls.fromtimestamp(NOW.timestamp(), NOW.tzinfo)


def _app(folder: Path) -> App:
    return App(Config(None), folder / "garage.duckdb", lambda: NOW)


def _left(folder: Path) -> set[str]:
    """Name every file, but for the log of the store, which may be folded in or not."""
    return {
        str(path.relative_to(folder))
        for path in folder.rglob("*")
        if not path.name.endswith((".wal", ".lock"))
    }


def everything(folder: Path, command: str) -> dict[str, object]:
    """Give all that a command leaves: every export, every file's name, whole backups."""
    told: dict[str, object] = dict(exports(_app(folder), *_OF_THE_RUN))
    if command == "backup":
        told["backup"] = verify_backup(folder / "backups" / "new.tar").n_loads
    if command == "export":
        told["attempts.csv"] = (folder / "attempts.csv").read_text(encoding="utf-8")
    told["files"] = _left(folder)
    return told


@dataclass(frozen=True)
class Undisturbed:
    """What a command does on a disk that only counts."""

    asks: tuple[Ask, ...]  # in their order
    code: int
    left: dict[str, object]
    bytes_left: str

    def may_fail(self, way: str) -> list[Ask]:
        """Give what may fail in a way."""
        return [ask for ask in self.asks if WAYS[way][2][ask.kind]]

    def of_groups(self, way: str) -> list[int]:
        """Give the numbers of the first and the last of each group that may fail in a way."""
        groups = [ask.group for ask in self.may_fail(way)]
        first = {group: at for at, group in reversed([*enumerate(groups, 1)])}
        last = {group: at for at, group in enumerate(groups, 1)}
        return sorted({*first.values(), *last.values()})


def undisturbed(on: Bench, command: str) -> Undisturbed:
    """Run a command on a disk that only counts."""
    folder = Path(shutil.copytree(on.ready(command), on.place / "garage"))
    _tell(on, folder, 0, "full")
    code, words = _run(folder, command)
    on.plan.folder = b""
    assert "Traceback" not in words, words
    n = sum(on.plan.asked)
    assert n <= len(on.plan.asks), "make KEPT larger"
    asks = tuple(Ask(a.kind, a.call.decode(), a.path.decode()) for a in on.plan.asks[:n])
    bytes_left = _bytes_of(folder)
    told = everything(folder, command)
    shutil.rmtree(folder)
    return Undisturbed(asks, code, told, bytes_left)


def _bytes_of(folder: Path) -> str:
    """Give one hash of all files' names and bytes."""
    found = hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        content = path.read_bytes() if path.is_file() else b""
        name = str(path.relative_to(folder)).encode()
        found.update(b"%d %s %d %s" % (len(name), name, len(content), content))
    return found.hexdigest()


def _tell(on: Bench, folder: Path, at: int, way: str) -> None:
    number, stays, fails = WAYS[way]
    on.plan.asked[:], on.plan.fails[:] = (0, 0, 0), fails
    on.plan.at, on.plan.error, on.plan.stays = at, number, stays
    on.plan.folder = f"{folder}/".encode()


def tried(on: Bench, command: str, usual: Undisturbed, case: tuple[str, int], tally: Tally) -> None:
    """Let the n-th thing of a command fail in a way; ``case``: the way and n."""
    way, at = case
    # of the same name as the undisturbed one: the store holds it
    folder = Path(shutil.copytree(on.ready(command), on.place / "garage"))
    _tell(on, folder, at, way)
    code, words = _run(folder, command)
    on.plan.folder = b""
    is_done = code == usual.code
    tally.ends["done in spite of it" if is_done else f"code {code}, in words"] += 1
    if problem := _problem(on, folder, command, (code, words), usual):
        ask = usual.may_fail(way)[at - 1]
        tally.wrong.append(f"{command}, {way}, {at} ({ask.call} {ask.path}): {problem}")
        print(tally.wrong[-1], flush=True)
    shutil.rmtree(folder)


def _problem(
    on: Bench, folder: Path, command: str, end: tuple[int, str], usual: Undisturbed
) -> str:
    """Say what is wrong after a command met a fault; empty: nothing."""
    code, words = end
    if "Traceback" in words or code not in (usual.code, 2, 4):
        return f"code {code}: {words[-600:]}"
    if code != usual.code and "afterclear: " not in words:
        return f"code {code} without a word: {words[-300:]}"
    key = command, code == usual.code, _bytes_of(folder)
    if key not in on.follows:
        on.follows[key] = _following(folder, command, usual, is_done=code == usual.code)
    return on.follows[key]


def _following(folder: Path, command: str, usual: Undisturbed, *, is_done: bool) -> str:
    """Say what is wrong with what a command left, or with what the same command makes of it."""
    before = _bytes_of(folder)
    with open_store(_app(folder).store):
        pass
    if wrong := [(f.says, f.examples) for f in check(_app(folder), quick=True).wrong]:
        return f"check: {wrong}"
    told = usual.left
    if is_done and before != usual.bytes_left:
        told = everything(folder, command)
    if differing := _differing(told, usual.left):
        return f"said it was done, but {differing}"
    return _again(folder, command, usual, is_done=is_done)


def _again(folder: Path, command: str, usual: Undisturbed, *, is_done: bool) -> str:
    """Run the same command again, whether it was done or not; say what is then wrong."""
    if (made := folder / "backups" / "new.tar").exists():
        verify_backup(made)  # one that is there is whole
        made.unlink()
    if is_done and command == "restore":  # a second one puts a second store aside, and says so
        next(folder.glob("*.before-restore")).unlink()
    code, words = _run(folder, command)
    if code not in (usual.code, 0):
        return f"again: code {code}: {words[-600:]}"
    if _bytes_of(folder) == usual.bytes_left:
        return ""
    differing = _differing(everything(folder, command), usual.left)
    return f"again: {differing}" if differing else ""


def _differing(found: dict[str, object], expected: dict[str, object]) -> str:
    names = [name for name in expected if found.get(name) != expected[name]]
    if "files" in names:
        mine, theirs = found["files"], expected["files"]
        assert isinstance(mine, set)
        assert isinstance(theirs, set)
        return f"{names}: left {sorted(mine - theirs)}, missing {sorted(theirs - mine)}"
    return ", ".join(names)
