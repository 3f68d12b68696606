"""Dates outside of any vehicle's life are refused at the door, with what was expected."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.pages.write_digests import digest
from afterclear.store.engine.database import open_store
from tests.hostile.test_sql import app_in, row, take
from tests.store.deliveries import jsonl_text, load, rows, write

BAD = (
    "20224-04-10",
    "infinity",
    "-infinity",
    "0044-03-15 (BC)",
    "epoch",
    "1899-12-31",
    "2101-01-01",
)


@pytest.mark.parametrize("column", ["in_service_on", "acquired_on", "plate_since"])
def test_a_date_of_a_vehicle_lies_in_the_years_of_vehicles(tmp_path: Path, column: str) -> None:
    store = tmp_path / "s.duckdb"
    found = [{"vehicle_id": f"V{i}", column: bad} for i, bad in enumerate(BAD)]
    good = ("1900-01-01", "2100-12-31", "2024-02-29", "")
    found += [{"vehicle_id": f"G{i}", column: day} for i, day in enumerate(good)]
    (result,) = load(store, write(tmp_path, "v.jsonl", jsonl_text(*found)))
    assert (result.rows_stored, result.rows_rejected) == (len(good), len(BAD))
    told = rows(store, "SELECT DISTINCT column_name, expected FROM rejections")
    assert told == [(column, "a date such as 2025-03-30 (ISO 8601), from 1900 to 2100")]


def test_a_time_of_a_scan_lies_in_the_years_of_diagnosis(tmp_path: Path) -> None:
    store = tmp_path / "s.duckdb"
    found = [row(scan_id=f"S{i}", scanned_at=bad) for i, bad in enumerate((*BAD, "1959-12-31"))]
    (result,) = load(store, write(tmp_path, "s.jsonl", jsonl_text(*found, row(scan_id="good"))))
    assert (result.rows_stored, result.rows_rejected) == (1, len(BAD) + 1)
    ((told,),) = rows(store, "SELECT DISTINCT expected FROM rejections")
    assert "from 1960 to 2100" in str(told)


def test_the_years_stand_in_the_settings(tmp_path: Path) -> None:
    app = app_in(tmp_path)
    folder = app.config.folder or tmp_path
    (folder / "afterclear.toml").write_text(
        "[limits]\ntimes_from = 2000\ndates_from = 1980\nuntil = 2030\n", encoding="utf-8"
    )
    app = replace(app, config=type(app.config)(folder))
    scans = [row(scan_id=y, scanned_at=f"{y}-05-01T08:00:00Z") for y in ("1999", "2000", "2031")]
    vehicles = [{"vehicle_id": y, "in_service_on": f"{y}-05-01"} for y in ("1979", "1980", "2031")]
    told = take(
        app,
        write(tmp_path, "s.jsonl", jsonl_text(*scans)),
        write(tmp_path, "v.jsonl", jsonl_text(*vehicles)),
    )
    assert told == ["stored 1 2", "stored 1 2"]


@pytest.mark.slow
def test_a_store_that_took_such_a_date_before_is_mended(tmp_path: Path) -> None:
    app = app_in(tmp_path)
    vehicle = {"vehicle_id": "V1", "in_service_on": "2020-01-01", "stock_status": "in_stock"}
    take(
        app,
        write(tmp_path, "v.jsonl", jsonl_text(vehicle, vehicle | {"vehicle_id": "V2"})),
        write(tmp_path, "s.jsonl", jsonl_text(row(odometer_km=5, code="P0301"))),
    )
    with open_store(app.store) as con:
        con.execute(
            """UPDATE vehicles SET in_service_on = '20224-04-10', acquired_on = 'infinity',
               plate_since = '0044-03-15 (BC)' WHERE vehicle_id = 'V1'"""
        )
        con.execute("DELETE FROM migrations WHERE name LIKE '%_dates.sql'")
    kept = (
        "SELECT in_service_on::VARCHAR, acquired_on, plate_since FROM vehicles ORDER BY vehicle_id"
    )
    assert rows(app.store, kept) == [(None, None, None), ("2020-01-01", None, None)]
    analyse(app, as_of=datetime(2026, 5, 1, tzinfo=UTC))
    assert digest(app).index.exists()
