"""Real recordings and real fleets, end to end.

The data are not part of the project; AFTERCLEAR_OPEN_DATA names the folder that holds them,
and without it these tests are skipped.  What is true of them is told by their publishers:

- can_j1939_tractor: Cal Poly "Tractor Hacking", github.com/TractorHacking/CAN-data, MIT.
- can_j1939_research_truck: Colorado State University, github.com/SystemsCyber/Truck_Sentry, MIT.
- repair_bus_engines_1987: github.com/OpenSourceEconomics/zurcher-data, MIT; Rust 1987,
  Econometrica 55(5), 999-1033.
"""

import csv
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.app import App
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.queries.exporting import export_frame
from afterclear.config import Config
from afterclear.plain import KM_PER_MILE
from afterclear.records import LoadResult

NAMED = os.environ.get("AFTERCLEAR_OPEN_DATA", "")
DATA = Path(NAMED or "no open data named")
pytestmark = pytest.mark.skipif(
    not DATA.is_dir(), reason="AFTERCLEAR_OPEN_DATA names no folder of open data"
)


@pytest.fixture
def app(tmp_path: Path) -> App:
    return App(Config(None), tmp_path / "store.duckdb", lambda: datetime(2026, 11, 1, tzinfo=UTC))


def load(app: App, paths: list[Path], whose: Whose | None = None) -> list[LoadResult]:
    results: list[LoadResult] = []
    load_paths(app, paths, whose or Whose(), results.append)
    assert [r for r in results if r.outcome == "refused"] == []
    assert all(r.rows_read == r.rows_stored + r.rows_duplicate + r.rows_rejected for r in results)
    return results


@pytest.mark.slow
def test_the_tractors_43_sessions_show_the_codes_they_were_made_with(app: App) -> None:
    """SPN 100 FMI 4 with the left sensor unplugged; SPN 524020 FMI 31 in five sessions.

    Two recordings of the engine starting show SPN 100 FMI 4 as well, in four messages and in one:
    not named beside the data, but there in the frames.
    """
    logs = sorted((DATA / "can_j1939_tractor" / "as_candump").rglob("*.log"))
    assert len(logs) == 43
    begun = datetime(2018, 5, 1, tzinfo=UTC)
    for day, log in enumerate(logs):  # the recordings tell no date: one day each, in name order
        load(app, [log], Whose("UTC", "tractor", begun + timedelta(days=day)))
    analyse(app)
    scans = export_frame(app, "scans").drop_nulls("code")
    seen = set(zip(scans["code"], scans["ecu"], strict=True))
    assert {code for code, _ in seen} == {"SPN 100 FMI 4", "SPN 524020 FMI 31"}
    names = {(begun + timedelta(days=day)).date(): log.stem for day, log in enumerate(logs)}
    sessions = {
        code: {names[at.date()] for at in own["scanned_at"]}
        for (code,), own in scans.group_by("code")
    }
    assert sessions == {
        "SPN 100 FMI 4": {
            "LeftSensorUnplugged-CheckEngine-1of3",
            "LeftSensorUnplugged-CheckEngine-2of3",
            "LeftSensorUnplugged-CheckEngine-3of3",
            "StartUp-End",
            "StartUp-FirstHalf",
        },
        "SPN 524020 FMI 31": {
            *(f"noStartInGear{n}" for n in (1, 2, 3, 4)),
            "transmission1and2and3InGear",
        },
    }
    episodes = export_frame(app, "episodes")
    assert sorted(episodes["code"]) == ["SPN 100 FMI 4", "SPN 524020 FMI 31"]
    assert set(episodes["ended_by"]) == {"open"}  # live messages prove no absence


TRUCK = {  # file: number of distinct SPN/FMI, as told beside the data
    "normal.log": 5,
    "tsc1.log": 5,
    "address_claim.log": 6,
    "request_overload_engine.log": 13,
    "dos_full.log": 15,
    "fuzz_1ms_ID_and_Data.log": 3,
}


