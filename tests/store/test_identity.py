"""Whose rows these are: number, VIN and plate over time; nothing doubtful is decided."""

from pathlib import Path

import polars as pl
import pytest

from afterclear.load import Arrival, load_files
from afterclear.records import LoadResult, PlainRows
from afterclear.store.engine.database import open_store, query
from afterclear.store.intake.identity import under_own_number
from afterclear.store.queries.exports import EXPORTS
from tests.store.deliveries import HEAD, NOON, load, rows, write

pytestmark = pytest.mark.slow

VIN_1, VIN_2 = "XZ9AA11B2C3000001", "XZ9AA11B2C3000002"
LIST = "vehicle_id,vin,plate,plate_since\n"
MAP = """
kind = "delimited"
files = ["marks*.csv"]
[[table]]
into = "scans"
[table.columns]
vehicle_id = { from = "number", optional = true }
vin = { from = "vin", optional = true }
plate = { from = "plate", optional = true }
scanned_at = "at"
ecu = { value = "engine" }
code = { from = "code", optional = true }
"""


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "x.duckdb"


def with_map(store: Path, *files: Path) -> list[LoadResult]:
    """Load files of marks through a map of their own."""
    imports = store.parent / "imports"
    imports.mkdir(exist_ok=True)
    (imports / "marks.toml").write_text(MAP, encoding="utf-8")
    arrivals = [Arrival("test", file, file.name) for file in files]
    with open_store(store) as con:
        archive = store.with_suffix(".archive")
        return list(load_files(con, archive, arrivals, lambda: NOON, imports))


def owners(store: Path) -> list[tuple[object, ...]]:
    return rows(store, "SELECT strftime(scanned_at, '%Y-%m-%d'), vehicle_id FROM scans ORDER BY 1")


def refused(store: Path) -> list[tuple[object, ...]]:
    return rows(store, "SELECT line, column_name, value, expected FROM rejections ORDER BY line")


def test_a_plate_is_the_vehicle_that_had_it_on_that_day(tmp_path: Path, store: Path) -> None:
    """The plate moves from T-1 to T-2 on 15 May; in between nobody had it."""
    load(
        store,
        write(
            tmp_path,
            "list.csv",
            f"{LIST}T-1,{VIN_1},NX 04 KLM,2020-01-01\nT-1,{VIN_1},WX 1,2025-05-02\n"
            f"T-2,{VIN_2},AA 11 BB,2020-01-01\nT-2,{VIN_2},NX-04-KLM,2025-05-15\n",
        ),
    )
    text = (
        "plate,at\nnx04klm,2025-05-01\nNX 04 KLM,2025-05-10\n"
        "NX 04 KLM,2025-05-15\nWX 1,2025-06-01\n"
    )
    with_map(store, write(tmp_path, "marks.csv", text))
    assert owners(store) == [("2025-05-01", "T-1"), ("2025-05-15", "T-2"), ("2025-06-01", "T-1")]
    [(line, column, value, expected)] = refused(store)
    assert (line, column, value) == (3, "plate", "NX 04 KLM")
    assert "exactly one vehicle had on 2025-05-10" in str(expected)


def test_a_plate_two_may_have_had_is_refused(tmp_path: Path, store: Path) -> None:
    load(store, write(tmp_path, "list.csv", f"{LIST}T-1,,NX 1,\nT-2,,NX 1,\n"))
    with_map(store, write(tmp_path, "marks.csv", "plate,at\nNX 1,2025-05-01\n"))
    assert owners(store) == []
    assert "T-1, T-2" in str(refused(store)[0][3])


def test_a_plate_without_a_time_asks_for_the_time(tmp_path: Path, store: Path) -> None:
    """Whose it was cannot be told, however well the list knows it; the day is what is missing."""
    load(store, write(tmp_path, "list.csv", f"{LIST}T-1,,NX 1,2020-01-01\n"))
    with_map(store, write(tmp_path, "marks.csv", "plate,at\nNX 1,\n"))
    said = [str(expected) for *_, expected in refused(store)]
    assert any("a time, since plates move" in text for text in said), said
    assert not any("None" in text for text in said)


def test_an_unknown_plate_is_refused(tmp_path: Path, store: Path) -> None:
    with_map(store, write(tmp_path, "marks.csv", "plate,at\nNX 1,2025-05-01\n"))
    assert "vehicle list" in str(refused(store)[0][3])


def test_a_vin_of_two_vehicles_is_refused(tmp_path: Path, store: Path) -> None:
    load(store, write(tmp_path, "list.csv", f"{LIST}T-1,{VIN_1},,\nT-2,{VIN_1},,\n"))
    with_map(store, write(tmp_path, "marks.csv", f"vin,at\n{VIN_1},2025-05-01\n"))
    assert owners(store) == []
    assert "T-1, T-2 all have it" in str(refused(store)[0][3])


