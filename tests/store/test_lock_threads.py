"""Threads of one process and their locks: one that waits for another process keeps nobody up."""

import fcntl
import threading
import time
from pathlib import Path

import pytest

from afterclear.errors import StoreInUseError
from afterclear.store.engine.locking import holding


def test_a_thread_that_waits_for_another_process_keeps_no_other_from_letting_go(
    tmp_path: Path,
) -> None:
    """Else two processes with two locks wait for each other until one of them gives up."""
    mine, theirs = tmp_path / "store.lock", tmp_path / "pages.lock"
    begun, let_go, taken = threading.Event(), threading.Event(), threading.Event()

    def wait_for_them() -> None:
        begun.set()
        with holding(theirs, "digest", wait_s=60):
            taken.set()

    def work() -> None:
        with holding(mine, "load"):
            begun.wait()
            time.sleep(0.03)  # the other one waits by now
        let_go.set()

    with theirs.open("w") as other_process:
        fcntl.flock(other_process, fcntl.LOCK_EX)
        threads = [threading.Thread(target=each) for each in (work, wait_for_them)]
        for thread in threads:
            thread.start()
        in_time = let_go.wait(5)
        if in_time:  # one that does not want to wait is refused at once
            with pytest.raises(StoreInUseError), holding(theirs, "digest", wait_s=0):
                pass
        is_taken = taken.is_set()
    for thread in threads:
        thread.join()
    assert in_time
    assert not is_taken
    assert taken.is_set()
