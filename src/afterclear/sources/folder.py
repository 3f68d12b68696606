"""Files from a folder, in name order, with those in the folders below it.

Order matters only for corrections: of two files that contradict each other, the later name
wins.  Hidden files, notes (``.md``), links that lead out of the folder and files being
written (``.part``, ``.tmp``) are left alone; so is, until the next run, a file that still
changes.
"""

import os
import shutil
import stat
from collections.abc import Callable, Iterable, Iterator, Sequence
from fnmatch import fnmatch
from pathlib import Path
from typing import IO

from afterclear.errors import UnreachableError, UsageError
from afterclear.sources.source import is_data

_OURS = {".archive", ".duckdb", ".wal"}
_LOADED = ".loaded"


def files_in(folder: Path, pattern: str = "*") -> list[Path]:
    """List a folder's files to load.

    Raises:
        UnreachableError: the folder is not there.

    """
    if not folder.is_dir():
        raise UnreachableError(f"The folder {folder} is not there, or not mounted.")
    return sorted(_files(folder.resolve(), pattern))


def files_at(path: Path) -> list[Path]:
    """List the files of a path on the command line: itself, or a folder's files.

    Raises:
        UsageError: there is nothing at that path.

    """
    if path.is_dir():
        return files_in(path)
    if not path.exists():
        raise UsageError(f"There is no file or folder {path}.")
    return [path]


def opened_within(path: Path, root: Path) -> IO[bytes]:
    """Open a file of a folder, so that no link put in its place since leads out of the folder.

    Raises:
        UnreachableError: it leads out now, or is no file.
        OSError: it cannot be opened.

    """
    inside = path.resolve()
    if root not in inside.parents:
        raise UnreachableError(f"{path} now leads out of {root}; it is not read.")
    if os.open not in os.supports_dir_fd:  # such systems make links for administrators only
        return inside.open("rb")
    file = os.fdopen(_descriptor(root, inside.relative_to(root).parts), "rb")
    if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
        file.close()
        raise UnreachableError(f"{path} is no file any more; it is not read.")
    return file


def _descriptor(root: Path, parts: Sequence[str]) -> int:
    """Go down from the root step by step; a link at any step is an error, and a pipe no wait."""
    folder = os.open(root, os.O_RDONLY | os.O_DIRECTORY)
    for n, part in enumerate(parts, 1):
        last = os.O_NONBLOCK if n == len(parts) else os.O_DIRECTORY
        try:
            inner = os.open(part, os.O_RDONLY | os.O_NOFOLLOW | last, dir_fd=folder)
        finally:
            os.close(folder)
        folder = inner
    return folder


def state(path: Path) -> str | None:
    """Give a token that changes whenever a file is written or replaced; None: it is gone.

    The time of the last change of the file's entry is part of it: it changes even with a copy that
    keeps the old time of the contents.
    """
    try:
        about = path.stat()
    except OSError:
        return None
    return f"{about.st_size}:{about.st_mtime_ns}:{about.st_ctime_ns}"


def settled(
    files: Iterable[Path], settle_s: float, now: float, sleep: Callable[[float], None]
) -> tuple[list[Path], list[Path]]:
    """Part files into (finished, still changing).

    A file whose last change lies ``settle_s`` back is finished.  The others are checked again after
    that time, and so is one with a time in the future.  ``now``: seconds since 1970.
    """
    listed = [(path, state(path)) for path in files]
    young = [path for path, mark in listed if mark is None or _age_s(path, now) < settle_s]
    if young:
        sleep(settle_s)
    before = dict(listed)
    changing = [path for path in young if state(path) is None or state(path) != before[path]]
    left = set(changing)
    return [path for path, _ in listed if path not in left], changing


def move_aside(path: Path, folder: Path, move_to: Path | None) -> Path:
    """Move a loaded file away, under its own name or, where that is taken, a numbered one.

    Raises:
        OSError: it cannot be moved.

    """
    target = (move_to or folder / _LOADED) / path.relative_to(folder.resolve())
    target.parent.mkdir(parents=True, exist_ok=True)
    free, number = target, 2
    while free.exists():
        free = target.with_name(f"{target.stem}-{number}{target.suffix}")
        number += 1
    shutil.move(path, free)
    return free


def _age_s(path: Path, now: float) -> float:
    try:
        about = path.stat()
    except OSError:
        return 0.0
    return now - max(about.st_mtime, about.st_ctime)


def _files(root: Path, pattern: str) -> Iterator[Path]:
    for folder, folders, names in os.walk(root, onerror=_unreadable):
        folders[:] = [n for n in folders if _is_ours_to_read(n)]
        for name in names:
            path = Path(folder) / name
            if not _is_ours_to_read(name) or not is_data(name):
                continue
            # a link may lead out of the folder, a pipe would never end
            if not path.is_file() or root not in path.resolve().parents:
                continue
            if fnmatch(name, pattern):
                yield path


def _is_ours_to_read(name: str) -> bool:
    return not name.startswith(".") and Path(name).suffix not in _OURS


def _unreadable(error: OSError) -> None:
    raise UnreachableError(f"The folder {error.filename} cannot be read: {error.strerror}.")