def test_a_number_and_a_vin_that_contradict_each_other_are_refused(
    tmp_path: Path, store: Path
) -> None:
    load(store, write(tmp_path, "list.csv", f"{LIST}T-1,{VIN_1},,\nT-2,{VIN_2},,\n"))
    text = f"number,vin,at\nT-1,{VIN_2},2025-05-01\nT-1,{VIN_1},2025-05-02\n,{VIN_2},2025-05-03\n"
    with_map(store, write(tmp_path, "marks.csv", text))
    assert owners(store) == [("2025-05-02", "T-1"), ("2025-05-03", "T-2")]
    assert [(line, "is T-2's" in str(said)) for line, *_, said in refused(store)] == [(2, True)]


def test_a_vin_counts_more_than_a_plate_and_that_is_told(tmp_path: Path, store: Path) -> None:
    load(store, write(tmp_path, "list.csv", f"{LIST}T-1,{VIN_1},A 1,\nT-2,{VIN_2},B 2,\n"))
    text = f"vin,plate,at\n{VIN_1},B 2,2025-05-01\n"
    result = with_map(store, write(tmp_path, "marks.csv", text))[0]
    assert owners(store) == [("2025-05-01", "T-1")]
    assert result.note == "rows taken by VIN whose plate is another vehicle's: 1"


def test_rows_of_a_vin_move_to_the_number_a_later_list_gives(tmp_path: Path, store: Path) -> None:
    """Both are rebuilt; the move is told; a second delivery is still a duplicate."""
    scans = write(tmp_path, "marks.csv", f"vin,at,code\n{VIN_1},2025-05-01,P0301\n")
    with_map(store, scans)
    assert owners(store) == [("2025-05-01", VIN_1)]
    result = load(store, write(tmp_path, "list.csv", f"{LIST}T-1,{VIN_1},,\n"))[0]
    assert owners(store) == [("2025-05-01", "T-1")]
    assert "earlier rows put under the number their VIN was now given: 1" in result.note
    assert {v for (v,) in rows(store, "SELECT vehicle_id FROM stale_vehicles")} == {VIN_1, "T-1"}
    again = write(tmp_path, "marks2.csv", f"vin,at,code\n{VIN_1},2025-05-01,P0301\n\n")
    assert with_map(store, again)[0].rows_duplicate == 1


def test_what_was_decided_under_a_vin_goes_with_the_vehicle(tmp_path: Path, store: Path) -> None:
    """A word on an attempt becomes one on its code: the attempt has another name now."""
    load(store, write(tmp_path, "list.csv", f"{LIST}T-9,,,\n"))
    with_map(store, write(tmp_path, "marks.csv", f"vin,at\n{VIN_1},2025-05-01\n"))
    with open_store(store) as con:
        for number, attempt in ((1, "NULL"), (2, "'A1'")):
            con.execute(
                f"""INSERT INTO decisions BY NAME SELECT {number} AS decision_id,
                        '{VIN_1}' AS vehicle_id, {attempt} AS attempt_id, 'accept' AS word,
                        'Ada' AS decided_by, now()::TIMESTAMP AS decided_at"""
            )
        con.execute(
            f"""INSERT INTO attempts BY NAME SELECT 'A1' AS attempt_id, '{VIN_1}' AS vehicle_id,
                    'engine' AS ecu, 'P0301' AS code, 'misfire' AS family, 'repair' AS kind,
                    1 AS attempt_no, false AS is_repeat, now()::TIMESTAMP AS attempted_at,
                    0 AS clean_km, 0 AS clean_days, false AS returned, false AS stayed,
                    0 AS scans_used"""
        )
    load(store, write(tmp_path, "later.csv", f"{LIST}T-1,{VIN_1},,\n"))
    assert rows(
        store, "SELECT vehicle_id, attempt_id, ecu, code FROM decisions ORDER BY decision_id"
    ) == [("T-1", None, None, None), ("T-1", None, "engine", "P0301")]


def test_facts_under_a_vin_are_kept_when_its_number_comes(tmp_path: Path, store: Path) -> None:
    """The row of the list under the VIN is folded into the vehicle's own, and set aside."""
    load(store, write(tmp_path, "a.csv", f"vehicle_id,vin,model\n{VIN_1},{VIN_1},Hauler\n"))
    load(store, write(tmp_path, "b.csv", f"{LIST}T-1,{VIN_1},A 1,\n"))
    assert rows(store, "SELECT vehicle_id, model, plate FROM vehicles") == [
        ("T-1", "Hauler", "A 1")
    ]
    assert rows(store, "SELECT count(*) FROM superseded") == [(1,)]


