"""One writer a store, and who it is.

DuckDB refuses a second writer but cannot wait for the first; a lock file beside the store can,
and says who holds it.  The operating system drops the lock with the process that held it, so a
killed process leaves nothing to clean up.  Where the system has no such locks (Windows),
DuckDB's own is the only one.

Why not the library filelock (version 4.3 was read, not built in): it would replace ``_try_lock``,
eight lines around one system call.  The rest of this module would stay: who holds the lock and
since when, asking without waiting, the log line after half a minute, a shorter wait after a signal
to stop. On Windows nobody can read a locked file, so the holder's note would need a second file;
and Windows would gain little, because time limits of sources and readers need Unix signals too.  On
a file system without locks it falls back to a marker file, which a killed process would leave. It
would add 27 ms of processor time to each command (77 instead of 50 for this module).

Long work is done inside ``app.long_writing(...)``, which makes a snapshot for readers. Nested calls
share both.
"""

import errno
import json
import logging
import os
import socket
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Final

from afterclear.errors import DiskError, StoreInUseError
from afterclear.store.engine.stop_signal import is_stopping

if sys.platform != "win32":
    import fcntl

# How long a writer waits for another to finish before it gives up; a reader waits less, because a
# person waits for it.
WRITER_WAITS_S = 30.0
READER_WAITS_S = 10.0
_PAUSE_S = 0.1
# After so long without the lock, a log line says what is waited for.
_TOLD_AFTER_S = 30.0
# A process that was asked to stop does not wait for others.
_STOPPING_WAITS_S = 1.0

_log = logging.getLogger("afterclear.store")
# How long this thread waits for others; None: as long as a person would.
_patience: ContextVar[float | None] = ContextVar("patience", default=None)

# The same process may take a lock again that it holds, and let go of it in any order.
_held: Final[dict[Path, "_Held"]] = {}
_guard: Final = threading.RLock()  # never held while waiting for another process
# Which thread asks for a lock file: one at a time.
_turns: Final[dict[Path, threading.Lock]] = {}


@dataclass(slots=True)
class _Held:
    """A lock file this process holds, and how often."""

    file: IO[str]
    times: int = 1


@contextmanager
def patient(wait_s: float) -> Iterator[None]:
    """In the block, wait up to ``wait_s`` for another process to release a store by default."""
    before = _patience.set(wait_s)
    try:
        yield
    finally:
        _patience.reset(before)


def waits(usual_s: float) -> float:
    """Give how long to wait for another to finish; ``usual_s``: the default elsewhere."""
    if is_stopping():
        return _STOPPING_WAITS_S
    patience = _patience.get()
    return usual_s if patience is None else patience


@contextmanager
def holding(path: Path, doing: str, *, wait_s: float | None = None) -> Iterator[None]:
    """Hold the lock file at ``path`` for the block; ``doing`` is the reason others see.

    Raises:
        StoreError: another process holds it; says which, since when, and what it does.

    """
    place = path.absolute()
    _take(place, doing, waits(WRITER_WAITS_S) if wait_s is None else wait_s)
    try:
        yield
    finally:
        with _guard:
            held = _held[place]
            held.times -= 1
            if not held.times:
                del _held[place]
                with held.file, suppress(OSError):
                    held.file.truncate(0)


def _take(place: Path, doing: str, wait_s: float) -> None:
    """Take a lock.  Threads wait for another process by turns, and keep nobody from letting go."""
    with _guard:
        turn = _turns.setdefault(place, threading.Lock())
    if not turn.acquire(timeout=max(wait_s, 0.0)):
        raise StoreInUseError(_in_use(place, holder(place) or "one that has just begun"))
    try:
        with _guard:
            if place in _held:
                _held[place].times += 1
                return
        file = _acquire(place, wait_s)
        with suppress(OSError):  # it only informs: a full disk keeps nobody out
            _sign(file, doing)
        with _guard:
            _held[place] = _Held(file)
    finally:
        turn.release()


def _in_use(path: Path, who: str) -> str:
    return (
        f"{path.name.removesuffix('.lock')} is in use by another process: {who}. "
        "Wait until it has finished, then try again."
    )


def is_held_here(path: Path) -> bool:
    """Whether this process holds a lock file."""
    return path.absolute() in _held


def holder(path: Path) -> str | None:
    """Describe who holds a lock file; None if nobody does."""
    if path.absolute() in _held:
        return f"this process ({os.getpid()})"
    try:
        with path.open("r+", encoding="utf-8") as file:
            if _try_lock(file):
                return None
            return _words(file)
    except OSError:
        return None


def schedule_lock(store: Path) -> Path:
    """Give the lock file of a store's scheduler."""
    return Path(f"{store}.schedule.lock")


def desk_lock(store: Path) -> Path:
    """Give the lock file of a store's desk."""
    return Path(f"{store}.desk.lock")


def users_lock(store: Path) -> Path:
    """Give the lock file of the users of a store's desk."""
    return Path(f"{store}.users.lock")


def settings_lock(store: Path) -> Path:
    """Give the lock file of the settings, as far as they are changed by a page."""
    return Path(f"{store}.settings.lock")


def trail_lock(store: Path) -> Path:
    """Give the lock file of what is noted at a store's desk."""
    return Path(f"{store}.trail.lock")


def pages_lock(store: Path) -> Path:
    """Give the lock file of a store's pages while they are written."""
    return Path(f"{store}.pages.lock")


def writer_lock(store: Path) -> Path:
    """Give the lock file of a store's writer."""
    return Path(f"{store}.lock")


def _acquire(path: Path, wait_s: float) -> IO[str]:
    begun = time.monotonic()
    give_up_at, tell_at = begun + wait_s, begun + _TOLD_AFTER_S
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        file = os.fdopen(os.open(path, os.O_RDWR | os.O_CREAT, 0o600), "r+", encoding="utf-8")
    except OSError as error:
        raise DiskError(
            f"The folder {path.parent} cannot be written ({error.strerror}); the store needs it."
        ) from error
    while not _try_lock(file):
        if time.monotonic() >= give_up_at:
            who = _words(file)
            file.close()
            raise StoreInUseError(_in_use(path, who))
        if time.monotonic() >= tell_at:
            _log.warning("waits for the store", extra={"facts": {"held_by": _words(file)}})
            tell_at = give_up_at + 1  # once
        time.sleep(_PAUSE_S)
    return file


def _try_lock(file: IO[str]) -> bool:
    if sys.platform == "win32":
        return True
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        # anything else is a file system without locks: DuckDB's own must do
        return error.errno not in (errno.EWOULDBLOCK, errno.EACCES)
    return True


def _sign(file: IO[str], doing: str) -> None:
    about = {
        "doing": doing,
        "pid": os.getpid(),
        "host": socket.gethostname(),
        "since": f"{datetime.now(UTC):%Y-%m-%d %H:%M:%S} UTC",
    }
    file.truncate(0)
    # past the buffer: what a full disk refuses is not tried again when the file is closed
    os.lseek(file.fileno(), 0, os.SEEK_SET)
    os.write(file.fileno(), json.dumps(about).encode())


def _words(file: IO[str]) -> str:
    file.seek(0)
    try:
        about = json.loads(file.read())
        return f"'{about['doing']}', process {about['pid']} on {about['host']}, since " + str(
            about["since"]
        )
    except (ValueError, KeyError, TypeError):
        return "one that has just begun"
