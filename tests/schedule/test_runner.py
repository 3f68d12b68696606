"""The timetable in a process of its own: one keeper a store, a clean stop in the middle of work."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from afterclear.store.engine.database import open_store, query

HEAD = "scan_id,vehicle_id,scanned_at,odometer_km,ecu,code,status\n"
ROW = "S{0},V{1},2025-01-01T00:00:00Z,{0},engine,P0301,confirmed\n"


@pytest.fixture
def garage(tmp_path: Path) -> Path:
    """Set up a garage whose only job loads its inbox every minute, from now on."""
    for name in ("config", "inbox", "reports"):
        (tmp_path / name).mkdir()
    (tmp_path / "config" / "sources.toml").write_text(
        '[[source]]\nname = "inbox"\nfolder = "inbox"\nsettle_seconds = 0\n'
    )
    (tmp_path / "config" / "schedule.toml").write_text(
        '[[job]]\nname = "often"\ndoes = "load"\nevery = "1m"\n'
    )
    return tmp_path


@contextmanager
def afterclear(garage: Path, *words: str) -> Iterator[subprocess.Popen[str]]:
    """Start a command in a process of its own; whatever is left of it is killed."""
    with subprocess.Popen(
        [sys.executable, "-m", "afterclear", *words],
        cwd=garage,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
    ) as child:
        try:
            yield child
        finally:
            child.kill()


def lines_until(child: subprocess.Popen[str], word: str) -> list[str]:
    """Read what it says until a line has the word; a child that ends before fails the test."""
    assert child.stdout is not None
    said = []
    for line in child.stdout:
        said.append(line)
        if word in line:
            return said
    raise AssertionError(f"{word!r} was never said: {''.join(said)}")


@pytest.mark.slow
def test_a_second_keeper_is_told_who_the_first_is(garage: Path) -> None:
    with afterclear(garage, "schedule") as first:
        lines_until(first, "often")
        with afterclear(garage, "schedule") as second:
            told, _ = second.communicate(timeout=60)
        assert second.returncode == 2
        assert f"'schedule', process {first.pid} on" in told


@pytest.mark.parametrize(
    "number", [signal.SIGTERM, pytest.param(signal.SIGINT, marks=pytest.mark.slow)]
)
def test_a_keeper_at_rest_stops_when_told(garage: Path, number: signal.Signals) -> None:
    with afterclear(garage, "schedule") as child:
        lines_until(child, "often: next at")
        child.send_signal(number)
        told, _ = child.communicate(timeout=60)
        assert child.returncode == 0, told
        assert "Stopped." in told


def big_file(garage: Path) -> None:
    rows = "".join(ROW.format(i, i % 900) for i in range(300_000))
    (garage / "inbox" / "big.csv").write_text(HEAD + rows)


@pytest.mark.slow
def test_a_keeper_in_the_middle_of_a_load_stops_at_once_and_loses_nothing(garage: Path) -> None:
    """SIGTERM while a query runs: the load is undone, the next one is whole."""
    big_file(garage)
    store = garage / "afterclear.duckdb"
    with afterclear(garage, "schedule") as child:
        lines_until(child, "runs now")
        while not list(store.with_suffix(".archive").glob("incoming-*/bytes.zst")):
            time.sleep(0.01)  # until the file is being taken in
        begun = time.monotonic()
        child.send_signal(signal.SIGTERM)
        told, _ = child.communicate(timeout=60)
        took_s = time.monotonic() - begun
    assert child.returncode == 0, told
    assert "Stopped." in told
    print(f"\nstopped {took_s:.2f} s after SIGTERM")
    with open_store(store) as con:
        assert query(con, "SELECT count(*) FROM loads").item() == 0
        assert query(con, "SELECT outcome FROM runs").rows() == [("stopped",)]
    assert not list(garage.glob("*.reading*"))
    with afterclear(garage, "load") as again:
        told, _ = again.communicate(timeout=120)
    assert "300000 stored" in told
    with afterclear(garage, "check") as check:
        told, _ = check.communicate(timeout=120)
    assert check.returncode == 0, told


def test_a_command_that_is_interrupted_says_so_and_leaves_with_the_signals_code(
    garage: Path,
) -> None:
    """128 and the number of the signal, as shells tell it."""
    big_file(garage)
    with afterclear(garage, "load") as child:
        while not list(garage.glob("afterclear.archive/incoming-*/bytes.zst")):
            time.sleep(0.01)
        child.send_signal(signal.SIGINT)
        told, _ = child.communicate(timeout=60)
    assert child.returncode == 128 + signal.SIGINT
    assert "Stopped." in told


@pytest.mark.slow
def test_missed_times_are_made_up_for_once_and_told(garage: Path) -> None:
    with afterclear(garage, "schedule") as child:
        lines_until(child, "often: next at")
        child.terminate()
        child.communicate(timeout=60)
    store = garage / "afterclear.duckdb"
    with open_store(store) as con:
        con.execute("UPDATE runs SET due_at = due_at - INTERVAL 10 MINUTE")
    with afterclear(garage, "schedule") as child:
        said = lines_until(child, "often: next at")
        child.terminate()
        child.communicate(timeout=60)
    assert any("often: missed 10 times" in line for line in said), said
    with open_store(store) as con:
        assert query(con, "SELECT n_missed FROM runs ORDER BY run_id").rows()[-1] == (9,)
