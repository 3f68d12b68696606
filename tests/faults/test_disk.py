"""A disk that fails at one thing asked of it: nothing lost, doubled or left, and told in words.

Everything of every command is a campaign: ``python -m tests.campaigns disk --times 200``.
"""

import errno
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Final

import duckdb
import pytest

from afterclear.errors import StoreError
from afterclear.store.engine.failures import full_disk_explained
from tests.campaigns import is_campaign, repeats

EVERY: Final = max(1, 200 // repeats(1))  # of how many writes, syncs and new names one fails
COMMANDS: Final = ["all"] if is_campaign() else ["load", "analyse", "backup", "digest"]


@pytest.mark.slow
@pytest.mark.skipif(
    not sys.platform.startswith("linux") or shutil.which("cc") is None,
    reason="a disk that fails needs Linux and a C compiler",
)
def test_a_disk_that_fails_at_any_write_loses_and_leaves_nothing() -> None:
    """A few moments of each way a disk fails; in a process of its own, which begins on the disk."""
    ended = subprocess.run(
        [sys.executable, "-m", "tests.faults.disks", *COMMANDS, "--every", str(EVERY)],
        check=False,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
    )
    assert ended.returncode == 0


@pytest.mark.parametrize(
    "error",
    [
        OSError(errno.EIO, os.strerror(errno.EIO)),
        duckdb.IOException("... Input/output error"),
        duckdb.FatalException("FATAL Error: fsync failed!"),
    ],
)
def test_a_disk_that_fails_is_told_in_words(error: Exception, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="backup elsewhere"), full_disk_explained(tmp_path):
        raise error
