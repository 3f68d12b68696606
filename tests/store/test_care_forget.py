"""A vehicle that asks to be forgotten is: in the store, its file's bytes, and the archive."""

import hashlib
import re
from pathlib import Path

import pytest
import zstandard

from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.app import App
from afterclear.commands.forgetting import forget, remains
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.intake.replaying import replay
from afterclear.commands.pages.write_digests import digest
from afterclear.commands.scheduler_state import hold_desk
from afterclear.commands.trail import note, take_in_if_free, trail
from afterclear.commands.upkeep import check
from afterclear.config import Config
from afterclear.errors import UsageError
from afterclear.store.engine.database import open_store, query
from tests.store.care_fixture import NOW, WITH_REFUSED, copy_of_garage, exports

MARKS = (b"WTR00000000000001", b"AB-101")


@pytest.fixture(scope="module")
def forgotten(tmp_path_factory: pytest.TempPathFactory, template: Path) -> App:
    """Forget V1 in a copy, for those who only look."""
    app = copy_of_garage(template, tmp_path_factory.mktemp("forgotten"))
    assert any(mark in content for content in archived(app).values() for mark in MARKS)
    note(app, "Ada", "admin", "decided", "accept: V1, ab 101", ["V1", "V2"])
    with hold_desk(app) as brought:  # a desk that was killed left what was brought to it
        (brought / "00").mkdir(parents=True)
        (brought / "00" / "list.csv").write_bytes(MARKS[1])
    assert forget(app, "V1").n_rows > 0
    return app


def archived(app: App) -> dict[str, bytes]:
    unpack = zstandard.ZstdDecompressor()
    return {
        p.stem: unpack.decompress(p.read_bytes(), max_output_size=1 << 24)
        for p in app.archive.glob("??/*.zst")
    }


def test_nothing_of_the_vehicle_is_left(forgotten: App) -> None:
    """V1, its VIN and its plate: in no export, no byte of the store, no archived file."""
    app = forgotten
    for name, text in exports(app).items():
        cells = {cell for line in text.splitlines() for cell in line.split(",")}
        assert "V1" not in cells, name
        assert "6_V1_list.jsonl" not in text, name
    beside = [p for p in app.store.parent.glob(f"{app.store.name}*") if p.is_file()]
    assert not any(mark in p.read_bytes() for p in beside for mark in MARKS)
    assert not Path(f"{app.store}.desk").exists()
    for content in archived(app).values():
        assert not any(mark in content for mark in MARKS)
        assert b",V1," not in content
        assert b'"V1"' not in content


def test_who_did_what_stays_without_the_vehicle_also_if_it_is_noted_later(forgotten: App) -> None:
    note(forgotten, "Ada", "admin", "loaded a file", "V1 again", ["V1", "V3"])
    take_in_if_free(forgotten)
    told = [(entry.about, entry.vehicles) for entry in trail(forgotten, 10)]
    assert sorted(told) == [("(erased) again", ("V3",)), ("accept: (erased), (erased)", ("V2",))]


@pytest.mark.slow
def test_the_other_vehicles_lose_nothing(template: Path, forgotten: App) -> None:
    def others(text: str) -> list[str]:
        return [line for line in text.splitlines() if "V1" not in line.split(",")]

    whole = exports(App(Config(None), template / "garage.duckdb", forgotten.clock))
    before = {name: whole[name] for name in ("scans", "repairs", "clears", "vehicles")}
    after = exports(forgotten)
    assert {name: others(text) for name, text in before.items()} == {
        name: after[name].splitlines() for name in before
    }


def test_the_store_passes_every_check_and_the_archive_keeps_its_hashes(forgotten: App) -> None:
    assert [f.says for f in check(forgotten).wrong] == []
    for name, content in archived(forgotten).items():
        assert hashlib.sha256(content).hexdigest() == name


def test_the_same_file_again_brings_nothing_back(forgotten: App) -> None:
    """The ledger keeps the hash of the file as it came."""
    report = load_paths(forgotten, [forgotten.store.parent / "inbox"], Whose(), lambda _: None)
    assert {r.outcome for r in report.results} == {"known"}


@pytest.mark.slow
def test_a_second_vehicle_is_forgotten_from_the_rewritten_files(app: App) -> None:
    forget(app, "V1")
    forget(app, "V2")
    assert [f.says for f in check(app).wrong] == []
    assert not any(b",V2," in content for content in archived(app).values())
    with open_store(app.store) as con:
        assert query(con, "SELECT DISTINCT vehicle_id FROM scans").rows() == [("V3",)]


