"""What goes out, to a terminal, a spreadsheet or a file; and what is said of a broken store."""

from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner

from afterclear.cli import main
from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.app import App
from afterclear.commands.queries.exporting import export_file
from afterclear.errors import StoreError, UsageError
from afterclear.store.engine.database import open_store, query
from afterclear.store.upkeep import vacuum as care
from tests.hostile.test_sql import app_in, jsonl, row, take
from tests.store.care_fixture import export_text
from tests.store.deliveries import HEAD, load, write

pytestmark = pytest.mark.slow

_ESCAPE = "\x1b]0;owned\x07\x1b[2J\u202eX\r"


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> App:
    folder = tmp_path_factory.mktemp("yard")
    app = app_in(folder / "yard")
    scan = row(vehicle_id="V1", code="P0301", odometer_km=5, description=_ESCAPE, ecu="e" + _ESCAPE)
    known = {
        "vehicle_id": "V1",
        "make": _ESCAPE,
        "site": "=1+1",
        "model": "\n=1+1",
        "plate": "\uff1d1",
    }
    wrong = row(scan_id="S2", vehicle_id="V1", scanned_at="never" + _ESCAPE)
    take(app, jsonl(folder, "s.jsonl", scan, wrong), jsonl(folder, "v.jsonl", known))
    analyse(app)
    return app


def run(app: App, *words: str) -> str:
    told = CliRunner().invoke(main, ["--config", str(app.config.folder), "--store", *words])
    return told.output


def test_no_command_lets_a_file_speak_to_the_terminal(yard: App, tmp_path: Path) -> None:
    path = jsonl(tmp_path, "x.jsonl", row(description=_ESCAPE), row(scanned_at=_ESCAPE))
    store = str(yard.store)
    for words in (
        ("vehicle", "V1"),
        ("map-check", str(path)),
        ("rejections",),
        ("vehicle", _ESCAPE),
    ):
        told = run(yard, store, *words)
        assert told
        assert not set(told) & set("\x1b\x07\u202e\r\x00"), words


def test_an_export_to_a_terminal_commands_nothing_and_to_a_pipe_is_whole(
    yard: App, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "\x1b]0;owned\x07" in run(yard, str(yard.store), "export", "scans")
    monkeypatch.setattr("afterclear.cli.export.is_terminal", lambda: True)
    told = run(yard, str(yard.store), "export", "scans")
    assert not set(told) & set("\x1b\x07\u202e")


def test_a_cell_that_a_spreadsheet_would_run_begins_with_an_apostrophe(yard: App) -> None:
    text = export_text(yard, "vehicles")
    cells = pl.read_csv(text.encode(), infer_schema=False).row(0, named=True)
    assert (cells["site"], cells["model"], cells["plate"]) == ("'=1+1", "'\n=1+1", "'\uff1d1")


@pytest.mark.parametrize("name", ["{store}", "{store}.wal", "{store}.lock", "{archive}/ab/x.zst"])
def test_an_export_never_takes_the_place_of_the_store(yard: App, name: str) -> None:
    place = Path(name.format(store=yard.store, archive=yard.archive))
    before = yard.store.read_bytes()
    with pytest.raises(UsageError, match="belongs to the store"):
        export_file(yard, "scans", "csv", place)
    assert yard.store.read_bytes() == before


# --- a broken store -----------------------------------------------------------------------------


@pytest.fixture
def store(tmp_path: Path) -> Path:
    place = tmp_path / "a block.duckdb"
    lines = "".join(f"S{i},V1,2026-03-01T08:00:00Z,{i},engine,P0301,\n" for i in range(20_000))
    load(place, write(tmp_path, "a.csv", HEAD + lines))
    return place


@pytest.mark.parametrize("read_only", [False, True])
@pytest.mark.parametrize("where", ["head", "block", "end", "all"])
def test_a_damaged_store_is_called_damaged_and_not_in_use(
    store: Path, where: str, *, read_only: bool
) -> None:
    size = store.stat().st_size
    with store.open("r+b") as file:
        if where == "end":
            file.truncate(14_000)
        else:
            file.seek({"head": 4096 + 50, "block": 12_288, "all": 0}[where])
            file.write(b"\xa5" * ((size if where == "all" else size - 100) - file.tell()))
    with (
        pytest.raises(StoreError, match="is damaged, or is no store"),
        open_store(store, read_only=read_only) as con,
    ):
        query(con, "SELECT max(odometer_km), max(ecu), max(scan_id) FROM scans")


def test_the_file_that_is_written_anew_is_for_its_owner_only_from_the_first_byte(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    modes: list[int] = []
    compare = care._compare  # noqa: SLF001 - called while both files are there
    fresh = Path(f"{store}.compact")
    monkeypatch.setattr(
        care, "_compare", lambda con: (modes.append(fresh.stat().st_mode & 0o777), compare(con))
    )
    care.compact(store)
    assert modes == [0o600]
