"""One connection for all that reads a store within a block: opening takes longer than most queries.

A page of the desk asks the store several times; each opening took longer than what was asked.
"""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from pathlib import Path

from afterclear.store.engine.connection import Connection


@dataclass(slots=True)
class Shared:
    """A connection that is opened when it is first asked for, and closed with the block."""

    path: Path
    stack: ExitStack
    con: Connection | None = None

    def opened(self, way: Callable[[Path], AbstractContextManager[Connection]]) -> Connection:
        """Give the connection; ``way``: opens it for reading."""
        if self.con is None:
            self.con = self.stack.enter_context(way(self.path))
        return self.con


_shared: ContextVar[Shared | None] = ContextVar("_shared", default=None)


@contextmanager
def opened_once(path: Path) -> Iterator[None]:
    """Let all that reads the store within the block share one connection, opened by the first.

    Within the block nothing in this thread writes it.
    """
    with ExitStack() as stack:
        before = _shared.set(Shared(path, stack))
        try:
            yield
        finally:
            _shared.reset(before)


def shared_at(path: Path) -> Shared | None:
    """Give what readings of this store share here; None: nothing."""
    shared = _shared.get()
    return shared if shared is not None and shared.path == path else None
