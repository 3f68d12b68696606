"""A scan that its source tells again is replaced as a whole; what is only part of it is added."""

import os
from pathlib import Path

import pytest

from afterclear.load import Arrival, load_files
from afterclear.records import LoadResult
from afterclear.store.engine.database import open_store
from afterclear.store.intake import direct_load
from afterclear.store.upkeep.checks import check_rows
from tests.store.deliveries import HEAD, NOON, adds_up, load, rows, write

pytestmark = pytest.mark.slow

AT = "2025-03-30T10:00:00Z"
# unit and code of a row
Rows = list[tuple[str, str]]
LEFT = "SELECT vehicle_id, ecu, coalesce(code, '') FROM scans WHERE scan_id = 'S1' ORDER BY ALL"
REPLACED = """SELECT row_json->>'ecu', coalesce(row_json->>'code', ''), load_id, superseded_by
    FROM superseded ORDER BY ALL"""


# small files go the long way; that large ones end alike by theirs, the long run shows
@pytest.fixture(
    params=[pytest.param(0, marks=pytest.mark.slow), direct_load.FROM_BYTES],
    ids=["short way", "long way"],
)
def store(tmp_path: Path, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(direct_load, "FROM_BYTES", request.param)
    return tmp_path / "store.duckdb"


def said(
    told: Rows, vehicle: str = "V1", *, scan: str = "S1", at: str = AT, km: str = "1000"
) -> str:
    """Write the rows of one scan."""
    return "".join(f"{scan},{vehicle},{at},{km},{unit},{code},\n" for unit, code in told)


def scans(folder: Path, name: str, *texts: str) -> Path:
    return write(folder, name, HEAD + "".join(texts))


def stands(store: Path, vehicle: str = "V1") -> Rows:
    """Give the units and codes of the scan that stand, checking that all rows are accounted for."""
    with open_store(store) as con:
        assert not [f for f in check_rows(con) if f.n_breaches]
    return [(str(ecu), str(code)) for owner, ecu, code in rows(store, LEFT) if owner == vehicle]


@pytest.mark.parametrize(
    ("before", "again"),
    [
        ([("engine", "P0301")], [("engine", "P0302")]),  # the code was wrong
        ([("engine", "P0301")], [("gearbox", "P0301")]),  # ... the unit
        ([("engine", "P0301"), ("engine", "P0302")], [("engine", "")]),  # read again, now clean
        ([("engine", "")], [("engine", "P0301")]),  # a code was overlooked
        ([("engine", "P0301"), ("brakes", "C0034")], [("engine", "P0301")]),  # a unit was not read
        (
            [("engine", "P0301"), ("brakes", "C0034")],
            [("engine", "P0301"), ("airbag", "C0034")],
        ),
    ],
)
def test_the_later_word_on_a_scan_is_the_whole_scan(
    store: Path, tmp_path: Path, before: Rows, again: Rows
) -> None:
    first = scans(tmp_path, "a.csv", said(before))
    result = load(store, first, scans(tmp_path, "b.csv", said(again)))[1]
    assert stands(store) == sorted(again)
    gone = [(*row, 1, 2) for row in sorted(before) if row not in again]
    assert rows(store, REPLACED) == gone
    assert f"scans told again as a whole: 1, rows no longer in them: {len(gone)}" in result.note
    assert adds_up([result])
    assert ("V1", 2) in rows(store, "SELECT vehicle_id, load_id FROM stale_vehicles")


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ([("engine", "P0301")], [("brakes", "C0034")]),  # a file a unit
        ([("engine", "U0100")], [("brakes", "")]),
        (
            [("engine", "P0301"), ("brakes", "C0034")],
            [("brakes", "C0040"), ("airbag", "")],
        ),  # an export cut between two rows of one unit
    ],
)
def test_another_part_of_a_scan_is_added(
    store: Path, tmp_path: Path, one: Rows, other: Rows
) -> None:
    load(store, scans(tmp_path, "a.csv", said(one)), scans(tmp_path, "b.csv", said(other)))
    assert stands(store) == sorted(one + other)


def test_the_same_rows_in_another_file_are_duplicates(store: Path, tmp_path: Path) -> None:
    both = said([("engine", "P0301"), ("brakes", "")])
    first = scans(tmp_path, "a.csv", both)
    result = load(store, first, scans(tmp_path, "b.csv", both, said([("engine", "")], scan="S2")))
    assert (result[1].rows_stored, result[1].rows_duplicate) == (1, 2)
    assert "told again" not in result[1].note
    assert rows(store, REPLACED) == []


def test_another_source_replaces_no_scan(store: Path, tmp_path: Path) -> None:
    files = [
        scans(tmp_path, "a.csv", said([("engine", "P0301")])),
        scans(tmp_path, "b.csv", said([("engine", "P0302")])),
    ]
    arrivals = [Arrival(f"source of {f.name}", f, f.name) for f in files]
    with open_store(store) as con:
        list(load_files(con, store.with_suffix(".archive"), arrivals, lambda: NOON))
    assert stands(store) == [("engine", "P0301"), ("engine", "P0302")]


def test_an_old_export_that_comes_again_brings_no_code_back(store: Path, tmp_path: Path) -> None:
    """It has another scan in it, so it is another file; it was written before the second was."""
    before, after = said([("engine", "P0301")]), said([("engine", "")])
    old = scans(tmp_path, "c.csv", before, said([("engine", "")], scan="S2"))
    os.utime(old, (1_700_000_000, 1_700_000_000))
    files = scans(tmp_path, "a.csv", before), scans(tmp_path, "b.csv", after), old
    result = load(store, *files)[2]
    assert (result.rows_stored, result.rows_duplicate) == (1, 1)
    assert stands(store) == [("engine", "")]


def test_a_newer_file_may_bring_it_back(store: Path, tmp_path: Path) -> None:
    before, after = said([("engine", "P0301")]), said([("engine", "")])
    files = [scans(tmp_path, "a.csv", before), scans(tmp_path, "b.csv", after)]
    files.append(scans(tmp_path, "c.csv", before, said([("engine", "")], scan="S2")))
    load(store, *files)
    assert stands(store) == [("engine", "P0301")]


def test_a_scan_of_which_a_row_was_refused_replaces_nothing(store: Path, tmp_path: Path) -> None:
    first = scans(tmp_path, "a.csv", said([("engine", "P0301"), ("engine", "P0302")]))
    second = scans(tmp_path, "b.csv", said([("engine", "P0301"), ("engine", "PO3O3X")]))
    result = load(store, first, second)[1]
    assert stands(store) == [("engine", "P0301"), ("engine", "P0302")]
    assert "scans told again but not replaced, for rows refused: 1" in result.note


def test_a_refused_row_of_one_scan_holds_up_no_other(store: Path, tmp_path: Path) -> None:
    wrong = said([("engine", "PO3O3X")], scan="S2")
    first = scans(tmp_path, "a.csv", said([("engine", "P0301")]))
    load(store, first, scans(tmp_path, "b.csv", said([("engine", "")]), wrong))
    assert stands(store) == [("engine", "")]


def corrected(store: Path, folder: Path, *, at: str = AT, km: str = "1000") -> LoadResult:
    """Load one scan under V1, then under V2."""
    told = [("engine", "P0301")]
    first = scans(folder, "a.csv", said(told, "V1", at=at, km=km))
    return load(store, first, scans(folder, "b.csv", said(told, "V2", at=at, km=km)))[1]


def test_a_corrected_vehicle_takes_the_scan_with_it(store: Path, tmp_path: Path) -> None:
    result = corrected(store, tmp_path)
    assert stands(store, "V2") == [("engine", "P0301")]
    assert stands(store, "V1") == []
    assert "scans that were told of another vehicle before: S1 (V1)" in result.note
    assert ("V1", 2) in rows(store, "SELECT vehicle_id, load_id FROM stale_vehicles")


def test_a_day_without_a_distance_is_too_little_to_say_that_a_vehicle_was_corrected(
    store: Path, tmp_path: Path
) -> None:
    result = corrected(store, tmp_path, at="2025-03-30", km="")
    assert stands(store, "V1") == stands(store, "V2") == [("engine", "P0301")]
    assert "scan numbers that stand with another vehicle, too: S1 (V1)" in result.note


def test_numbers_that_begin_anew_with_each_vehicle_correct_none(
    store: Path, tmp_path: Path
) -> None:
    told = [("engine", "P0301")]
    first = scans(tmp_path, "a.csv", said(told), said(told, scan="S2"))
    second = scans(
        tmp_path, "b.csv", said(told, "V2"), said(told, "V2", scan="S2", at="2025-04-01T10:00:00Z")
    )
    result = load(store, first, second)[1]
    assert stands(store, "V1") == stands(store, "V2") == told
    assert "another vehicle" not in result.note
