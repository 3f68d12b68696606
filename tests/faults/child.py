"""Pieces of work for a process of its own, which a test may kill, starve or hold up."""

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.app import App
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.pages.write_digests import digest
from afterclear.commands.upkeep import backup
from afterclear.config import Config

NOW = datetime(2026, 11, 1, 12, tzinfo=UTC)


def app_in(folder: Path) -> App:
    """Give the afterclear of a test's folder, at a fixed time."""
    return App(Config(None), folder / "garage.duckdb", lambda: NOW)


def load(folder: Path) -> None:
    load_paths(app_in(folder), [folder / "inbox"], Whose(), lambda _: None)


def analyse_all(folder: Path) -> None:
    analyse(app_in(folder), full=True)


def write_digest(folder: Path) -> None:
    digest(app_in(folder))


def write_backup(folder: Path) -> None:
    backup(app_in(folder), folder / "backups" / "b.tar")


WORK: dict[str, Callable[[Path], None]] = {
    "load": load,
    "analyse": analyse_all,
    "digest": write_digest,
    "backup": write_backup,
}


@contextmanager
def held_by_another(code: str, where: Path) -> Iterator[subprocess.Popen[str]]:
    """Have another process run code that prints "held" and waits for a line; then end it."""
    with subprocess.Popen(
        [sys.executable, "-c", code, str(where)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "held\n"
        try:
            yield child
        finally:
            child.kill()
