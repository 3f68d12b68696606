"""Loads taken back, or put under another vehicle or zone: as if the mistake had never been made."""

import zipfile
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest

from afterclear import read_again
from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.forgetting import forget
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.intake.retracting import Otherwise, Retracted, reassign, retract
from afterclear.commands.upkeep import check
from afterclear.errors import RefusedFileError, UsageError
from afterclear.load import Arrival, load_files
from afterclear.records import LoadResult
from afterclear.store.engine.database import open_store
from tests.commands.test_replaying import Desk

pytestmark = pytest.mark.slow

# a table whose file does not say whose it is
NAMELESS = """
kind = "delimited"
files = ["tool*.csv"]
date_format = ["%d/%m/%Y %H:%M"]
[[table]]
into = "scans"
[table.columns]
scan_id = "s"
scanned_at = "t"
ecu = { value = "engine" }
code = "c"
"""
TOOL = "s,t,c\nS1,03/04/2025 10:00,P0301\nS2,04/04/2025 10:00,P0302\n"
HEAD = "scan_id,vehicle_id,scanned_at,odometer_km,ecu,code\n"
ROW = "S1,V1,2025-04-03T10:00:00Z,100,engine,P0301\n"
STANDS = "SELECT scan_id, vehicle_id, code FROM scans ORDER BY ALL"


