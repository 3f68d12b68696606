"""Scan rows lie in three tables and are read as one: nothing is lost, and nothing is left over."""

import gc
import re
import weakref
from pathlib import Path

import polars as pl
import pytest

import afterclear
from afterclear.plain import SCANS
from afterclear.store.engine.database import create_temp_table, open_store, scalar, transaction
from afterclear.store.intake import direct_load, scan_stream
from afterclear.store.intake.withdrawal import withdraw
from afterclear.store.merging.rows import stored_columns
from afterclear.store.merging.scan_parts import PARTS
from tests.store.deliveries import contents, load, rows, write

pytestmark = pytest.mark.slow

HEAD = "scan_id,vehicle_id,scanned_at,odometer_km,ecu,code,status,description,monitors_incomplete\n"


# small files go the long way; large ones go straight into their table
@pytest.fixture(params=[0, direct_load.FROM_BYTES], ids=["short way", "long way"])
def store(tmp_path: Path, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give an empty store; every test here goes both ways."""
    monkeypatch.setattr(direct_load, "FROM_BYTES", request.param)
    return tmp_path / "store.duckdb"


def sizes(store: Path) -> dict[str, object]:
    """Count the lines of each part."""
    return {name: rows(store, f"SELECT count(*) FROM {name}")[0][0] for name in PARTS}


def test_what_is_alike_is_kept_once(store: Path, tmp_path: Path) -> None:
    told = "".join(
        f"S{n},V{n % 2},2025-01-0{n}T10:00:00Z,{n}000,{unit},{code},{status},,none\n"
        for n in range(1, 5)
        for unit, code, status in (("engine", "P0301", "confirmed"), ("brakes", "", ""))
    )
    load(store, write(tmp_path, "a.csv", HEAD + told))
    assert sizes(store) == {"scan_facts": 4, "unit_answers": 2, "scan_lines": 8}
    assert rows(
        store, "SELECT scan_id, vehicle_id, ecu, code, odometer_km FROM scans ORDER BY ALL"
    )[-2:] == [("S4", "V0", "brakes", None, 4000.0), ("S4", "V0", "engine", "P0301", 4000.0)]


def test_rows_of_one_scan_that_disagree_stay_as_they_were_told(store: Path, tmp_path: Path) -> None:
    file = write(
        tmp_path,
        "a.csv",
        HEAD
        + "S1,V1,2025-01-01T10:00:00Z,1000,engine,P0301,confirmed,,\n"
        + "S1,V1,2025-01-01T10:04:00Z,1001,brakes,,,,\n"
        + "S1,V1,2025-01-01T10:04:00Z,,airbag,,,,\n",
    )
    (done,) = load(store, file)
    assert (done.rows_stored, done.rows_rejected) == (3, 0)
    assert rows(store, "SELECT ecu, scanned_at::VARCHAR, odometer_km FROM scans ORDER BY 1") == [
        ("airbag", "2025-01-01 10:04:00", None),
        ("brakes", "2025-01-01 10:04:00", 1001.0),
        ("engine", "2025-01-01 10:00:00", 1000.0),
    ]


def test_a_key_told_twice_is_seen_though_its_rows_disagree_in_their_scan(
    store: Path, tmp_path: Path
) -> None:
    row = "S1,V1,2025-01-01T10:0{}:00Z,1000,engine,P0301,confirmed,,\n"
    (done,) = load(store, write(tmp_path, "a.csv", HEAD + row.format(0) + row.format(4)))
    assert (done.rows_stored, done.rows_corrected) == (2, 1)
    assert rows(store, "SELECT scanned_at::VARCHAR FROM scans") == [("2025-01-01 10:04:00",)]


def test_two_spellings_of_one_code_are_one_answer(store: Path, tmp_path: Path) -> None:
    row = "S{},V1,2025-01-0{}T10:00:00Z,1000,engine,{},confirmed,,\n"
    told = "".join(row.format(n, n, code) for n, code in ((1, "P0301"), (2, "p0301"), (3, "none")))
    load(store, write(tmp_path, "a.csv", HEAD + told))
    assert rows(store, "SELECT code FROM unit_answers ORDER BY ALL") == [("P0301",), (None,)]
    assert rows(store, "SELECT scan_id, code FROM scans ORDER BY ALL") == [
        ("S1", "P0301"),
        ("S2", "P0301"),
        ("S3", None),
    ]


def test_a_load_that_goes_leaves_no_fact_and_no_answer(store: Path, tmp_path: Path) -> None:
    kept, gone = (
        write(tmp_path, f"{n}.csv", HEAD + f"S{n},V{n},2025-01-01,1,engine,P030{n},,said {n},\n")
        for n in (1, 2)
    )
    load(store, kept, gone)
    with open_store(store) as con, transaction(con):
        withdraw(con, [2], 2)
    assert sizes(store) == {"scan_facts": 1, "unit_answers": 1, "scan_lines": 1}
    assert rows(store, "SELECT vehicle_id, description FROM scans") == [("V1", "said 1")]


def test_a_corrected_row_takes_its_old_answer_along(store: Path, tmp_path: Path) -> None:
    row = "S1,V1,2025-01-01T10:00:00Z,1000,engine,P0301,confirmed,{},\n"
    load(store, write(tmp_path, "a.csv", HEAD + row.format("misfre")))
    load(store, write(tmp_path, "b.csv", HEAD + row.format("misfire")))
    assert rows(store, "SELECT description FROM unit_answers") == [("misfire",)]
    assert rows(store, "SELECT load_id, description FROM scans") == [(2, "misfire")]


def test_every_column_of_scans_lies_in_one_part() -> None:
    held = [name for columns in PARTS.values() for name in columns]
    assert sorted(held) == sorted([*stored_columns(SCANS), "load_id"])


def test_a_file_in_pieces_is_the_file_as_a_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Cells with line breaks, commas and quotes stand where pieces would end."""
    said = ("misfire", '"seen, twice\nby the ""old"" tool"', "", '"\n\n"')
    told = "".join(
        f"S{n // 3},V{n % 2},2025-01-01T10:0{n // 3 % 10}:00Z,{n // 3},unit {n % 3},P030{n % 4},,"
        f"{said[n % 4]},\n"
        for n in range(60)
    )
    file = write(tmp_path, "a.csv", HEAD + told)
    monkeypatch.setattr(direct_load, "FROM_BYTES", 0)
    monkeypatch.setattr(scan_stream, "PIECE_BYTES", 1_000_000)
    whole, cut = tmp_path / "whole.duckdb", tmp_path / "cut.duckdb"
    load(whole, file)
    for size in (1, 90, 700):
        monkeypatch.setattr(scan_stream, "PIECE_BYTES", size)
        cut.unlink(missing_ok=True)
        (done,) = load(cut, file)
        assert (done.outcome, done.rows_stored) == ("stored", 60)
        assert contents(cut) == contents(whole)


def test_a_row_that_is_wrong_in_its_quotes_is_refused_in_whatever_piece_it_stands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows_told = [f"S{n},V1,2025-01-01T10:0{n}:00Z,{n},engine,,,said,\n" for n in range(9)]
    rows_told[4] = 'S4,V1,2025-01-01T10:04:00Z,4,engine,,,a 5" screen,\n'
    file = write(tmp_path, "a.csv", HEAD + "".join(rows_told))
    monkeypatch.setattr(direct_load, "FROM_BYTES", 0)
    monkeypatch.setattr(scan_stream, "PIECE_BYTES", 60)
    (short,) = load(tmp_path / "short.duckdb", file)
    monkeypatch.setattr(direct_load, "FROM_BYTES", 1_000_000)
    (long,) = load(tmp_path / "long.duckdb", file)
    assert (short.rows_stored, short.rows_rejected) == (long.rows_stored, long.rows_rejected)
    assert contents(tmp_path / "short.duckdb") == contents(tmp_path / "long.duckdb")


def test_no_table_of_the_moment_is_called_as_a_part_is() -> None:
    """The view would read it in the part's place."""
    source = Path(afterclear.__file__).parent
    made = {
        name
        for file in (*source.rglob("*.py"), *source.rglob("*.sql"))
        for pair in re.findall(
            r"TEMP (?:TABLE|VIEW) (?:IF NOT EXISTS )?(\w+)|create_temp_table\(\s*con,\s*\"(\w+)\"",
            file.read_text(encoding="utf-8"),
        )
        for name in pair
    }
    assert {"bucket", "scan_rows", "facts_told"} <= made
    assert not made & PARTS.keys()


def test_a_transaction_lets_go_of_frames_it_has_read(tmp_path: Path) -> None:
    """A large file's frames would else be held until its last piece is in."""
    frame = pl.DataFrame({"n": range(3)})
    held = weakref.ref(frame)
    store = tmp_path / "store.duckdb"
    with open_store(store) as con, transaction(con):
        create_temp_table(con, "read_once", frame)
        del frame
        gc.collect()
        assert held() is None
        assert scalar(con, "SELECT count(*) FROM read_once") == 3
