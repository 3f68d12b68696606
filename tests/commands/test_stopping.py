"""A signal stops the work at once, whatever swallows it on the way."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from afterclear.commands.app import App
from afterclear.commands.queries.store_metrics import metrics_now
from afterclear.commands.stopping import stoppable
from afterclear.config import Config
from afterclear.errors import Stopped, StoreInUseError
from afterclear.schedule.runner import Heard, keep_timetable
from afterclear.store.engine.database import Connection, open_store, query, scalar, transaction
from afterclear.store.engine.locking import holding, patient, writer_lock
from tests.faults.child import NOW, held_by_another

ENDLESS = """SELECT count(*) FROM range(100000000) a, range(100000) b
             WHERE a.range * b.range = 7"""


def swallowed(*_: object, **__: object) -> None:
    """Do as the database does when a signal comes in a query: raise an error of its own."""
    try:
        os.kill(os.getpid(), signal.SIGTERM)
        time.sleep(5)
    except Stopped:
        pass
    raise RuntimeError("Query interrupted")


@pytest.fixture
def app(tmp_path: Path) -> App:
    """One job, every minute from now on."""
    (tmp_path / "config").mkdir()
    (tmp_path / "config" / "schedule.toml").write_text(
        '[[job]]\nname = "often"\ndoes = "load"\nevery = "1m"\n'
    )
    with open_store(tmp_path / "garage.duckdb"):
        pass
    return App(Config(tmp_path / "config"), tmp_path / "garage.duckdb", lambda: NOW)


def test_a_signal_that_a_query_swallows_stops_the_timetable(
    app: App, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The job did not break, and nobody goes on with the next one."""
    monkeypatch.setattr("afterclear.commands.running.jobs.load_sources", swallowed)
    said: list[str] = []
    with pytest.raises(Stopped), stoppable():
        keep_timetable(app, Heard(lambda _: None, said.append))
    assert not [line for line in said if "broke" in line or "failed" in line]
    with open_store(app.store) as con:
        assert query(con, "SELECT outcome FROM runs").rows() == [("stopped",)]


def test_a_signal_in_a_query_is_a_stop_each_time(tmp_path: Path) -> None:
    """One time in eight or so the database says 'Query interrupted' instead."""
    for number in range(12):
        timer = threading.Timer(0.05 + 0.01 * number, os.kill, [os.getpid(), signal.SIGTERM])
        with pytest.raises(Stopped):
            asked_for_ever(tmp_path / "s.duckdb", timer)


def asked_for_ever(store: Path, timer: threading.Timer) -> None:
    with stoppable(), open_store(store) as con:
        timer.start()
        scalar(con, ENDLESS)


def test_a_signal_in_a_transaction_is_no_error_of_the_file_that_is_read(tmp_path: Path) -> None:
    """Who isolates a file's failures by catching errors does not catch this one."""
    with stoppable(), open_store(tmp_path / "s.duckdb") as con, pytest.raises(Stopped):
        broadly_caught(con)


def broadly_caught(con: Connection) -> None:
    with suppress(Exception), transaction(con):
        swallowed()


def test_who_goes_on_regardless_is_ended() -> None:
    """All is swallowed, tidying up has no end: the process is gone with the signal's code."""
    code = (
        "import os, signal, time\n"
        "from afterclear.commands.stopping import stoppable\n"
        "with stoppable(grace_s=0.2):\n"
        "    while True:\n"
        "        try:\n"
        "            os.kill(os.getpid(), signal.SIGTERM)\n"
        "            time.sleep(60)\n"
        "        except BaseException:\n"
        "            pass\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
    )
    assert done.returncode == 128 + signal.SIGTERM
    assert "Stopped at once" in done.stderr


# --- a lock is waited for -------------------------------------------------------------------

HOLDER = """
import sys
from pathlib import Path
from afterclear.store.engine.locking import holding, writer_lock
with holding(writer_lock(Path(sys.argv[1])), "vacuum"):
    print("held", flush=True)
    sys.stdin.readline()
"""


def let_go(child: subprocess.Popen[str]) -> None:
    assert child.stdin is not None
    child.stdin.write("\n")
    child.stdin.flush()


def test_a_store_that_is_held_does_not_end_the_timetable(
    app: App, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Longer than a command would wait: the timetable waits on, and does its job afterwards."""
    monkeypatch.setattr("afterclear.store.engine.locking.WRITER_WAITS_S", 0.2)
    monkeypatch.setattr("afterclear.store.engine.database.WRITER_WAITS_S", 0.2)
    monkeypatch.setattr("afterclear.store.engine.database.READER_WAITS_S", 0.2)
    done: list[str] = []

    def work(*_: object, **__: object) -> None:
        done.append("done")
        os.kill(os.getpid(), signal.SIGTERM)

    monkeypatch.setattr("afterclear.commands.running.jobs.load_sources", work)
    with held_by_another(HOLDER, app.store) as child:
        with pytest.raises(StoreInUseError, match="'vacuum'"), open_store(app.store):
            pass
        threading.Timer(1.0, let_go, [child]).start()
        with pytest.raises(Stopped), stoppable():
            keep_timetable(app, Heard(lambda _: None, lambda _: None))
    assert done == ["done"]


def test_numbers_that_cannot_be_read_now_stay_as_they_were(app: App) -> None:
    """A scrape is no reason to wait, and none to end."""
    assert "afterclear_store_bytes" in {metric.name for metric in metrics_now(app) or ()}
    with held_by_another(HOLDER, app.store), open_store_elsewhere(app.store):
        assert metrics_now(app) is None


@contextmanager
def open_store_elsewhere(store: Path) -> Iterator[None]:
    """Have the database file open for writing in another process."""
    code = (
        "import duckdb, sys\ncon = duckdb.connect(sys.argv[1])\n"
        "print('open', flush=True)\nsys.stdin.readline()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(store)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "open\n"
        try:
            yield
        finally:
            child.kill()


def test_patience_ends_where_it_was_asked_for(app: App) -> None:
    with (
        held_by_another(HOLDER, app.store),
        patient(0.1),
        pytest.raises(StoreInUseError, match="'vacuum'"),
        open_store(app.store),
    ):
        pass
    with holding(writer_lock(app.store), "test"), open_store(app.store):
        pass