def test_a_new_plate_does_not_inherit_the_day_of_the_old(tmp_path: Path, store: Path) -> None:
    load(store, write(tmp_path, "a.csv", f"{LIST}T-1,,A 1,2020-01-01\n"))
    load(store, write(tmp_path, "b.csv", f"{LIST}T-1,,B 2,\n"))
    assert rows(store, "SELECT plate, plate_since FROM vehicles") == [("B 2", None)]
    load(store, write(tmp_path, "c.csv", "vehicle_id,vin,plate\nT-1,V,B 2\n"))
    load(store, write(tmp_path, "d.csv", f"{LIST}T-1,,B 2,2024-02-02\n"))
    load(store, write(tmp_path, "e.csv", "vehicle_id,make,plate\nT-1,Corvane,B 2\n"))
    found = rows(store, "SELECT plate, plate_since::VARCHAR, make FROM vehicles")
    assert found == [("B 2", "2024-02-02", "Corvane")]


def test_contradictions_of_the_lists_are_listed(tmp_path: Path, store: Path) -> None:
    load(store, write(tmp_path, "a.csv", f"{LIST}T-1,{VIN_1},A 1,\nT-2,{VIN_1},A 1,\nT-3,V3,,\n"))
    load(store, write(tmp_path, "b.csv", f"{LIST}T-3,V33,,\n"))
    head = "scan_id,vehicle_id,scanned_at,ecu,ecu_vin\n"
    load(store, write(tmp_path, "c.csv", f"{head}S,T-9,2025-01-01,engine,V33\n"))
    with open_store(store) as con:
        found = query(con, EXPORTS["identity_conflicts"]).rows()
    assert [(kind, mark, who) for kind, mark, who, _ in found] == [
        ("ecu_vin", "V33", "T-9"),
        ("ecu_vin_doubt", "V33", "T-9"),
        ("number", "T-3", "V3 V33"),
        ("plate", "A1", "T-1 T-2"),
        ("vin", VIN_1, "T-1 T-2"),
        ("vin_doubt", "V33", "T-3"),
    ]


def test_a_number_that_is_a_known_vin_is_the_vehicles_own(tmp_path: Path, store: Path) -> None:
    """What bus logs do: they name the vehicle by the VIN its units state."""
    load(store, write(tmp_path, "a.csv", f"{LIST}T-1,{VIN_1},,\n"))
    frame = pl.DataFrame(
        {"vehicle_id": [VIN_1, "T-7", None], "scanned_at": ["2025-01-01T00:00:00Z"] * 3}
    )
    frame = frame.with_columns(pl.Series("_line", [1, 2, 3], dtype=pl.Int64))
    with open_store(store) as con:
        found = under_own_number(con, PlainRows("scans", frame))
    assert isinstance(found.part, PlainRows)
    assert found.part.frame["vehicle_id"].to_list() == ["T-1", "T-7", None]
    assert found.by_identifiers
    assert not found.rejections


@pytest.mark.parametrize("short_from", [0, 10**9])
def test_a_plain_table_may_name_a_vehicle_by_its_known_vin(
    tmp_path: Path, store: Path, monkeypatch: pytest.MonkeyPatch, short_from: int
) -> None:
    """By the short way and the long one: new, then a duplicate, then a correction of T-1's row."""
    monkeypatch.setattr("afterclear.store.intake.direct_load.FROM_BYTES", short_from)
    load(store, write(tmp_path, "list.csv", f"{LIST}T-1,{VIN_1},,\n"))
    written = VIN_1.lower()
    told = "S1,{},2025-05-01,{},engine,P0301,\n"
    first = load(store, write(tmp_path, "a.csv", HEAD + told.format(written, 1000)))[0]
    assert (first.rows_stored, owners(store)) == (1, [("2025-05-01", "T-1")])
    again = load(store, write(tmp_path, "b.csv", HEAD + told.format("T-1", 1000)))[0]
    assert (again.rows_stored, again.rows_duplicate) == (0, 1)
    corrected = load(store, write(tmp_path, "c.csv", HEAD + told.format(VIN_1, 1200)))[0]
    assert (corrected.rows_corrected, owners(store)) == (1, [("2025-05-01", "T-1")])
    assert rows(store, "SELECT odometer_km FROM scans") == [(1200,)]
    by_identifiers = rows(store, "SELECT by_marks FROM load_origins ORDER BY load_id")
    assert by_identifiers == [(False,), (True,), (False,), (True,)]


def test_a_vin_of_two_vehicles_in_a_plain_table_is_taken_as_it_is(
    tmp_path: Path, store: Path
) -> None:
    load(store, write(tmp_path, "list.csv", f"{LIST}T-1,{VIN_1},,\nT-2,{VIN_1},,\n"))
    load(store, write(tmp_path, "a.csv", f"{HEAD}S1,{VIN_1},2025-05-01,1000,engine,P0301,\n"))
    assert owners(store) == [("2025-05-01", VIN_1)]
