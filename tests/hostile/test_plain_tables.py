"""Plain tables far from what a table is: loaded, or refused with a reason, and never more."""

import json
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.pages.write_digests import digest
from afterclear.plain import Takes
from tests.hostile.test_sql import app_in, jsonl, row, take
from tests.store.deliveries import HEAD, load, rows, write

pytestmark = pytest.mark.slow

_LINE = "S{0},V1,2026-03-01T08:00:00Z,{0},engine,P0301,\n"


def test_thousands_of_rows_with_one_key_are_one_row_and_its_corrections(tmp_path: Path) -> None:
    store = tmp_path / "s.duckdb"
    n = 4000
    lines = [f"S1,V1,2026-03-01T08:00:00Z,{i // 2},engine,P0301,\n" for i in range(n)]
    (result,) = load(store, write(tmp_path, "a.csv", HEAD + "".join(lines)))
    assert (result.rows_read, result.rows_stored, result.rows_duplicate) == (n, n // 2, n // 2)
    assert result.rows_corrected == n // 2 - 1
    assert rows(store, "SELECT odometer_km FROM scans") == [(n // 2 - 1,)]
    kept = rows(store, "SELECT (row_json->>'odometer_km')::INT FROM superseded")
    assert sorted(kept) == [(i,) for i in range(n // 2 - 1)]


def test_a_table_of_more_columns_than_are_taken_is_refused_with_the_number(tmp_path: Path) -> None:
    store = tmp_path / "s.duckdb"
    wide = ",".join(f"u{i}" for i in range(20_000))
    (result,) = load(
        store,
        write(tmp_path, "a.csv", HEAD.strip() + "," + wide + "\n" + "S1,V1,x\n"),
    )
    assert result.outcome == "refused"
    assert "headings" in result.note
    narrow = ",".join(f"u{i}" for i in range(8000))
    (result,) = load(store, write(tmp_path, "b.csv", HEAD.strip() + "," + narrow + "\n"))
    assert (result.outcome, "more than 500 columns" in result.note) == ("refused", True)
    assert "max_columns" in result.note


def test_json_lines_of_more_keys_than_are_taken_are_refused(tmp_path: Path) -> None:
    store = tmp_path / "s.duckdb"
    found = [row(**{f"u{i}_{j}": 1 for j in range(300)}) for i in range(100)]
    (result,) = load(store, jsonl(tmp_path, "a.jsonl", *found))
    assert (result.outcome, "more than 500 columns" in result.note) == ("refused", True)
    (result,) = load(store, jsonl(tmp_path, "b.jsonl", found[0]))
    assert result.outcome == "stored"


def test_how_many_columns_are_taken_stands_in_the_settings(tmp_path: Path) -> None:
    app = app_in(tmp_path)
    path = write(tmp_path, "a.csv", HEAD.strip() + ",".join(["", *(f"u{i}" for i in range(40))]))
    (app.config.folder or tmp_path).joinpath("afterclear.toml").write_text(
        "[limits]\nmax_columns = 30\n", encoding="utf-8"
    )
    strict = replace(app, config=type(app.config)(app.config.folder))
    (told,) = take(strict, path)
    assert "more than 30 columns" in told
    # the limit of days ahead goes with the clock; all else is the usual
    assert replace(app.takes, latest=None) == Takes()


def test_a_column_called_line_is_a_column_like_any_other(tmp_path: Path) -> None:
    store = tmp_path / "s.duckdb"
    text = HEAD.strip() + ",_line\n" + "S1,V1,2026-03-01T08:00:00Z,1,x,P0301,,seven\n"
    text += "S2,V1,never,1,x,P0301,,eight\n"
    (result,) = load(store, write(tmp_path, "a.csv", text))
    assert (result.outcome, result.rows_stored, result.rows_rejected) == ("stored", 1, 1)
    assert rows(store, "SELECT extras FROM scans") == [('{"_line":"seven"}',)]
    assert rows(store, "SELECT line FROM rejections") == [(3,)]


def test_columns_without_a_heading_are_kept_by_their_place(tmp_path: Path) -> None:
    store = tmp_path / "s.duckdb"
    text = HEAD.strip() + ", ,\n" + "S1,V1,2026-03-01T08:00:00Z,1,x,P0301,,left,\n"
    (result,) = load(store, write(tmp_path, "a.csv", text))
    assert (result.outcome, result.rows_stored) == ("stored", 1)
    assert rows(store, "SELECT extras FROM scans") == [('{"column 8":"left","column 9":null}',)]


@pytest.mark.parametrize("quote", ["", '"'])
@pytest.mark.parametrize("n_bytes", [999_000, 1_100_000, 4_100_000, 17_000_000, 40_000_000])
def test_no_row_vanishes_however_long_it_is(tmp_path: Path, n_bytes: int, quote: str) -> None:
    store = tmp_path / "s.duckdb"
    lines = [_LINE.format(i) for i in range(12)]
    lines[6] = f"S6,V1,2026-03-01T08:00:00Z,6,{quote}{'x' * n_bytes}{quote},P0301,\n"
    (result,) = load(store, write(tmp_path, "a.csv", HEAD + "".join(lines)))
    if n_bytes > 32_000_000:
        assert result.outcome == "refused"
        assert "Line 8 has 40,0" in result.note
        return
    fits = n_bytes < 1_000_000
    assert (result.rows_stored, result.rows_rejected) == ((12, 0) if fits else (11, 1))
    assert rows(store, "SELECT line FROM rejections") == ([] if fits else [(8,)])


@pytest.mark.parametrize("n_bytes", [1_100_000, 17_000_000])
def test_a_json_line_that_is_too_long_refuses_its_file_and_says_which(
    tmp_path: Path, n_bytes: int
) -> None:
    store = tmp_path / "s.duckdb"
    path = jsonl(tmp_path, "a.jsonl", row(), row(scan_id="S2", notes="x" * n_bytes), row())
    (result,) = load(store, path)
    assert result.outcome == "refused"
    assert "Line 2 has " in result.note


def test_a_vehicle_and_a_file_may_have_names_of_254_letters(tmp_path: Path) -> None:
    app = app_in(tmp_path)
    name = "ä" * 254
    told = take(
        app,
        jsonl(tmp_path, "a." + "x" * 252, row(vehicle_id=name, code="P0301", odometer_km=5)),
        write(tmp_path, "b" * 250 + ".csv", f"vehicle_id,plate\n{name},{name}\n"),
    )
    assert told == ["stored 1 0", "stored 1 0"]
    analyse(app)
    assert digest(app).index.exists()


def test_a_lone_separator_sign_in_json_lines_refuses_no_other_line(tmp_path: Path) -> None:
    store = tmp_path / "s.duckdb"
    text = json.dumps(row()) + '\n{"scan_id": "a\x1fb"}\n' + json.dumps(row(scan_id="S2")) + "\n"
    (result,) = load(store, write(tmp_path, "a.jsonl", text))
    assert (result.rows_stored, result.rows_rejected) == (2, 1)


def test_parquet_with_a_folder_like_name_gets_no_column_of_it(tmp_path: Path) -> None:
    store = tmp_path / "s.duckdb"
    place = tmp_path / "site=North"
    place.mkdir()
    pl.DataFrame([row()]).write_parquet(place / "a.parquet")
    (result,) = load(store, place / "a.parquet")
    assert result.rows_stored == 1
    assert rows(store, "SELECT extras FROM scans") == [(None,)]
