"""A lock is held and let go of, whatever the disk says to the note of who holds it."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from afterclear.store.engine.locking import holder, holding, is_held_here

if sys.platform == "win32":
    pytest.skip("a limit on the size of files is of Unix", allow_module_level=True)

import resource


@contextmanager
def no_room() -> Iterator[None]:
    """Let no file of this process grow."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_lock_that_a_full_disk_leaves_unsigned_is_held_and_let_go_of(tmp_path: Path) -> None:
    lock = tmp_path / "x.lock"
    with no_room(), holding(lock, "load"):
        is_held = is_held_here(lock)
    assert is_held
    assert not is_held_here(lock)
    assert holder(lock) is None