class Counter(Desk):
    """A desk where files come with a vehicle and a zone."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        (self.imports / "tool.toml").write_text(NAMELESS, encoding="utf-8")

    def take(self, name: str, text: str, whose: Whose = Whose()) -> LoadResult:  # noqa: B008
        (self.folder / name).write_text(text, encoding="utf-8")
        return load_paths(self.app, [self.folder / name], whose, lambda _: None).results[-1]

    def retract(self, *load_ids: int) -> Retracted:
        return retract(self.app, load_ids, lambda _: None)

    def reassign(
        self, load_id: int, vehicle: str | None = None, zone: str | None = None
    ) -> list[LoadResult]:
        told = Otherwise(vehicle, zone)
        return list(reassign(self.app, load_id, told, lambda _: None).results)

    def is_whole(self) -> bool:
        return self.adds_up() and not [f for f in check(self.app).findings if f.n_breaches]

    def stale(self) -> set[object]:
        return {v for (v,) in self.ask("SELECT DISTINCT vehicle_id FROM stale_vehicles")}


@pytest.fixture
def desk(tmp_path: Path) -> Counter:
    return Counter(tmp_path)


def test_a_file_put_under_another_vehicle_keeps_its_name_when_the_first_is_forgotten(
    desk: Counter,
) -> None:
    desk.take("list.csv", HEAD + ROW.replace("V1", "V9"))
    desk.take("tool1.csv", TOOL, Whose(vehicle_id="V9"))
    desk.reassign(2, "V1")
    forget(desk.app, "V9")
    told = dict(desk.ask("SELECT file_name, note FROM loads WHERE outcome = 'stored'"))
    assert told == {"list.csv": "", "tool1.csv": "(erased)"}
    assert desk.ask("SELECT DISTINCT vehicle_id FROM scans") == [("V1",)]
    assert check(desk.app).wrong == ()


def test_a_load_taken_back_leaves_no_row_and_its_line_says_so(desk: Counter) -> None:
    desk.take("tool1.csv", TOOL, Whose(vehicle_id="V9"))
    done = desk.retract(1)
    assert (done.n_files, done.n_rows_gone, done.n_rows_back) == (1, 2, 0)
    assert desk.ask(STANDS) == []
    ((outcome, note),) = desk.ask("SELECT outcome, note FROM loads")
    assert outcome == "retracted"
    assert "retracted on 2026-11-01" in str(note)
    assert desk.stale() == {"V9"}
    assert desk.is_whole()


def test_what_it_had_replaced_stands_again(desk: Counter) -> None:
    desk.take("a.csv", HEAD + ROW)
    desk.take("b.csv", HEAD + ROW.replace("P0301", ""))
    assert desk.ask(STANDS) == [("S1", "V1", None)]
    assert desk.retract(2).n_rows_back == 1
    assert desk.ask(STANDS) == [("S1", "V1", "P0301")]
    assert desk.is_whole()


def test_what_a_later_load_only_repeated_is_its_own_now(desk: Counter) -> None:
    more = ROW.replace("S1", "S2")
    desk.take("a.csv", HEAD + ROW)
    desk.take("b.csv", HEAD + ROW + more)
    done = desk.retract(1)
    assert [(r.load_id, r.rows_stored, r.rows_duplicate) for r in done.again.results] == [(3, 2, 0)]
    assert desk.ask(STANDS) == [("S1", "V1", "P0301"), ("S2", "V1", "P0301")]
    assert desk.is_whole()


@pytest.mark.slow
def test_one_that_was_broken_off_changed_nothing_and_can_be_done_again(
    desk: Counter, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk.take("a.csv", HEAD + ROW)
    desk.take("b.csv", HEAD + ROW + ROW.replace("S1", "S2"))
    before = desk.holds(), desk.ask("FROM loads")

    def broken_off(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(read_again, "check_order", broken_off)  # the last step before it is kept
        with pytest.raises(KeyboardInterrupt):
            desk.retract(1)
    assert (desk.holds(), desk.ask("FROM loads")) == before
    assert desk.retract(1).n_rows_gone == 1
    assert desk.is_whole()


@pytest.mark.slow
def test_its_histories_go_with_the_next_analysis(desk: Counter) -> None:
    desk.take("a.csv", HEAD + ROW)
    desk.take("b.csv", HEAD + ROW.replace("V1", "V2").replace("S1", "S2"))
    at = desk.app.clock() + timedelta(days=1)
    analyse(desk.app, as_of=at)
    desk.retract(2)
    analyse(desk.app, as_of=at)
    assert desk.ask("SELECT DISTINCT vehicle_id FROM episodes") == [("V1",)]
    assert desk.is_whole()


def test_its_refused_rows_are_no_longer_listed(desk: Counter) -> None:
    desk.take("a.csv", HEAD + ROW + ROW.replace("2025", "year"))
    assert desk.ask("SELECT count(*) FROM rejections") == [(1,)]
    desk.retract(1)
    assert desk.ask("SELECT count(*) FROM rejections") == [(0,)]
    assert desk.is_whole()


def test_all_files_of_an_archive_go(desk: Counter) -> None:
    path = desk.folder / "bundle.zip"
    with zipfile.ZipFile(path, "w") as bundle:
        bundle.writestr("a.csv", HEAD + ROW)
        bundle.writestr("b.csv", HEAD + ROW.replace("S1", "S2"))
    desk.take("c.csv", HEAD + ROW.replace("S1", "S3"))
    load_paths(desk.app, [path], Whose(), lambda _: None)
    ((packed,),) = desk.ask("SELECT load_id FROM loads WHERE reader = 'zip'")
    assert desk.retract(int(str(packed))).n_files == 2
    assert desk.ask(STANDS) == [("S3", "V1", "P0301")]
    assert desk.is_whole()


def test_a_source_that_brings_it_again_is_told(desk: Counter) -> None:
    desk.take("a.csv", HEAD + ROW)
    desk.retract(1)
    again = Arrival("inbox", desk.folder / "a.csv", "a.csv")
    with open_store(desk.app.store) as con:
        (told,) = load_files(con, desk.app.archive, [again], desk.app.clock)
    assert told.outcome == "known"
    assert "load 1, which was retracted" in told.note
    assert desk.ask(STANDS) == []


def test_a_person_may_load_it_again(desk: Counter) -> None:
    desk.take("tool1.csv", TOOL, Whose(vehicle_id="V9"))
    desk.retract(1)
    assert desk.take("tool1.csv", TOOL, Whose(vehicle_id="V1")).rows_stored == 2
    assert desk.is_whole()


@pytest.mark.parametrize("act", [Counter.retract, lambda d, n: d.reassign(n, "V2")])
def test_a_load_that_does_not_count_is_refused(
    desk: Counter, act: Callable[[Counter, int], object]
) -> None:
    desk.take("tool1.csv", TOOL, Whose(vehicle_id="V9"))
    with pytest.raises(UsageError, match="There is no load 7"):
        act(desk, 7)
    desk.retract(1)
    with pytest.raises(UsageError, match="There is no load 1 any more"):
        act(desk, 1)


def test_a_load_is_put_under_another_vehicle_whole(desk: Counter) -> None:
    desk.take("tool1.csv", TOOL, Whose(vehicle_id="V9"))
    (told,) = desk.reassign(1, "V1")
    assert desk.ask(STANDS) == [("S1", "V1", "P0301"), ("S2", "V1", "P0302")]
    assert "reassigned: vehicle V1 instead of V9" in told.note
    assert desk.ask("SELECT outcome FROM loads ORDER BY load_id") == [("replaced",), ("stored",)]
    assert desk.stale() >= {"V1", "V9"}
    assert desk.is_whole()


@pytest.mark.slow
def test_read_again_it_stays_where_it_was_put(desk: Counter) -> None:
    desk.take("tool1.csv", TOOL, Whose(vehicle_id="V9"))
    desk.reassign(1, "V1")
    desk.replay(everything=True)
    assert {row[1] for row in desk.ask(STANDS)} == {"V1"}


def test_a_load_is_read_in_another_zone(desk: Counter) -> None:
    desk.take("tool1.csv", TOOL, Whose(vehicle_id="V1"))
    desk.reassign(1, zone="Europe/Berlin")
    hours = desk.ask("SELECT DISTINCT hour(scanned_at) FROM scans")
    assert hours == [(8,)]
    assert desk.is_whole()


def test_a_file_that_was_refused_for_want_of_a_vehicle_is_taken_in(desk: Counter) -> None:
    refused = desk.take("tool1.csv", TOOL)
    assert refused.rows_stored == 0
    desk.reassign(1, "V1")
    assert len(desk.ask(STANDS)) == 2
    assert desk.is_whole()


def test_a_file_that_names_its_vehicles_is_not_put_elsewhere(desk: Counter) -> None:
    desk.take("a.csv", HEAD + ROW)
    with pytest.raises(UsageError, match="names its vehicles itself"):
        desk.reassign(1, "V2")
    assert desk.ask(STANDS) == [("S1", "V1", "P0301")]
    assert desk.ask("SELECT outcome FROM loads") == [("stored",)]


def test_the_same_vehicle_again_is_no_change(desk: Counter) -> None:
    desk.take("tool1.csv", TOOL, Whose(vehicle_id="V1"))
    with pytest.raises(UsageError, match="the same vehicle and zone"):
        desk.reassign(1, "V1")


def test_a_file_refused_as_before_is_told_so(desk: Counter) -> None:
    desk.take("odd.csv", "no,table\n1,2\n")
    with pytest.raises(RefusedFileError, match="refused as before"):
        desk.reassign(1, "V1")


def test_known_bytes_with_another_vehicle_are_not_passed_over(desk: Counter) -> None:
    desk.take("tool1.csv", TOOL, Whose(vehicle_id="V9"))
    told = desk.take("tool1.csv", TOOL, Whose(vehicle_id="V1"))
    assert told.outcome == "refused"
    assert "'afterclear reassign 1 --vehicle V1' changes that" in told.note
    assert "taken for vehicle V9" in told.note


def test_known_bytes_in_another_zone_are_not_passed_over(desk: Counter) -> None:
    desk.take("tool1.csv", TOOL, Whose(vehicle_id="V9"))
    told = desk.take("tool1.csv", TOOL, Whose("Europe/Berlin", "V9"))
    assert told.outcome == "refused"
    assert "'afterclear reassign 1 --zone Europe/Berlin' changes that" in told.note


@pytest.mark.parametrize("whose", [Whose(), Whose(vehicle_id="V9"), Whose("UTC", "V9")])
def test_known_bytes_told_the_same_are_known(desk: Counter, whose: Whose) -> None:
    desk.take("tool1.csv", TOOL, Whose(vehicle_id="V9"))
    assert desk.take("tool1.csv", TOOL, whose).outcome == "known"


def test_known_bytes_that_name_their_vehicles_are_known_whatever_is_told(desk: Counter) -> None:
    desk.take("a.csv", HEAD + ROW, Whose(vehicle_id="V8"))
    assert desk.take("a.csv", HEAD + ROW, Whose(vehicle_id="V9")).outcome == "known"
