"""One command at a time changes a lake; readers need not wait."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from afterclear.store.engine.locking import holding


@contextmanager
def holding_lake(lake: Path, doing: str) -> Iterator[None]:
    """Hold a lake for the block.

    Raises:
        StoreError: another process holds it; says which, since when, and what it does.

    """
    with holding(lake / "lake.lock", doing):
        yield
