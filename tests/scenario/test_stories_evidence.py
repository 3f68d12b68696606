"""The stories about what a scan can prove are in the rows."""

from datetime import date

import pytest

from tests.scenario.make import SAMPLE_DATA
from tests.scenario.reading import (
    KM_PER_MILE,
    Row,
    clears,
    driven,
    looks_after,
    of,
    vehicles,
    with_code,
    work,
)


def _first_rows(vehicle_id: str) -> list[Row]:
    """Give one row for each scan."""
    return list({row.scan_id: row for row in reversed(of(vehicle_id))}.values())[::-1]


def test_the_pending_code_comes_once_and_goes_without_a_clear() -> None:
    fixed = work("M-104", "P0442")[-1]
    sign = [row for row in with_code("M-104", "P0442") if row.at > fixed["at"]]
    sign = [row for row in sign if row.status != "permanent"]
    assert [row.status for row in sign] == ["pending"]
    later = looks_after("M-104", "engine", sign[0].at)
    assert later
    assert not [row for row in later if row.code == "P0442"]
    assert not [at for at in clears("M-104") if at > sign[0].at]


def test_the_pending_code_comes_twice_between_two_repairs() -> None:
    first, second = work("M-105", "P0133")[-2:]
    between = [row for row in with_code("M-105", "P0133") if first["at"] < row.at < second["at"]]
    assert [row.status for row in between if row.status != "permanent"] == ["pending"] * 2


def test_the_permanent_code_is_alone_and_then_gone() -> None:
    fixed = work("H-401", "P0420")[-1]
    left = [row for row in with_code("H-401", "P0420") if row.at > fixed["at"]]
    assert [row.status for row in left] == ["permanent"]
    assert "catalyst" in left[0].cells["monitors_incomplete"].split()
    assert len(looks_after("H-401", "engine", left[0].at)) > 3


def test_nobody_reads_the_brakes_after_the_repair() -> None:
    fixed = work("P-204", "c003a")[-1]
    later = [row for row in of("P-204") if row.at > fixed["at"]]
    assert len({row.scan_id for row in later}) == 3
    assert {row.ecu for row in later} == {"engine", "gateway"}
    assert {row.cells["scan_scope"] for row in later} == {"partial"}


def test_the_airbag_unit_does_not_answer_after_the_repair() -> None:
    fixed = work("M-112", "B0001-13")[-1]
    later = looks_after("M-112", "airbag", fixed["at"])
    assert len(later) == 4
    assert not any(row.answered for row in later)


def test_only_active_codes_are_listened_to_after_the_repair() -> None:
    fixed = work("T-303", "SPN 3216 FMI 4")[-1]
    later = [row for row in of("T-303") if row.at > fixed["at"]]
    assert len({row.scan_id for row in later}) == 5
    assert {row.cells["memory"] for row in later} == {"active_only"}
    assert not any(row.code for row in later)


def test_the_status_bytes_say_untested_and_failed_since_the_clear() -> None:
    soot, nox = work("T-306", "P2463")[-1], work("T-306", "P2202")[-1]
    after_soot = [row.status for row in with_code("T-306", "P2463") if row.at > soot["at"]]
    assert set(after_soot) == {"50"}
    assert len(after_soot) == 2
    after_nox = [row.status for row in with_code("T-306", "P2202") if row.at > nox["at"]]
    assert after_nox[-2:] == ["60", "2F"]


def test_the_counter_tells_of_a_clear_nobody_wrote_down() -> None:
    fixed = work("P-210", "p0128")[-1]
    *_, before, after = looks_after("P-210", "engine", fixed["at"])
    since = int(after.cells["distance_since_clear_km"])
    assert before.km is not None
    assert after.km is not None
    assert since < after.km - before.km - 500
    assert not [at for at in clears("P-210") if before.at <= at <= after.at]


def test_only_the_late_file_shows_the_come_back() -> None:
    fixed = work("T-302", "P0401")[-1]
    back = [row for row in with_code("T-302", "P0401")
            if row.at > fixed["at"] and row.status != "50"]  # fmt: skip
    assert [(row.status, row.file) for row in back] == [("2F", "19_scans_tessgarth_late.jsonl")]
    early = [row for row in looks_after("T-302", "engine", fixed["at"]) if row.at < back[0].at]
    later = looks_after("T-302", "engine", back[0].at)
    assert not [row for row in (*early, *later) if row.code == "P0401" and row.status != "50"]
    assert driven(fixed, later[-1]) > 15000
    assert not [at for at in clears("T-302") if at > back[0].at]


def test_one_reading_is_miles_where_km_belong() -> None:
    km = [row.km for row in _first_rows("M-107") if row.km is not None]
    low = [i for i in range(1, len(km) - 1) if km[i] < km[i - 1] and km[i] < km[i + 1]]
    assert len(low) == 1
    at = low[0]
    assert km[at - 1] < km[at] * KM_PER_MILE < km[at + 1]


def test_one_reading_has_a_wrong_digit() -> None:
    miles = [int(row.cells["odometer_mi"]) for row in _first_rows("P-205")
             if row.cells.get("odometer_mi")]  # fmt: skip
    high = [i for i in range(1, len(miles) - 1) if miles[i] > miles[i + 1]]
    assert len(high) == 1
    at = high[0]
    assert miles[at - 1] < miles[at] - 30000 < miles[at + 1]
    assert str(miles[at])[-4:] == str(miles[at] - 30000)[-4:]


def test_the_sweeper_has_hours_and_no_odometer() -> None:
    rows = of("T-305")
    hours = [float(row.cells["engine_hours"]) for row in rows]
    assert all(row.km is None for row in rows)
    assert hours == sorted(hours)
    assert work("T-305", "SPN 1761 FMI 3")[-1]["km"] is None
    assert not [row for row in rows if row.cells.get("distance_since_clear_km") is not None]


def test_the_recorded_truck_is_repaired_the_day_after() -> None:
    log = next((SAMPLE_DATA / "bus_logs").glob("T-304_*.log"))
    for code in ("SPN 789 FMI 8", "SPN 3216 FMI 4", "SPN 3251 FMI 16"):
        fixed = work("T-304", code)[-1]
        assert 0 < (fixed["at"].date() - _date(log.stem)).days <= 3
        assert with_code("T-304", code)[-1].at < fixed["at"]
    later = [row for row in of("T-304") if row.at > fixed["at"]]
    assert driven(fixed, later[-1]) == pytest.approx(2100, abs=300)


def test_the_makers_number_is_known_by_its_text() -> None:
    rows = with_code("T-307", "Skelvorn:4471")
    assert {row.cells["description"] for row in rows} == {
        "Wheel speed sensor, front right, no signal"
    }
    fixed = work("T-307", "Skelvorn:4471")[0]
    assert rows[-1].at < fixed["at"]
    assert (fixed["part_family"], fixed["position"]) == ("wheel speed sensor", "right front")


def test_two_vehicles_have_one_plate_after_each_other() -> None:
    old, new = vehicles()["M-108"], vehicles()["P-206"]
    assert old["plate"] == new["plate"]
    assert old["stock_status"] == "sold"
    assert of("M-108")[-1].at.date().isoformat() < new["in_service_on"]
    assert of("P-206")[0].at.date().isoformat() > new["in_service_on"]


def _date(stem: str) -> date:
    return date.fromisoformat(stem.partition("_")[2])
