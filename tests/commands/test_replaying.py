"""Files read again after a map was mended: as if the mended map had been there from the first."""

import os
import shutil
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from afterclear.commands.app import App
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.intake.replaying import replay
from afterclear.config import Config
from afterclear.errors import RefusedFileError, UsageError
from afterclear.readers.child.reading_process import Readers
from afterclear.records import LoadResult
from afterclear.store.engine.database import Connection, open_store, query
from afterclear.store.engine.database import transaction as whole_transaction

pytestmark = pytest.mark.slow

MAP = """
kind = "delimited"
files = ["{files}"]
date_format = ["{dates}"]
[[table]]
into = "scans"
[table.columns]
vehicle_id = "v"
scan_id = "s"
scanned_at = "t"
ecu = {{ value = "engine" }}
code = "c"
status = {{ from = "w", values = {{ {words} }} }}
"""
FILE = "s,v,t,c,w\nS1,T-1,03/04/2025,P0301,on\nS2,T-1,04/04/2025,P0302,off\n"
TABLES = ("vehicles", "scans", "clears", "repairs", "rejections")


class Desk:
    """A user's folder: config, maps, files; and what its store holds."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.imports = folder / "config" / "imports"
        self.imports.mkdir(parents=True, exist_ok=True)
        self._now = datetime(2026, 11, 1, tzinfo=UTC)
        self.app = App(Config(folder / "config"), folder / "x.duckdb", self._clock)

    def _clock(self) -> datetime:
        self._now += timedelta(seconds=1)
        return self._now

    def map(self, name: str = "a", **keys: str) -> None:
        given = {"files": "a*.csv", "dates": "%d/%m/%Y", "words": 'on = "confirmed"'} | keys
        (self.imports / f"{name}.toml").write_text(MAP.format(**given), encoding="utf-8")

    def load(self, name: str, text: str, written_at: int | None = None) -> LoadResult:
        path = self.folder / name
        path.write_text(text, encoding="utf-8")
        if written_at is not None:
            os.utime(path, (written_at, written_at))
        return load_paths(self.app, [path], Whose(), lambda _: None).results[0]

    def replay(self, *load_ids: int, everything: bool = False) -> list[LoadResult]:
        report = replay(self.app, load_ids, lambda _: None, everything=everything)
        return list(report.load.results)

    def ask(self, sql: str) -> list[tuple[object, ...]]:
        with open_store(self.app.store) as con:
            return query(con, sql).rows()

    def holds(self) -> dict[str, list[tuple[object, ...]]]:
        """Everything but numbers of loads."""
        return {
            table: sorted(self.ask(f"SELECT * EXCLUDE (load_id) FROM {table}"), key=str)
            for table in TABLES
        }

    def adds_up(self) -> bool:
        """Tell whether rows of loads that count are the rows there are, each once."""
        wrong = self.ask(
            """SELECT l.load_id FROM loads l WHERE outcome = 'stored' AND rows_stored <> (
                   SELECT count(*) FROM (
                       SELECT load_id FROM scans UNION ALL SELECT load_id FROM vehicles
                       UNION ALL SELECT load_id FROM clears UNION ALL SELECT load_id FROM repairs
                       UNION ALL SELECT load_id FROM superseded) r WHERE r.load_id = l.load_id)
               UNION SELECT load_id FROM loads WHERE outcome = 'stored' AND rows_rejected <> (
                   SELECT count(*) FROM (
                       SELECT load_id FROM rejections
                       UNION ALL SELECT load_id FROM replaced_rejections) r
                   WHERE r.load_id = loads.load_id)"""
        )
        orphans = self.ask(
            """SELECT load_id FROM scans WHERE load_id NOT IN (
                   SELECT load_id FROM loads WHERE outcome = 'stored')"""
        )
        return not wrong and not orphans


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


def test_a_mended_word_stores_the_refused_row_and_counts_nothing_twice(desk: Desk) -> None:
    desk.map()
    assert desk.load("a1.csv", FILE).rows_rejected == 1
    desk.map(words='on = "confirmed", off = "stored"')
    results = desk.replay()
    assert [(r.load_id, r.rows_stored, r.rows_rejected) for r in results] == [(2, 2, 0)]
    assert desk.ask("SELECT scan_id, status FROM scans ORDER BY 1") == [
        ("S1", "confirmed"),
        ("S2", "stored"),
    ]
    assert desk.ask("SELECT count(*) FROM rejections") == [(0,)]
    assert desk.ask("SELECT load_id, replaced_by FROM replaced_rejections") == [(1, 2)]
    assert desk.ask("SELECT load_id, outcome FROM loads ORDER BY 1") == [
        (1, "replaced"),
        (2, "stored"),
    ]
    assert desk.adds_up()


def test_rows_under_a_wrong_key_go(desk: Desk) -> None:
    """Month and day in turn: the rows of the old reading must not stay beside the new."""
    desk.map(dates="%m/%d/%Y", words='on = "confirmed", off = "stored"')
    desk.load("a1.csv", FILE)
    desk.map(words='on = "confirmed", off = "stored"')
    desk.replay(1)
    days = desk.ask("SELECT strftime(scanned_at, '%m-%d') FROM scans ORDER BY 1")
    assert days == [("04-03",), ("04-04",)]
    assert desk.adds_up()


@pytest.mark.slow
def test_a_later_correction_stays_the_later_one(desk: Desk) -> None:
    """Load 2 corrects a row of load 1; load 1 read again must not win over it."""
    desk.map()
    desk.load("a1.csv", FILE)
    desk.map("b", files="b*.csv", words='gone = "previously_active"')
    desk.load("b1.csv", "s,v,t,c,w\nS1,T-1,03/04/2025,P0301,gone\n")
    desk.map(words='on = "confirmed", off = "stored"')
    results = desk.replay(1)
    assert [r.file_name for r in results] == ["a1.csv", "b1.csv"]
    assert desk.ask("SELECT status FROM scans WHERE scan_id = 'S1'") == [("previously_active",)]
    assert desk.adds_up()


@pytest.mark.slow
def test_what_a_load_had_replaced_comes_back_when_it_no_longer_does(desk: Desk) -> None:
    desk.map()
    desk.load("a1.csv", FILE)
    desk.map("b", files="b*.csv", words='gone = "previously_active"')
    desk.load("b1.csv", "s,v,t,c,w\nS1,T-1,03/04/2025,P0301,gone\n")
    desk.map("b", files="b*.csv", words='x = "stored"')  # now the row is refused
    desk.replay(2)
    assert desk.ask("SELECT status, load_id FROM scans WHERE scan_id = 'S1'") == [("confirmed", 1)]
    assert desk.ask("SELECT count(*) FROM superseded") == [(0,)]
    assert desk.adds_up()


def test_a_row_that_was_a_duplicate_is_not_lost(desk: Desk) -> None:
    """Load 2 repeated a row of load 1; when load 1 no longer makes it, load 2 must."""
    desk.map()
    desk.map("b", files="b*.csv")
    desk.load("a1.csv", FILE)
    assert desk.load("b1.csv", FILE.replace("off", "other")).rows_duplicate == 1
    desk.map(words='on = "confirmed"', dates="%Y")  # the first map reads nothing any more
    desk.replay(1)
    assert desk.ask("SELECT scan_id FROM scans") == [("S1",)]
    assert desk.adds_up()


@pytest.mark.slow
def test_reading_everything_again_changes_nothing_if_nothing_was_mended(desk: Desk) -> None:
    desk.map()
    desk.map("b", files="b*.csv", words='gone = "previously_active"')
    desk.load("a1.csv", FILE)
    desk.load("list.csv", "vehicle_id,vin,plate\nT-1,V1,A 1\nT-1,V1,B 2\n")
    desk.load("b1.csv", "s,v,t,c,w\nS1,T-1,03/04/2025,P0301,gone\nS1,T-1,03/04/2025,P0301,gone\n")
    before = desk.holds()
    for _ in range(2):
        desk.replay(everything=True)
        assert desk.holds() == before
        assert desk.adds_up()


def test_a_file_refused_as_a_whole_is_tried_again(desk: Desk) -> None:
    assert desk.load("a1.csv", FILE).outcome == "refused"
    assert [r.outcome for r in desk.replay()] == ["refused"]
    desk.map(words='on = "confirmed", off = "stored"')
    assert [(r.outcome, r.rows_stored) for r in desk.replay()] == [("stored", 2)]
    outcomes = desk.ask("SELECT outcome FROM loads ORDER BY load_id")
    assert outcomes == [("replaced",), ("replaced",), ("stored",)]


def test_a_stored_file_that_would_be_refused_changes_nothing(desk: Desk) -> None:
    desk.map()
    desk.load("a1.csv", FILE)
    before = desk.holds()
    (desk.imports / "a.toml").unlink()
    with pytest.raises(RefusedFileError, match=r"Nothing was changed: load 1"):
        desk.replay()
    assert desk.holds() == before
    assert desk.ask("SELECT outcome FROM loads") == [("stored",)]


@pytest.mark.slow
def test_a_mended_vehicle_list_names_the_rows_it_had_named(desk: Desk) -> None:
    """A plate went to the wrong vehicle; the list, read again, takes its rows along."""
    desk.map("list", files="list*.csv")
    (desk.imports / "list.toml").write_text(
        'kind = "delimited"\nfiles = ["list*.csv"]\n[[table]]\ninto = "vehicles"\n'
        '[table.columns]\nvehicle_id = "wrong"\nplate = "plate"\n',
        encoding="utf-8",
    )
    (desk.imports / "p.toml").write_text(
        'kind = "delimited"\nfiles = ["p*.csv"]\n[[table]]\ninto = "scans"\n[table.columns]\n'
        'plate = "plate"\nscanned_at = "t"\necu = { value = "engine" }\n',
        encoding="utf-8",
    )
    desk.load("list.csv", "wrong,right,plate\nT-9,T-1,A 1\n")
    desk.load("p1.csv", "plate,t\nA 1,2025-01-01\n")
    assert desk.ask("SELECT vehicle_id FROM scans") == [("T-9",)]
    mended = (desk.imports / "list.toml").read_text(encoding="utf-8").replace('"wrong"', '"right"')
    (desk.imports / "list.toml").write_text(mended, encoding="utf-8")
    assert len(desk.replay(1)) == 2
    assert desk.ask("SELECT vehicle_id FROM scans") == [("T-1",)]
    assert desk.ask("SELECT vehicle_id FROM vehicles") == [("T-1",)]
    assert desk.adds_up()


def test_an_unknown_or_replaced_load_is_no_load_to_read_again(desk: Desk) -> None:
    desk.map()
    desk.load("a1.csv", FILE)
    desk.replay()
    with pytest.raises(UsageError, match="no load 1, 99"):
        desk.replay(1, 99)


def test_with_nothing_to_mend_nothing_is_read(desk: Desk) -> None:
    desk.map(words='on = "confirmed", off = "stored"')
    desk.load("a1.csv", FILE)
    assert desk.replay() == []


BY_VIN = """
kind = "delimited"
files = ["v*.csv"]
[[table]]
into = "scans"
[table.columns]
vin = "vin"
scan_id = "s"
scanned_at = "t"
ecu = { value = "engine" }
code = "c"
odometer_km = "km"
"""
VIN = "XZ9AA11B2C3000001"


@pytest.fixture
def renamed(desk: Desk) -> Desk:
    """Let a row come by VIN and be corrected, then a list name the vehicle."""
    (desk.imports / "v.toml").write_text(BY_VIN, encoding="utf-8")
    desk.load("v1.csv", f"s,vin,t,c,km\nS1,{VIN},2025-04-03,P0301,100\n")
    desk.load("v2.csv", f"s,vin,t,c,km\nS1,{VIN},2025-04-03,P0301,200\n,,,P0302,\n")
    desk.load("list.csv", f"vehicle_id,vin\nT-1,{VIN}\n")
    return desk


@pytest.mark.slow
def test_a_row_replaced_under_a_vin_comes_back_under_the_number(renamed: Desk) -> None:
    """Load 2 refused a row, so it is read again; what it had replaced must not stay by VIN."""
    renamed.replay(2)
    assert renamed.ask("SELECT vehicle_id, odometer_km FROM scans") == [("T-1", 200.0)]
    assert renamed.adds_up()


@pytest.mark.slow
def test_an_older_row_under_a_vin_is_still_a_duplicate_under_the_number(renamed: Desk) -> None:
    """What was corrected before the list came is not corrected back by a file of before it."""
    old = f"s,vin,t,c,km\nS1,{VIN},2025-04-03,P0301,100\n\n"
    again = renamed.load("v3.csv", old, written_at=1_700_000_000)
    assert again.rows_duplicate == 1
    assert renamed.ask("SELECT vehicle_id, odometer_km FROM scans") == [("T-1", 200.0)]


@pytest.mark.slow
def test_a_row_that_was_refused_does_not_win_over_a_later_correction(desk: Desk) -> None:
    """Load 2 did not build on load 1, whose row was refused; but it came later."""
    desk.map()
    desk.load("a1.csv", FILE)
    desk.map("b", files="b*.csv", words='gone = "previously_active"')
    desk.load("b1.csv", "s,v,t,c,w\nS2,T-1,04/04/2025,P0302,gone\n")
    desk.map(words='on = "confirmed", off = "stored"')
    for _ in range(2):  # the second time, the numbers of the loads are no longer in their order
        assert [r.file_name for r in desk.replay(everything=True)] == ["a1.csv", "b1.csv"]
        assert desk.ask("SELECT status FROM scans WHERE scan_id = 'S2'") == [("previously_active",)]
        assert desk.adds_up()


def test_a_file_that_was_refused_does_not_win_over_a_later_correction(desk: Desk) -> None:
    """There was no map at all; the later file, stored meanwhile, is read again after it."""
    desk.load("a1.csv", FILE)
    desk.map("b", files="b*.csv", words='gone = "previously_active"')
    desk.load("b1.csv", "s,v,t,c,w\nS2,T-1,04/04/2025,P0302,gone\n")
    desk.map(words='on = "confirmed", off = "stored"')
    assert [r.file_name for r in desk.replay()] == ["a1.csv", "b1.csv"]
    assert desk.ask("SELECT status FROM scans WHERE scan_id = 'S2'") == [("previously_active",)]
    assert desk.adds_up()


def test_a_list_that_was_refused_names_the_rows_refused_for_want_of_it(desk: Desk) -> None:
    """One replay is enough: the list is read before the rows that need it."""
    (desk.imports / "p.toml").write_text(
        BY_VIN.replace("v*.csv", "p*.csv").replace('vin = "vin"', 'plate = "plate"'),
        encoding="utf-8",
    )
    assert desk.load("p1.csv", "s,plate,t,c,km\nS1,A 1,2025-04-03,P0301,100\n").rows_rejected == 1
    assert desk.load("list.csv", "number,plate\nT-1,A 1\n").outcome == "refused"
    (desk.imports / "list.toml").write_text(
        'kind = "delimited"\nfiles = ["list*.csv"]\n[[table]]\ninto = "vehicles"\n'
        '[table.columns]\nvehicle_id = "number"\nplate = "plate"\n',
        encoding="utf-8",
    )
    desk.replay()
    assert desk.ask("SELECT vehicle_id FROM scans") == [("T-1",)]
    assert desk.adds_up()


def test_bytes_refused_twice_are_stored_once(desk: Desk) -> None:
    desk.load("a1.csv", FILE)
    desk.load("a2.csv", FILE)
    desk.map(words='on = "confirmed", off = "stored"')
    assert [r.outcome for r in desk.replay()] == ["stored", "known"]
    outcomes = desk.ask("SELECT outcome FROM loads ORDER BY load_id")
    assert outcomes == [("replaced",), ("replaced",), ("stored",)]


class _Killed(BaseException):
    """Stands for a kill: nothing that catches errors sees it."""


def _zip(desk: Desk, name: str, files: dict[str, str]) -> None:
    with zipfile.ZipFile(desk.folder / name, "w") as packed:
        for inner, text in files.items():
            packed.writestr(zipfile.ZipInfo(inner), text)
    load_paths(desk.app, [desk.folder / name], Whose(), lambda _: None)


def _refused_and_stored(desk: Desk) -> None:
    """Leave a file with a refused row, two refused as a whole, and a zip that was refused."""
    desk.map()
    desk.load("a1.csv", FILE)
    desk.load("x1.csv", "nothing,known\n1,2\n")
    desk.load("y1.csv", "nothing,either\n1,2\n")
    with pytest.MonkeyPatch.context() as limits:
        limits.setattr(Readers, "unpacked", _refusing)
        _zip(desk, "z.zip", {"a9.csv": FILE.replace("S", "Z"), "no.csv": "no,table\n1,2\n"})
    desk.map(words='on = "confirmed", off = "stored"')


def _refusing(*_: object) -> None:
    raise RefusedFileError("too many files within")


def _ledger(desk: Desk) -> list[tuple[object, ...]]:
    return desk.ask("SELECT * EXCLUDE (started_at, finished_at) FROM loads ORDER BY load_id")


@pytest.mark.slow
def test_a_replay_that_was_killed_and_is_repeated_leaves_the_ledger_of_an_undisturbed_one(
    desk: Desk, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Killed before each of its transactions, one after another."""
    _refused_and_stored(desk)
    whole = Desk(shutil.copytree(desk.folder, tmp_path_factory.mktemp("whole") / "copy"))
    whole.replay()
    ledger, rows = _ledger(whole), whole.holds()
    for n in range(6):
        killed = Desk(shutil.copytree(desk.folder, tmp_path_factory.mktemp("killed") / "copy"))
        with pytest.MonkeyPatch.context() as kill:
            _killed_at(n, kill)
            with pytest.raises(_Killed):
                killed.replay()
        killed.replay()
        assert (_ledger(killed), killed.holds()) == (ledger, rows), f"killed at transaction {n}"
        assert killed.adds_up()
        assert killed.ask("SELECT * FROM replay_left") == []


def _killed_at(n: int, patch: pytest.MonkeyPatch) -> list[int]:
    """Let the ``n``-th transaction of a replay not begin."""
    begun = [0]

    @contextmanager
    def transaction(con: Connection) -> Iterator[None]:
        begun[0] += 1
        if begun[0] > n:
            raise _Killed
        with whole_transaction(con):
            yield

    for module in ("afterclear.load", "afterclear.read_again"):
        patch.setattr(f"{module}.transaction", transaction)
    return begun


@pytest.mark.slow
def test_what_a_replay_of_other_loads_had_left_is_done_first(desk: Desk) -> None:
    _refused_and_stored(desk)
    with pytest.MonkeyPatch.context() as kill:
        _killed_at(1, kill)
        with pytest.raises(_Killed):
            desk.replay()
    assert desk.ask("SELECT count(*) FROM replay_left") == [(3,)]
    files = [r.file_name for r in desk.replay(5)]
    assert files == ["x1.csv", "y1.csv", "z.zip/a9.csv", "z.zip/no.csv", "z.zip", "a1.csv"]
    assert desk.adds_up()
