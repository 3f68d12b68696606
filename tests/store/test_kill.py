"""A load killed at any moment, then run again, leaves the store of an undisturbed load."""

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.campaigns import counted, counted_kills, repeats
from tests.store.deliveries import HEAD, contents, load, write

MOMENTS = repeats(16)  # more of them: python -m tests.campaigns kills
ROWS = 4_000  # enough that a load takes some time in every phase

_CHILD = """
import sys
from pathlib import Path
from tests.store.deliveries import load
store, *files = map(Path, sys.argv[1:])
print("begun", flush=True)
load(store, *files)
print("done", flush=True)
"""


def deliveries(folder: Path) -> list[Path]:
    """Three files: many rows, an overlap with corrections, and some refused rows."""
    row = "S{0},V{1},2025-01-01T{2:02d}:00:00Z,{3},engine,P0{4},confirmed\n"

    def text(begin: int, end: int, km: int) -> str:
        return HEAD + "".join(
            row.format(i, i % 40, i % 24, km + i, 300 + i % 9) for i in range(begin, end)
        )

    return [
        write(folder, "a.csv", text(0, ROWS, 1000)),
        write(folder, "b.csv", text(ROWS // 2, ROWS + 500, 1001)),
        write(folder, "c.csv", text(ROWS + 500, ROWS + 700, -ROWS - 600)),
    ]


def start(store: Path, files: list[Path]) -> subprocess.Popen[str]:
    """Begin a load in a process of its own and wait until it works."""
    child = subprocess.Popen(
        [sys.executable, "-c", _CHILD, str(store), *map(str, files)],
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
    )
    assert child.stdout is not None
    assert child.stdout.readline() == "begun\n"
    return child


@pytest.mark.slow
def test_a_killed_load_is_taken_up_as_if_nothing_had_happened(tmp_path: Path) -> None:
    """SIGKILL at moments spread over the whole load; the count of each outcome is printed."""
    files = deliveries(tmp_path)
    begun = time.perf_counter()
    with start(tmp_path / "whole.duckdb", files) as child:
        assert child.wait() == 0
    whole_s = time.perf_counter() - begun
    expected = contents(tmp_path / "whole.duckdb")

    chance = random.Random(20261125)  # noqa: S311 - moments, not secrets
    loads_kept: dict[int, int] = {}
    n_kills = 0
    for number in range(MOMENTS):
        store = tmp_path / f"killed{number}.duckdb"
        with start(store, files) as child:
            time.sleep(whole_s * (number + chance.random()) / MOMENTS)
            child.send_signal(signal.SIGKILL)
        n_kills += child.returncode == -signal.SIGKILL  # otherwise it was done before
        kept = len(contents(store)["loads"]) if store.exists() else 0
        loads_kept[kept] = loads_kept.get(kept, 0) + 1
        load(store, *files)
        assert contents(store) == expected, f"kill {number}, {kept} loads were kept"
    counted(n_kills, "kills")
    counted_kills({"load": n_kills})
    print(f"\n{n_kills} kills; loads found afterwards -> times: {sorted(loads_kept.items())}")
    assert len(loads_kept) > 1, "every kill fell into the same phase: spread them better"
