"""The snapshot readers see while a long writer works: the store as it was at the start.

DuckDB lets nobody read a file that is being written.  So a long writer first puts a copy of the
store beside it, and readers that find the store taken open the copy.  It is made under the writer's
lock while no one can write, put in place by a rename, and removed at the end; one that a killed
writer left does no harm, because a reader tries the store first.
"""

import errno
import glob
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import duckdb

from afterclear.errors import StoreError
from afterclear.store.engine.archive import UNFINISHED_FILE, archive_folder
from afterclear.store.engine.connection import HANDED, Connection
from afterclear.store.engine.locking import holding, is_held_here, writer_lock
from afterclear.store.engine.working import dead_folders

# Files made beside the store before they get their names.
_MADE_ELSEWHERE = ("restore", "check", "backup", "pages")
# Folders in the archive in which a load works, by the beginning of their names.
_UNFINISHED = ("incoming", "within", "taken")

_NO_COPY = {errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EACCES, errno.EPERM, errno.EROFS}


def snapshot_path(store: Path) -> Path:
    """Give the path of a store's snapshot."""
    return Path(f"{store}.reading")


@contextmanager
def long_writing(store: Path, doing: str, *, copy: bool = True) -> Iterator[None]:
    """Hold the store for a long piece of work, with a snapshot for readers.

    ``copy``: False saves the snapshot's disk space; readers then wait.

    Raises:
        StoreError: another process holds the store.

    """
    if is_held_here(writer_lock(store)):
        yield  # part of a longer work, which has a snapshot already
        return
    with holding(writer_lock(store), doing):
        sweep(store)
        if copy and store.exists():
            _put_copy(store)
        try:
            yield
        finally:
            snapshot_path(store).unlink(missing_ok=True)


def sweep(store: Path) -> None:
    """Remove what a killed writer left beside the store; only its next writer may."""
    for left in _left_by_the_killed(store):
        remove_left(left)
    shutil.rmtree(f"{store}.tmp", ignore_errors=True)


def sweep_if_free(store: Path) -> None:
    """Remove what killed processes left, unless another process works on the store right now."""
    if not _left_by_the_killed(store):
        return
    # a user without write permission leaves it to others; spilled rows may be another reader's
    with suppress(StoreError, OSError), holding(writer_lock(store), "sweep", wait_s=0):
        for left in _left_by_the_killed(store):
            remove_left(left)


def remove_left(left: Path) -> None:
    """Remove a file or a folder that nobody needs."""
    if left.is_dir():
        shutil.rmtree(left, ignore_errors=True)
    else:
        left.unlink(missing_ok=True)


def _left_by_the_killed(store: Path) -> list[Path]:
    """List unfinished files beside the store or in its archive: leftovers if nobody writes."""
    name, archive = glob.escape(store.name), archive_folder(store)
    return [
        *store.parent.glob(f"{name}.reading*"),
        *store.parent.glob(f"{name}.compact*"),
        *store.parent.glob(f"{name}{HANDED}*"),  # only writers hand files over
        *(left for kind in _UNFINISHED for left in archive.glob(f"{kind}-*")),
        *archive.glob(f"??/{UNFINISHED_FILE}*"),
        *(left for kind in _MADE_ELSEWHERE for left in dead_folders(store.parent, kind)),
    ]


def fold_in_log(store: Path) -> None:
    """Bring what a killed process left in the write-ahead log into the file itself."""
    if not Path(f"{store}.wal").exists():
        return
    con = Connection({"store": store})
    try:
        con.lock({})
        con.execute("CHECKPOINT store")
    finally:
        con.close()


def _put_copy(store: Path) -> None:
    unfinished = Path(f"{store}.reading-part")
    try:
        fold_in_log(store)
        copy_file(store, unfinished)
        unfinished.replace(snapshot_path(store))
    except OSError as error:
        # no space, no permission, a broken disk: the work itself is tried, and reports its failure
        unfinished.unlink(missing_ok=True)
        if error.errno not in _NO_COPY:
            raise
    except duckdb.Error:
        # another program has the file open: the writer itself waits for it, or reports it
        unfinished.unlink(missing_ok=True)


def private_copy(store: Path, target: Path) -> Path | None:
    """Copy a store that nobody writes; None: there is no room, or no right to write there.

    Nobody needs it after a power failure, so nothing waits for the disk.
    """
    try:
        copy_file(store, target, is_lasting=False)
    except OSError as error:
        target.unlink(missing_ok=True)
        if error.errno not in _NO_COPY:
            raise
        return None
    return target


def copy_file(origin: Path, target: Path, *, is_lasting: bool = True) -> None:
    """Copy a file, readable by its owner only; ``is_lasting``: safe on disk when done."""
    with (
        origin.open("rb") as old,
        os.fdopen(os.open(target, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as new,
    ):
        shutil.copyfileobj(old, new, 1 << 20)
        if is_lasting:
            new.flush()
            os.fsync(new.fileno())
