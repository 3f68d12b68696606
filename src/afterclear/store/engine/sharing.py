"""One connection for all that reads a store within a block: opening takes longer than most queries.

A page of the desk asks the store several times, and page follows page: one connection serves them
until somebody wants to write.
"""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from afterclear.store.engine.connection import Connection
from afterclear.store.engine.locking import writer_lock

IDLE_S: Final = 0.5  # a connection is kept so long without use: a writer waits for it
LONGEST_S: Final = 2.0  # ... and so long in all


@dataclass(slots=True)
class Shared:
    """A connection that is opened when it is first asked for, and closed with its owner's stack."""

    path: Path
    stack: ExitStack
    con: Connection | None = None

    def opened(self, way: Callable[[Path], AbstractContextManager[Connection]]) -> Connection:
        """Give the connection; ``way``: opens it for reading."""
        if self.con is None:
            self.con = self.stack.enter_context(way(self.path))
        return self.con


_shared: ContextVar[Shared | None] = ContextVar("_shared", default=None)


def shared_at(path: Path) -> Shared | None:
    """Give what readings of this store share here; None: nothing."""
    shared = _shared.get()
    return shared if shared is not None and shared.path == path else None


@contextmanager
def _sharing(shared: Shared) -> Iterator[None]:
    before = _shared.set(shared)
    try:
        yield
    finally:
        _shared.reset(before)


@dataclass(slots=True)
class Kept:
    """A connection that one block leaves to the next; blocks come one after another.

    Within a block nothing in this thread writes the store.  It goes when somebody waits to write,
    when nobody reads any more, and after a while in any case.  Whatever else opens the store in
    this process has it go first (``let_go``): a file that is closed takes along the system's locks
    on it that its process has by other openings.
    """

    path: Path
    _shared: Shared | None = None
    _opened_at: float = 0.0
    _used_at: float = 0.0
    _file: tuple[int, ...] = ()
    _guard: threading.Lock = field(default_factory=threading.Lock)
    _timer: threading.Timer | None = None

    @contextmanager
    def reading(self) -> Iterator[None]:
        """Let all that reads the store within the block share the connection."""
        with self._guard:
            if self._shared is not None and not self._may_stay():
                self._close()
            if self._shared is None:
                self._begin()
            shared = self._shared
            assert shared is not None  # noqa: S101 - begun just now
            try:
                with _sharing(shared):
                    yield
            except BaseException:
                self._close()  # it may be in the midst of something
                raise
            self._used_at = time.monotonic()
            # a reader that found the store taken has the copy beside it, which is old soon
            is_store = shared.con is not None and shared.con.path == self.path.absolute()
            if not (is_store and self._may_stay()):
                self._close()
            elif self._timer is None:
                self._watch(IDLE_S)

    def let_go(self) -> None:
        """Close it, if it is open."""
        with self._guard:
            self._close()

    def _begin(self) -> None:
        self._shared, self._opened_at = Shared(self.path, ExitStack()), time.monotonic()
        self._file = _file_at(self.path)

    def _may_stay(self) -> bool:
        is_young = time.monotonic() - self._opened_at < LONGEST_S
        return is_young and not _is_wanted(self.path) and _file_at(self.path) == self._file

    def _close(self) -> None:
        shared, self._shared = self._shared, None
        if shared is not None:
            shared.stack.close()

    def _watch(self, seconds: float) -> None:
        self._timer = threading.Timer(seconds, self._end_if_idle)
        self._timer.daemon = True
        self._timer.start()

    def _end_if_idle(self) -> None:
        with self._guard:
            self._timer = None
            idle_for = time.monotonic() - self._used_at
            if self._shared is None:
                return
            if idle_for >= IDLE_S or not self._may_stay():
                self._close()
            else:
                self._watch(IDLE_S - idle_for)


def _is_wanted(path: Path) -> bool:
    """Whether somebody writes, or waits to: whoever holds the writer's lock signs it."""
    try:
        return writer_lock(path).stat().st_size > 0
    except FileNotFoundError:
        return False


def _file_at(path: Path) -> tuple[int, ...]:
    """Tell one file from another that came in its place."""
    try:
        found = path.stat()
    except FileNotFoundError:
        return ()
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns
