"""One delivery after another: what is stored, what is known already, what is refused and why."""

import os
from pathlib import Path

import polars as pl
import pytest

from afterclear.store.intake import direct_load
from tests.store.deliveries import HEAD, adds_up, load, rows, write

ROW = "S1,V1,2025-03-30T10:00:00Z,1000,engine,P0301,confirmed\n"


# small files go the long way; that large ones end alike by theirs, the long run shows
@pytest.fixture(
    params=[pytest.param(0, marks=pytest.mark.slow), direct_load.FROM_BYTES],
    ids=["short way", "long way"],
)
def store(tmp_path: Path, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give an empty store; every test here goes both ways a table can take into it."""
    monkeypatch.setattr(direct_load, "FROM_BYTES", request.param)
    return tmp_path / "store.duckdb"


def test_a_row_is_stored_in_utc_and_km(store: Path, tmp_path: Path) -> None:
    file = write(
        tmp_path,
        "a.csv",
        "scan_id,vehicle_id,scanned_at,odometer_mi,ecu\nS1,V1,2025-03-30T10:00:00+02:00,100,engine\n",
    )
    load(store, file)
    assert rows(store, "SELECT scanned_at::VARCHAR, odometer_km FROM scans") == [
        ("2025-03-30 08:00:00", pytest.approx(160.9344))
    ]


@pytest.mark.parametrize(
    ("written", "utc"),
    [
        ("2025-01-15T12:00:00", "2025-01-15 11:00:00"),  # winter, an hour ahead of UTC
        ("2025-07-15T12:00:00", "2025-07-15 10:00:00"),
        ("2025-07-15T12:00:00Z", "2025-07-15 12:00:00"),  # an offset wins over the zone
        ("2025-07-15 12:00", "2025-07-15 10:00:00"),
        ("2025-07-15", "2025-07-14 22:00:00"),  # a date is its first instant
    ],
)
def test_a_time_without_an_offset_is_read_in_the_sources_zone(
    store: Path, tmp_path: Path, written: str, utc: str
) -> None:
    load(
        store,
        write(tmp_path, "a.csv", HEAD + f"S1,V1,{written},1,engine,,\n"),
        zone="Europe/Berlin",
    )
    assert rows(store, "SELECT scanned_at::VARCHAR FROM scans") == [(utc,)]


@pytest.mark.parametrize(
    ("told", "kept"),
    [("p0301", "P0301"), ("0x0301", "P0301"), ("C0034:11", "C0034-11"), ("SPN 100 FMI 4",) * 2],
)
def test_codes_are_stored_in_their_normal_spelling(
    store: Path, tmp_path: Path, told: str, kept: str
) -> None:
    load(store, write(tmp_path, "a.csv", HEAD + f"S1,V1,2025-01-01,1,engine,{told},\n"))
    assert rows(store, "SELECT code FROM scans") == [(kept,)]


def test_words_for_no_code_are_a_unit_that_answered_clean(store: Path, tmp_path: Path) -> None:
    """The row that matters most: no code is invented, and no row is refused."""
    said = ("P0000", "0000", "none", "No DTC", "kein Fehler", "---", "0", "RAS", "brak błędów")
    text = "".join(
        f"S{n},V1,2025-03-30T1{n}:00:00Z,1000,engine,{word},\n" for n, word in enumerate(said)
    )
    (made,) = load(store, write(tmp_path, "a.csv", HEAD + text))
    assert (made.rows_stored, made.rows_rejected) == (len(said), 0)
    assert rows(store, "SELECT DISTINCT code FROM scans") == [(None,)]


def test_a_failure_type_of_its_own_column_joins_the_code(store: Path, tmp_path: Path) -> None:
    head = "scan_id,vehicle_id,scanned_at,ecu,code,failure_type\n"
    load(store, write(tmp_path, "a.csv", head + "S1,V1,2025-01-01,brakes,C0034,11\n"))
    assert rows(store, "SELECT code FROM scans") == [("C0034-11",)]


def test_the_same_bytes_twice_are_no_load(store: Path, tmp_path: Path) -> None:
    first, again = (write(tmp_path, name, HEAD + ROW) for name in ("a.csv", "b.csv"))
    results = load(store, first, again)
    assert [r.outcome for r in results] == ["stored", "known"]
    assert rows(store, "SELECT count(*) FROM loads") == [(1,)]


def test_a_row_delivered_again_is_a_counted_duplicate(store: Path, tmp_path: Path) -> None:
    first = write(tmp_path, "a.csv", HEAD + ROW)
    second = write(tmp_path, "b.csv", HEAD + ROW + ROW.replace("P0301", "P0302"))
    results = load(store, first, second)
    assert (results[1].rows_stored, results[1].rows_duplicate) == (1, 1)
    assert adds_up(results)
    assert rows(store, "SELECT count(*) FROM scans") == [(2,)]


def test_a_row_twice_in_one_file_is_stored_once(store: Path, tmp_path: Path) -> None:
    results = load(store, write(tmp_path, "a.csv", HEAD + ROW + ROW))
    assert (results[0].rows_stored, results[0].rows_duplicate) == (1, 1)


def test_a_corrected_row_supersedes_the_old_one_which_is_kept(store: Path, tmp_path: Path) -> None:
    first = write(tmp_path, "a.csv", HEAD + ROW)
    second = write(tmp_path, "b.csv", HEAD + ROW.replace("1000", "1100"))
    results = load(store, first, second)
    assert (results[1].rows_stored, results[1].rows_corrected) == (1, 1)
    assert rows(store, "SELECT odometer_km, load_id FROM scans") == [(1100, 2)]
    assert rows(
        store,
        """SELECT json_extract(row_json, 'odometer_km')::DOUBLE, load_id, superseded_by
           FROM superseded""",
    ) == [(1000, 1, 2)]


def test_a_correction_may_be_corrected_back(store: Path, tmp_path: Path) -> None:
    first = write(tmp_path, "a.csv", HEAD + ROW)
    second = write(tmp_path, "b.csv", HEAD + ROW.replace("1000", "1100"))
    third = write(tmp_path, "c.csv", HEAD + ROW + ROW.replace("S1", "S2"))
    results = load(store, first, second, third)
    assert (results[2].rows_stored, results[2].rows_corrected) == (2, 1)
    assert rows(store, "SELECT odometer_km FROM scans WHERE scan_id = 'S1'") == [(1000,)]
    assert rows(
        store,
        """SELECT json_extract(row_json, 'odometer_km')::DOUBLE, load_id, superseded_by
           FROM superseded ORDER BY load_id""",
    ) == [(1000, 1, 2), (1100, 2, 3)]


def test_the_very_file_of_a_replaced_row_corrects_nothing_back(store: Path, tmp_path: Path) -> None:
    first = write(tmp_path, "a.csv", HEAD + ROW)
    second = write(tmp_path, "b.csv", HEAD + ROW.replace("1000", "1100"))
    again = write(tmp_path, "c.csv", HEAD + ROW)
    assert [r.outcome for r in load(store, first, second, again)] == ["stored", "stored", "known"]
    assert rows(store, "SELECT odometer_km FROM scans") == [(1100,)]


def test_an_old_export_that_comes_again_undoes_no_correction(store: Path, tmp_path: Path) -> None:
    """It has a new row in it, so it is another file; it was written before the correction was."""
    first = write(tmp_path, "a.csv", HEAD + ROW)
    second = write(tmp_path, "b.csv", HEAD + ROW.replace("1000", "1100"))
    third = write(tmp_path, "c.csv", HEAD + ROW + ROW.replace("S1", "S2"))
    os.utime(third, (1_700_000_000, 1_700_000_000))
    results = load(store, first, second, third)
    assert (results[2].rows_stored, results[2].rows_duplicate) == (1, 1)
    assert rows(store, "SELECT odometer_km FROM scans WHERE scan_id = 'S1'") == [(1100,)]


@pytest.mark.parametrize("last", ["", "South"])
def test_facts_of_a_vehicle_are_gathered_along_the_lines_of_a_file(
    store: Path, tmp_path: Path, last: str
) -> None:
    head = "vehicle_id,plate,plate_since,make,site\n"
    load(store, write(tmp_path, "a.csv", head + "V1,A 1,2020-01-01,Veldrun,North\n"))
    more = f"V1,,,,South\nV1,B 2,,,North\nV1,,2024-05-01,Brellow,\nV1,,,,{last}\n"
    (result,) = load(store, write(tmp_path, "b.csv", head + more))
    assert (result.rows_stored, result.rows_duplicate) == ((4, 0) if last else (3, 1))
    told = "SELECT plate, plate_since::VARCHAR, make, site FROM vehicles"
    assert rows(store, told) == [("B 2", "2024-05-01", "Brellow", last or "North")]
    kept = """SELECT row_json->>'plate', row_json->>'plate_since', row_json->>'site'
              FROM superseded ORDER BY rowid"""
    assert rows(store, kept)[:3] == [
        ("A 1", "2020-01-01", "North"),
        ("A 1", "2020-01-01", "South"),
        ("B 2", None, "North"),
    ]


def test_two_contents_of_one_key_in_one_file_leave_the_later(store: Path, tmp_path: Path) -> None:
    results = load(store, write(tmp_path, "a.csv", HEAD + ROW + ROW.replace("1000", "1100")))
    assert (results[0].rows_stored, results[0].rows_corrected) == (2, 1)
    assert rows(store, "SELECT odometer_km FROM scans") == [(1100,)]


def test_pending_and_confirmed_of_one_code_are_two_facts(store: Path, tmp_path: Path) -> None:
    load(store, write(tmp_path, "a.csv", HEAD + ROW + ROW.replace("confirmed", "pending")))
    assert rows(store, "SELECT status FROM scans ORDER BY status") == [("confirmed",), ("pending",)]


def test_an_empty_cell_erases_nothing_known_of_a_vehicle(store: Path, tmp_path: Path) -> None:
    first = write(tmp_path, "a.csv", "vehicle_id,plate,make\nV1,RV-1,Tarrovane\n")
    second = write(tmp_path, "b.csv", "vehicle_id,plate,vin\nV1,RV-2,\n")
    load(store, first, second)
    assert rows(store, "SELECT plate, make FROM vehicles") == [("RV-2", "Tarrovane")]


def test_unknown_columns_are_kept_aside(store: Path, tmp_path: Path) -> None:
    head = "scan_id,vehicle_id,scanned_at,odometer_km,weather\n"
    load(store, write(tmp_path, "a.csv", head + "S1,V1,2025-01-01,5,rain\n"))
    assert rows(store, "SELECT extras FROM scans") == [('{"weather":"rain"}',)]


def test_columns_may_come_in_any_order(store: Path, tmp_path: Path) -> None:
    text = "ecu,scanned_at,code,vehicle_id,scan_id\nengine,2025-01-01,P0301,V1,S1\n"
    load(store, write(tmp_path, "a.csv", text))
    assert rows(store, "SELECT vehicle_id, scan_id, code FROM scans") == [("V1", "S1", "P0301")]


REFUSED = [  # cells of one row, column told, value told, a word of the expectation
    ("S1,,2025-01-01,1,engine,P0301,", "vehicle_id", None, "required"),
    ("S1,V1,30.03.2025,1,engine,P0301,", "scanned_at", "30.03.2025", "ISO 8601"),
    ("S1,V1,2025-02-30,1,engine,P0301,", "scanned_at", "2025-02-30", "ISO 8601"),
    ("S1,V1,2025-01-01,-1,engine,P0301,", "odometer_km", "-1", "0 or more"),
    ('S1,V1,2025-01-01,"1.234,5",engine,P0301,', "odometer_km", "1.234,5", "decimal point"),
    ("S1,V1,2025-01-01,nan,engine,P0301,", "odometer_km", "nan", "number"),
    ("S1,V1,2025-01-01,1,engine,brake fault,", "code", "brake fault", "P0301"),
    ("S1,V1,2025-01-01,1,engine,PO301,", "code", "PO301", "perhaps P0301"),
    ("S1,V1,2025-01-01,1,engine,0301,", "code", "0301", "perhaps P0301"),
    ("S1,V1,2025-01-01,1,engine,3216-31,", "code", "3216-31", "say so: SPN 3216 FMI 31"),
    ("S1,V1,2025-01-01,1,engine,P0301,maybe", "status", "maybe", "confirmed"),
    ("S1,V1,2025-01-01,1,,P0301,", "ecu", None, "control unit"),
    ("S1,V1,2025-01-01,,,,", "ecu", None, "odometer-only"),
    ("S1,V1", None, "S1,V1", "fewer"),
    ("S1,V1,2025-01-01,1,engine,P0301,,more", None, None, "more"),
]


@pytest.mark.parametrize(("cells", "column", "value", "word"), REFUSED)
def test_a_refused_row_says_where_and_what_was_expected(
    store: Path, tmp_path: Path, cells: str, column: str | None, value: str | None, word: str
) -> None:
    """The bad row stands on line 3 between two good ones, which are stored."""
    good = "S{0},V1,2025-01-01,1,engine,P0301,\n"
    text = HEAD + good.format(8) + cells + "\n" + good.format(9)
    results = load(store, write(tmp_path, "a.csv", text))
    assert (results[0].rows_stored, results[0].rows_rejected) == (2, 1)
    assert adds_up(results)
    ((line, told_column, told_value, expected),) = rows(
        store, "SELECT line, column_name, value, expected FROM rejections"
    )
    assert (line, told_column) == (3, column)
    assert word in str(expected)
    if value is not None:
        assert told_value == value


def test_line_numbers_hold_behind_quoted_breaks_blank_lines_and_broken_lines(
    store: Path, tmp_path: Path
) -> None:
    text = (
        HEAD.strip()
        + ",description\n"
        + 'S1,V1,2025-01-01,1,engine,P0301,,"two\nlines"\n'  # lines 2 and 3
        + "\n"  # 4
        + "S2,V1\n"  # 5: too short
        + "S3,V1,never,1,engine,P0301,,\n"  # 6
    )
    results = load(store, write(tmp_path, "a.csv", text))
    assert adds_up(results)
    assert rows(store, "SELECT line FROM rejections ORDER BY line") == [(5,), (6,)]


def test_json_lines_and_parquet_load_like_csv(store: Path, tmp_path: Path) -> None:
    json_lines = write(
        tmp_path,
        "a.jsonl",
        '{"scan_id":"S1","vehicle_id":"V1","scanned_at":"2025-01-01T00:00:00Z","odometer_km":12.5,'
        '"ecu":"engine","code":"P0301"}\n\nno json\n{"scan_id":"S2","vehicle_id":"V1",'
        '"scanned_at":"2025-01-02T00:00:00Z","ecu":"engine","memory":"active_only"}\n',
    )
    frame = pl.DataFrame(
        {"scan_id": ["S3"], "vehicle_id": ["V1"], "scanned_at": ["2025-01-03"], "ecu": ["engine"]}
    ).with_columns(pl.col("scanned_at").str.to_datetime("%Y-%m-%d"))
    frame.write_parquet(tmp_path / "b.parquet")
    results = load(store, json_lines, tmp_path / "b.parquet")
    assert adds_up(results)
    assert rows(store, "SELECT scan_id, memory, odometer_km FROM scans ORDER BY scan_id") == [
        ("S1", "stored", 12.5),
        ("S2", "active_only", None),
        ("S3", "stored", None),
    ]
    assert rows(store, "SELECT line, value FROM rejections") == [(3, "no json")]


def test_both_odometer_units_in_one_file_are_refused_as_a_whole(
    store: Path, tmp_path: Path
) -> None:
    head = "scan_id,vehicle_id,scanned_at,odometer_km,odometer_mi,ecu\n"
    results = load(store, write(tmp_path, "a.csv", head + "S1,V1,2025-01-01,1,1,engine\n"))
    assert results[0].outcome == "refused"
    assert "Keep one of them" in results[0].note
    assert rows(store, "SELECT count(*) FROM scans") == [(0,)]


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("empty.csv", b""),
        ("text.txt", b"just words\nand more\n"),
        ("header_twice.csv", HEAD.encode().replace(b"ecu", b"scan_id")),
        ("picture.png", b"\x89PNG\r\n\x1a\n\x00\x00\x00"),
        ("cut.parquet", b"PAR1 and no more"),
    ],
)
def test_a_file_of_no_known_kind_is_refused_with_what_to_do(
    store: Path, tmp_path: Path, name: str, content: bytes
) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    (result,) = load(store, path)
    assert result.outcome == "refused"
    assert result.note
    assert rows(store, "SELECT outcome, rows_read FROM loads") == [("refused", 0)]


def test_text_that_is_not_utf8_is_refused_by_line(store: Path, tmp_path: Path) -> None:
    path = tmp_path / "latin.csv"
    row = "S2,V1,2025-01-01,1,moteur \u00e9,P0301,\n".encode("latin-1")
    path.write_bytes((HEAD + ROW).encode() + row)
    results = load(store, path)
    assert adds_up(results)
    assert rows(store, "SELECT count(*) FROM scans") == [(1,)]
    assert rows(store, "SELECT line, expected FROM rejections") == [(3, "text in UTF-8")]


def test_a_byte_order_mark_and_windows_line_ends_are_no_trouble(
    store: Path, tmp_path: Path
) -> None:
    path = tmp_path / "bom.csv"
    path.write_bytes(b"\xef\xbb\xbf" + (HEAD + ROW).replace("\n", "\r\n").encode())
    assert load(store, path)[0].rows_stored == 1


def test_every_delivered_byte_is_in_the_archive(store: Path, tmp_path: Path) -> None:
    from afterclear.store.engine.archive import taken_out  # noqa: PLC0415

    file = write(tmp_path, "a.csv", HEAD + ROW)
    (result,) = load(store, file)
    with taken_out(store.with_suffix(".archive"), result.sha256, "a.csv") as snapshot:
        assert snapshot.path.read_bytes() == file.read_bytes()


def test_names_with_quotes_and_breaks_are_only_names(store: Path, tmp_path: Path) -> None:
    head = 'scan_id,vehicle_id,scanned_at,odometer_km,"it\'s ""odd""\n"\n'
    file = write(tmp_path, 'o\'clock "x".csv', head + "S1,V1,2025-01-01,5,1\n")
    assert load(store, file)[0].rows_stored == 1
