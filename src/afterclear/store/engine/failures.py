"""What goes wrong with a store, its disk or the file being loaded: told, and told apart."""

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb

from afterclear.errors import (
    AfterclearError,
    DecodeError,
    DiskError,
    RefusedFileError,
    StoreError,
    StoreInUseError,
)
from afterclear.store.engine.locking import holder, is_held_here, writer_lock
from afterclear.store.engine.stop_signal import is_stopping

_FULL = {errno.ENOSPC, errno.EDQUOT}
_BROKEN_WORDS = ("input/output error", "fsync failed")
_FULL_WORDS = ("no space left", "disk quota", "file too large", "no usable temporary directory")
# the database's words if another connection or process has the file
_TAKEN_WORDS = ("Could not set lock on file", "Conflicting lock", "already attached")
# ... and if it reads back other bytes than it wrote
_DAMAGED_WORDS = (
    *("corrupt", "checksum", "serialization error", "not a valid duckdb database"),
    "could not read enough bytes",
)
_DENIED_WORDS = ("permission denied", "read-only file system", "operation not permitted")

_OF_THE_NAME = {errno.ENAMETOOLONG, errno.EINVAL, errno.EILSEQ}
_OF_THE_STORE = (
    duckdb.IOException,
    duckdb.FatalException,
    duckdb.InterruptException,
    duckdb.ConnectionException,
    duckdb.TransactionException,
)


def not_opened(path: Path, message: str) -> StoreError:
    """Explain why the database did not open a store; ``message``: what it said."""
    if any(words in message for words in _TAKEN_WORDS):
        held = message.partition("Conflicting lock is held in ")[2].partition(". ")[0]
        ours = writer_lock(path)
        # we hold the lock ourselves, so another program has the file open
        who = held if is_held_here(ours) else holder(ours) or held
        return StoreInUseError(
            f"The store {path} is in use by another process{f' ({who})' if who else ''}. "
            "Wait until it has finished, then try again."
        )
    if any(words in message.lower() for words in _DENIED_WORDS):
        return StoreError(f"The store {path} cannot be opened: {message.splitlines()[0]}")
    return _damaged(path, message)


def _damaged(path: Path, message: str) -> StoreError:
    return StoreError(
        f"The store {path} is damaged, or is no store: {message.splitlines()[0]} "
        "Put it aside and bring back the last backup with 'afterclear restore FILE'; files "
        "delivered since are loaded again by the next run."
    )


@contextmanager
def full_disk_explained(path: Path) -> Iterator[None]:
    """Explain that the disk is full, broken or not writable, or the store damaged.

    Raises:
        StoreError: it is.

    """
    try:
        yield
    except AfterclearError:
        raise
    except Exception as error:  # frames are written by a library with errors of its own
        words = str(error).lower()
        is_ours = isinstance(error, duckdb.Error) or (
            isinstance(error, PermissionError) and str(path.absolute().parent) in str(error)
        )
        if is_ours and any(word in words for word in _DENIED_WORDS):
            raise DiskError(
                f"The store {path} cannot be written by this user: its file, its folder or its "
                "disk does not allow it. Nothing was changed. Give the right to write there, or "
                "name a store elsewhere with --store FILE."
            ) from error
        if isinstance(error, duckdb.Error) and any(word in words for word in _DAMAGED_WORDS):
            raise _damaged(path, str(error)) from error
        is_broken = isinstance(error, OSError) and error.errno == errno.EIO
        if is_broken or any(word in words for word in _BROKEN_WORDS):
            raise DiskError(
                f"The disk of {path}, or that of temporary files (TMPDIR, else /tmp), failed: "
                "input/output error. What was under way was undone, nothing before it was lost. "
                "Look after the disk and keep a backup elsewhere, then run the same command again."
            ) from error
        full = isinstance(error, OSError) and error.errno in _FULL
        if not full and not any(word in words for word in _FULL_WORDS):
            raise
        raise DiskError(
            f"The disk of {path}, or that of temporary files (TMPDIR, else /tmp), is full. "
            "What was under way was undone, nothing before it was lost. Make room, then run the "
            "same command again."
        ) from error


def is_of_the_file(error: Exception) -> bool:
    """Whether one file's rows caused an error; False: it would occur with any file.

    A full disk, a store that cannot be written or is broken, and a query stopped from outside
    are not the file's.
    """
    if isinstance(error, AfterclearError | OSError):
        return isinstance(error, RefusedFileError | DecodeError) or (
            isinstance(error, OSError) and error.errno in _OF_THE_NAME
        )
    if isinstance(error, _OF_THE_STORE) or is_stopping():
        return False
    words = str(error).lower()
    of_the_machine = (*_FULL_WORDS, *_BROKEN_WORDS, *_DENIED_WORDS, "interrupted")
    return not any(word in words for word in of_the_machine)