@pytest.mark.slow
def test_the_trucks_logs_show_the_codes_told_for_each(app: App) -> None:
    folder = DATA / "can_j1939_research_truck"
    found = {}
    begun = datetime(2020, 1, 1, tzinfo=UTC)  # told: a copied file's own date is no witness
    for name in TRUCK:
        load(app, [folder / name], Whose("UTC", f"truck {name}", begun))
    scans = export_frame(app, "scans").drop_nulls("code")
    for name in TRUCK:
        own = scans.filter(scans["vehicle_id"] == f"truck {name}")
        found[name] = own["code"].n_unique()
        assert {"SPN 191 FMI 9", "SPN 84 FMI 9", "SPN 5357 FMI 31"} <= set(own["code"])
    assert found == TRUCK
    vins = export_frame(app, "vehicles")["vin"].drop_nulls()
    assert set(vins) == {"2NKHHM6X2EM406412"}
    assert len(vins) == 2


@pytest.mark.slow
def test_the_166_buses_agree_with_their_odometers_and_with_rusts_table(
    app: App, tmp_path: Path
) -> None:
    """15,964 readings in miles, 124 engine replacements, nothing refused or set aside."""
    vehicles, scans, work_orders = write_buses(DATA / "repair_bus_engines_1987", tmp_path)
    results = load(app, [vehicles, scans])
    assert [r.rows_stored for r in results] == [166, 15_964]
    analyse(app)
    odometer = export_frame(app, "odometer")
    assert odometer["set_aside"].null_count() == len(odometer) == 15_964
    assert (odometer["line_km"] - odometer["reading_km"]).abs().max() == 0

    (orders,) = load(app, [work_orders])
    assert (orders.rows_stored, orders.rows_rejected) == (124, 0)
    analyse(app)
    odometer = export_frame(app, "odometer")
    stated = odometer.filter(odometer["origin"] == "repair")
    # the published month and mileage of a replacement often contradict the monthly readings by a
    # month or more; such a mileage (or, where it fits better, a reading beside it) is set aside
    print(f"\n{stated['set_aside'].count()} of 124 stated mileages do not fit the readings")
    assert set(odometer["set_aside"].drop_nulls()) == {"single"}
    # no code was ever read: a replacement is a part's life, not an attempt at a code
    assert export_frame(app, "attempts").is_empty()
    repairs = export_frame(app, "repairs").sort("vehicle_id", "repaired_at")
    lives = []
    for _, own in repairs.group_by("vehicle_id", maintain_order=True):
        miles = own["odometer_km"].to_numpy() / KM_PER_MILE
        lives += np.diff(miles, prepend=0.0).tolist()
    assert (round(min(lives)), round(max(lives)), len(lives)) == (82_400, 387_300, 124)
    assert (round(np.mean(lives)), round(np.std(lives, ddof=1))) == (216_354, 60_475)


def write_buses(folder: Path, target: Path) -> list[Path]:
    """Bring the published tables into the plain layout: odometer-only scans and repairs."""
    files = {name: target / f"{name}.csv" for name in ("vehicles", "scans", "repairs")}
    with (folder / "buses.csv").open(encoding="utf-8") as text:
        buses = list(csv.DictReader(text))
    with (folder / "odometer_monthly.csv").open(encoding="utf-8") as text:
        readings = list(csv.DictReader(text))
    _write(files["vehicles"], ("vehicle_id", "model"), [(_bus(b), b["group"]) for b in buses])
    _write(
        files["scans"],
        ("scan_id", "vehicle_id", "scanned_at", "odometer_mi"),
        [
            (f"{_bus(r)}-{_month(r)}", _bus(r), f"{_month(r)}-28", r["odometer_miles"])
            for r in readings
        ],
    )
    _write(
        files["repairs"],
        ("repair_id", "vehicle_id", "repaired_at", "odometer_mi", "action", "part_family"),
        [
            (
                f"{_bus(b)}-{n}",
                _bus(b),
                f"{_month(b, f'repl{n}_')}-28",
                b[f"repl{n}_odo"],
                "replace",
                "engine",
            )
            for b in buses
            for n in (1, 2)
            if b[f"repl{n}_odo"]
        ],
    )
    return list(files.values())


def _bus(row: dict[str, str]) -> str:
    return f"{row['group']}-{row['bus_id']}"


def _month(row: dict[str, str], prefix: str = "") -> str:
    year, month = (int(float(row[f"{prefix}{part}"])) for part in ("year", "month"))
    return f"{year}-{month:02d}"


def _write(path: Path, head: tuple[str, ...], rows: list[tuple[str, ...]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(head)
        writer.writerows(rows)
