"""Files from a folder, in name order, with those in the folders below it.

Order matters only for corrections: of two files that contradict each other, the later name
wins.  Hidden files, notes (``.md``), links that lead out of the folder and files being
written (``.part``, ``.tmp``) are left alone.
"""

from collections.abc import Iterator
from fnmatch import fnmatch
from pathlib import Path

from afterclear.errors import UnreachableError, UsageError

_UNFINISHED = {".part", ".tmp", ".crdownload", ".partial"}
_OURS = {".archive", ".duckdb", ".wal"}
_FOR_PEOPLE = {".md"}  # notes beside the data


def files_in(folder: Path, pattern: str = "*") -> list[Path]:
    """List a folder's files to load.

    Raises:
        UnreachableError: the folder is not there.

    """
    if not folder.is_dir():
        raise UnreachableError(f"The folder {folder} is not there, or not mounted.")
    return sorted(_files(folder.resolve(), pattern))


def files_at(path: Path) -> list[Path]:
    """List what a path on the command line stands for: itself, or a folder's files.

    Raises:
        UsageError: there is nothing at that path.

    """
    if path.is_dir():
        return files_in(path)
    if not path.exists():
        raise UsageError(f"There is no file or folder {path}.")
    return [path]


def _files(root: Path, pattern: str) -> Iterator[Path]:
    for path in root.rglob("*"):
        below = path.relative_to(root)
        hidden = any(piece.startswith(".") for piece in below.parts)
        ours = any(Path(piece).suffix in _OURS for piece in below.parts)
        if hidden or ours or path.suffix in _UNFINISHED | _FOR_PEOPLE or not path.is_file():
            continue
        if root in path.resolve().parents and fnmatch(path.name, pattern):
            yield path
