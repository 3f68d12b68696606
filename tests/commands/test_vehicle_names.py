"""Names of vehicles in refused rows: listed with what may be meant, and said by a person."""

from pathlib import Path

import pytest

from afterclear.commands.intake.replaying import replay
from afterclear.commands.intake.vehicle_names import (
    Meant,
    Said,
    mended_rows,
    n_unknown_names,
    unknown_names,
    vehicle_list,
)
from afterclear.errors import UsageError
from tests.commands.test_returned_rows import HEAD, MAP, VEHICLES, Garage, garage

__all__ = ["garage"]
DEPOT = "Car;When;Unit;Fault\nNH 102;01.07.2025 09:00;engine;P0301\n"


def depot(garage: Garage) -> None:
    garage.map("depot", MAP)
    garage.bring("list.csv", VEHICLES)
    garage.bring("depot_intake.txt", DEPOT)


def say(garage: Garage, said: Said) -> None:
    garage.bring("said.csv", vehicle_list(garage.app, said))
    replay(garage.app, [], lambda _: None)


def test_an_unknown_plate_is_listed_with_the_vehicle_of_one_like_it(garage: Garage) -> None:
    depot(garage)
    (one,) = unknown_names(garage.app)
    assert (one.name, one.is_plate, one.n_rows, one.near) == ("NH 102", True, 1, ("V1",))


def test_all_unknown_names_are_listed_part_by_part(garage: Garage) -> None:
    rows = "".join(f"NH 9{n};01.07.2025 09:00;engine;P0301\n" for n in range(5))
    depot(garage)
    garage.bring("depot_more.txt", f"Car;When;Unit;Fault\n{rows}")
    parts = [unknown_names(garage.app, 4, skip) for skip in (0, 4, 8)]
    assert [len(part) for part in parts] == [4, 2, 0]
    assert len({one.name for part in parts for one in part}) == n_unknown_names(garage.app) == 6


def test_rows_of_a_wrongly_written_plate_come_back_under_the_one_that_is_meant(
    garage: Garage,
) -> None:
    depot(garage)
    with pytest.raises(UsageError, match="No vehicle list has the plate 'NH 999'"):
        mended_rows(garage.app, Meant("NH 102", is_plate=True, meant="NH 999"))
    path = garage.folder / "mended.xlsx"
    path.write_bytes(mended_rows(garage.app, Meant("NH 102", is_plate=True, meant="nh 101")))
    assert garage.load(path).rows_stored == 1
    assert garage.ask("SELECT vehicle_id FROM scans") == [("V1",)]
    assert (unknown_names(garage.app), garage.refused()) == ([], [])


@pytest.mark.slow
def test_rows_of_a_wrongly_written_number_come_back_under_the_one_that_is_meant(
    garage: Garage,
) -> None:
    garage.bring("list.csv", "vehicle_id,plate\nVAN-01,NH 101\n")
    garage.bring("a.csv", f"{HEAD}S1,VAN 1,2025-03-01T08:00:00Z,10,engine,P0301,confirmed\n")
    path = garage.folder / "mended.xlsx"
    path.write_bytes(mended_rows(garage.app, Meant("VAN 1", is_plate=False, meant="VAN-01")))
    assert garage.load(path).rows_stored == 1
    assert garage.ask("SELECT vehicle_id FROM scans") == [("VAN-01",)]
    assert garage.refused() == []


@pytest.mark.slow
@pytest.mark.parametrize(
    ("said", "plates"),
    [
        (Said("NH 102", "V1", is_plate=True, since="2025-06-01"), [("V1", "NH 102")]),
        (Said("NH 102", "V1", is_plate=True, was_before=True), [("V1", "NH 101")]),
        (Said("NH 102", "V2", is_plate=True, is_new=True), [("V1", "NH 101"), ("V2", "NH 102")]),
    ],
)
def test_a_plate_that_is_said_to_be_a_vehicles_brings_its_rows(
    garage: Garage, said: Said, plates: list[tuple[str, str]]
) -> None:
    depot(garage)
    say(garage, said)
    assert unknown_names(garage.app) == []
    assert garage.ask("SELECT vehicle_id FROM scans") == [(said.vehicle_id,)]
    assert garage.ask("SELECT vehicle_id, plate FROM vehicles ORDER BY ALL") == plates
    assert garage.refused() == []


@pytest.mark.slow
def test_a_number_that_is_nearly_a_known_one_can_be_a_vehicle_of_its_own(garage: Garage) -> None:
    garage.bring("list.csv", "vehicle_id,plate\nVAN-01,NH 101\n")
    garage.bring("a.csv", f"{HEAD}S1,VAN 1,2025-03-01T08:00:00Z,10,engine,P0301,confirmed\n")
    (one,) = unknown_names(garage.app)
    assert (one.name, one.is_plate, "VAN-01" in one.expected) == ("VAN 1", False, True)
    say(garage, Said(one.name, one.name, is_plate=False, is_new=True))
    assert garage.ask("SELECT vehicle_id FROM scans") == [("VAN 1",)]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("said", "told"),
    [
        (Said("NH 102", "", is_plate=True), "Say which vehicle it is"),
        (Said("NH 102", "V9", is_plate=True), "No vehicle list has V9"),
        (Said("NH 102", "V1", is_plate=True, is_new=True), "has V1 already"),
        (Said("NH 102", "V1", is_plate=True, since="June"), "'June' is no day"),
        (Said("NH 102", "V2", is_plate=True, since="2025-05-01"), "a plate it has now came later"),
        (
            Said("NH 102", "V2", is_plate=True, since="2025-05-02", was_before=True),
            "a plate before that one it had earlier",
        ),
        (Said("NH 102", "V8", is_plate=True, is_new=True, was_before=True), "no plate now"),
    ],
)
def test_what_cannot_be_is_refused(tmp_path: Path, garage: Garage, said: Said, told: str) -> None:
    depot(garage)
    garage.bring("dated.csv", "vehicle_id,plate,plate_since\nV2,NH 900,2025-05-01\n")
    with pytest.raises(UsageError, match=told):
        vehicle_list(garage.app, said)
    assert not list(tmp_path.glob("said*"))


@pytest.mark.slow
def test_the_present_plate_of_a_vehicle_stays_with_its_day_or_without(garage: Garage) -> None:
    depot(garage)  # its present plate has no day
    say(garage, Said("NH 102", "V1", is_plate=True, since="2025-06-01", was_before=True))
    assert garage.ask("SELECT plate, plate_since FROM vehicles") == [("NH 101", None)]
    assert garage.ask("SELECT outcome FROM loads WHERE file_name = 'said.csv'") == [("stored",)]
