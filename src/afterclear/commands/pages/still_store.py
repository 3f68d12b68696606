"""A state of the store that stays as it is while pages are made of it, and others write meanwhile.

DuckDB lets nobody write a file that is being read, and pages of a large fleet take minutes. So a
digest takes a copy of the store under the writer's lock and lets go of it: a load waits for the
copying, never for the pages. The copy takes the store's size again on the disk while pages are
written. Without room for it, or with ``copy_for_readers = false``, the store itself is held as it
is until the pages are written, and writers wait.

One digest of a store at a time (``pages_lock``), or two would mix their pages in one folder. Nobody
waits for that lock while holding the writer's: whoever writes pages needs the store once more, to
record the digest.
"""

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TypeVar

from afterclear.commands.app import App
from afterclear.errors import StoreInUseError
from afterclear.store.engine.database import open_store
from afterclear.store.engine.locking import holding, pages_lock, patient, waits, writer_lock
from afterclear.store.engine.snapshot import long_writing, private_copy
from afterclear.store.engine.working import working_folder

# How long work that is done already waits for others to let go of the store: a load may take hours.
_DONE_WAITS_S = 6 * 3600.0

_Done = TypeVar("_Done")


@contextmanager
def still_store(app: App, *, wait_s: float | None = None) -> Iterator[Path]:
    """Give the path of a store as it is now, unchanged for the block.

    ``wait_s``: how long to wait for another digest to be written; None: as for the store.

    Raises:
        StoreInUseError: another process writes pages, or holds the store.

    """
    with holding(pages_lock(app.store), "digest", wait_s=wait_s), ExitStack() as held:
        with long_writing(app.store, "digest", copy=False):
            with open_store(app.store):
                pass  # brings a store of an older version up to date, and its log into the file
            copy = None
            if app.config.settings.store.copy_for_readers:
                folder = held.enter_context(working_folder(app.store.parent, "pages"))
                copy = private_copy(app.store, folder / app.store.name)
            if copy is None:
                held.enter_context(holding(writer_lock(app.store), "digest"))
        yield copy or app.store


@contextmanager
def written_then_still(
    app: App, doing: str, work: Callable[[], _Done]
) -> Iterator[tuple[_Done, Path]]:
    """Work on the store with no other writer in between; give what came of it, and its state then.

    Where another digest is being written just then, the state is that after it.
    """
    with ExitStack() as held:
        with app.long_writing(doing):
            done = work()
            try:
                still = held.enter_context(still_store(app, wait_s=0))
            except StoreInUseError:
                still = None
        if still is None:
            with until_free():
                still = held.enter_context(still_store(app))
        yield done, still


@contextmanager
def until_free() -> Iterator[None]:
    """In the block, wait for the store as long as it takes: what was done would be lost."""
    with patient(waits(_DONE_WAITS_S)):
        yield