def test_the_backups_that_still_name_it_are_told_and_when_they_go(tmp_path: Path) -> None:
    (tmp_path / "config").mkdir()
    (tmp_path / "config" / "schedule.toml").write_text(
        '[[job]]\nname = "safe"\ndoes = "backup"\ninto = "kept"\nkeep = 14\nat = "30 4 * * *"\n'
    )
    app = App(Config(tmp_path / "config"), tmp_path / "garage.duckdb", lambda: NOW)
    assert len(remains(app)) == 1
    (tmp_path / "kept").mkdir()
    (tmp_path / "kept" / "safe-2026-01-01T043000Z.tar").touch()
    _, told = remains(app)
    assert f"Backups of the job 'safe' made before are in {tmp_path / 'kept'}: 1." in told
    assert "goes when 14 more are made" in told


def test_an_unknown_vehicle_is_told(app: App) -> None:
    with pytest.raises(UsageError, match="V9"):
        forget(app, "V9")


@pytest.mark.slow
def test_a_log_of_the_vehicle_is_erased_whole(app: App) -> None:
    """A bus log is about one vehicle; nothing of it can stay."""
    log = app.store.parent / "bus.log"
    log.write_text("(1767225600.000000) can0 18FECA00#04FFB804030AFFFF\n" * 3)
    load_paths(app, [log], Whose(vehicle_id="V1"), lambda _: None)
    n_files = len(archived(app))
    done = forget(app, "V1")
    assert done.files_erased == 1
    assert len(archived(app)) == n_files - 1
    assert [f.says for f in check(app).wrong] == []


def test_a_file_that_lost_rows_is_not_read_again(forgotten: App) -> None:
    """To replay it would leave the ledger without the hash that keeps the vehicle out."""
    assert replay(forgotten, [], lambda _: None).load.results == ()
    with pytest.raises(UsageError, match="no longer in the archive as it came"):
        replay(forgotten, [2], lambda _: None)


STOCK = """vehicle_id,stock_status,acquired_on
V1,in_stock,2025-12-01
V2,in_stock,2025-12-01
"""


def words_of_the_store(app: App) -> dict[str, str]:
    """Every column of every table, as one text."""
    with open_store(app.store, read_only=True) as con:
        columns = query(
            con,
            """SELECT table_name, column_name FROM duckdb_columns() JOIN duckdb_tables()
                   USING (database_name, schema_name, table_name)
               WHERE database_name = 'store' ORDER BY ALL""",
        ).rows()
        return {
            f"{table}.{column}": " ".join(
                query(con, f'SELECT CAST("{column}" AS VARCHAR) AS c FROM store."{table}"')["c"]
                .drop_nulls()
                .to_list()
            )
            for table, column in columns
        }


@pytest.mark.slow
def test_no_column_of_any_table_names_the_vehicle(app: App) -> None:
    """Digests made, verdicts on stock told and refusals of replaced loads among them."""
    home = app.store.parent
    (home / "7_stock.csv").write_text(STOCK, encoding="utf-8")
    load_paths(app, [home / "7_stock.csv"], Whose(), lambda _: None)
    (home / "8_V1_refused.csv").write_text(WITH_REFUSED.replace("S9", "S8"), encoding="utf-8")
    load_paths(app, [home / "8_V1_refused.csv"], Whose(), lambda _: None)
    replay(app, [], lambda _: None)
    analyse(app)
    digest(app)
    named = re.compile(r"(?<![0-9A-Za-z])V1(?![0-9A-Za-z])", re.IGNORECASE)
    before = {place for place, text in words_of_the_store(app).items() if named.search(text)}
    assert any(p.name.startswith("s-") for p in app.reports.rglob("*.html") if named.search(p.name))
    assert before >= {
        "digest_marks.subject",
        "digest_pages.page",
        "replaced_rejections.row_json",
        "replaced_rejections.file_name",
    }
    forget(app, "V1")
    left = {place for place, text in words_of_the_store(app).items() if named.search(text)}
    assert left == set()
    assert [p.name for p in app.reports.rglob("*.html") if named.search(p.name)] == []
    assert [f.says for f in check(app).wrong] == []
