"""Working folders for files that have no name yet; those of dead processes are removed.

Each holds a lock file for as long as its process runs, so that the next process can distinguish a
folder in use from one that a killed process left.
"""

import glob
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from afterclear.store.engine.locking import holder, holding

_ALIVE: Final = "alive.lock"
# The age limit without a lock: no check or backup takes a day.
_DEAD_AFTER_S: Final = 86_400
_EMPTY_AFTER_S: Final = 60  # one with nothing in it: the lock is the first thing that is put there


@contextmanager
def working_folder(parent: Path, kind: str) -> Iterator[Path]:
    """Give a new folder for the block, ``.KIND-...`` in ``parent``, for its owner only."""
    folder = Path(tempfile.mkdtemp(prefix=f".{kind}-", dir=parent))
    try:
        with holding(folder / _ALIVE, kind):
            yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def dead_folders(parent: Path, kind: str) -> list[Path]:
    """List the folders of a kind that are no longer in use."""
    found = parent.glob(f"{glob.escape(f'.{kind}-')}*")
    return [folder for folder in found if folder.is_dir() and _is_dead(folder)]


def _is_dead(folder: Path) -> bool:
    alive = folder / _ALIVE
    if sys.platform != "win32" and alive.exists():
        return holder(alive) is None
    try:
        limit = _DEAD_AFTER_S if any(folder.iterdir()) else _EMPTY_AFTER_S
        return folder.stat().st_mtime < time.time() - limit
    except OSError:
        return False
