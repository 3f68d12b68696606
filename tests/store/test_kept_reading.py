"""One reading connection serves several blocks, and stands in nobody's way."""

import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from afterclear.store.engine import sharing
from afterclear.store.engine.database import Connection, make_store, open_store, scalar
from afterclear.store.engine.locking import holding, writer_lock
from afterclear.store.engine.sharing import Kept
from afterclear.store.engine.snapshot import long_writing

pytestmark = pytest.mark.slow

_LOADS = "SELECT count(*) FROM loads"
_WRITES = """
import sys
from pathlib import Path
from afterclear.store.engine.database import open_store
with open_store(Path(sys.argv[1])) as con:
    con.execute("CREATE TABLE written (n INTEGER)")
"""


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "garage.duckdb"
    make_store(path)
    return path


@pytest.fixture
def kept(store: Path) -> Kept:
    return Kept(store)


def used(kept: Kept, store: Path) -> Connection:
    """Read in a block, and give what it read with."""
    with kept.reading(), open_store(store, read_only=True) as con:
        assert scalar(con, _LOADS) == 0
        return con


def is_open(con: Connection) -> bool:
    try:
        scalar(con, _LOADS)
    except Exception:  # noqa: BLE001 - whatever a closed one raises
        return False
    return True


def test_the_next_block_goes_on_with_the_connection(kept: Kept, store: Path) -> None:
    first = used(kept, store)
    assert used(kept, store) is first
    kept.let_go()
    assert not is_open(first)


def test_it_is_closed_when_nobody_reads_any_more(
    kept: Kept, store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    closed, close = threading.Event(), Connection.close

    def closing(con: Connection) -> None:
        close(con)
        closed.set()

    monkeypatch.setattr(sharing, "IDLE_S", 0.01)
    monkeypatch.setattr(Connection, "close", closing)
    con = used(kept, store)
    # nobody asks it meanwhile: readers take turns with the one who closes
    assert closed.wait(60)
    assert not is_open(con)


def test_it_is_closed_after_a_while_in_any_case(
    kept: Kept, store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = used(kept, store)
    monkeypatch.setattr(sharing, "LONGEST_S", 0.0)
    assert used(kept, store) is not first
    assert not is_open(first)


def test_it_is_closed_at_the_end_of_a_block_when_somebody_waits_to_write(
    kept: Kept, store: Path
) -> None:
    with holding(writer_lock(store), "a load"):
        assert not is_open(used(kept, store))
    kept.let_go()


def test_a_writer_in_another_process_gets_in_while_block_follows_block(
    kept: Kept, store: Path
) -> None:
    with subprocess.Popen([sys.executable, "-c", _WRITES, str(store)]) as writer:
        until = time.monotonic() + 60
        while writer.poll() is None and time.monotonic() < until:
            used(kept, store)
        assert writer.wait(60) == 0
    with kept.reading(), open_store(store, read_only=True) as con:
        assert scalar(con, "SELECT count(*) FROM written") == 0
    kept.let_go()


def test_a_store_that_came_in_its_place_is_read(kept: Kept, store: Path) -> None:
    other = store.with_name("other.duckdb")
    make_store(other)
    with open_store(other) as con:
        con.execute("CREATE TABLE restored (n INTEGER)")
    first = used(kept, store)
    shutil.move(other, store)
    with kept.reading(), open_store(store, read_only=True) as con:
        assert con is not first
        assert scalar(con, "SELECT count(*) FROM restored") == 0
    kept.let_go()


def test_the_copy_beside_a_store_that_is_written_is_not_kept(kept: Kept, store: Path) -> None:
    with long_writing(store, "a load"), open_store(store):
        con = used(kept, store)
        assert con.path.name.endswith(".reading")
        assert not is_open(con)


def test_a_block_that_fails_leaves_nothing_open(kept: Kept, store: Path) -> None:
    first = used(kept, store)
    with pytest.raises(ZeroDivisionError), kept.reading():
        assert 1 / 0
    assert not is_open(first)
