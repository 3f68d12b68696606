"""Numbers that are nearly a known vehicle's: typing errors, told with the vehicle that is meant.

The VINs are invented; their check digits are computed as 49 CFR 565 says, by the table below.
"""

from pathlib import Path

import pytest

from afterclear.catalogue.vin import read_vin
from afterclear.store.engine.database import open_store
from afterclear.store.intake.near_misses import Lists, lists_of, near_miss
from tests.protocols.encoders import broadcast_frames
from tests.readers.bus import CLEAN, DM1, candump, every_second
from tests.store.deliveries import HEAD, load, rows, write

CHECKED = "1ZZ8GDM9{}KP042788"  # North America: the check digit is required
SISTER = "1ZZ8GDM9{}KP042789"
LAND = "VZZ8GDM94KP042788"  # Europe: none is
LIST = "vehicle_id,vin,plate\n"
SCAN = "S{n},{told},2026-03-30T10:00:00+00:00,1000,engine,P0301,stored\n"


def with_check_digit(vin: str) -> str:
    """Fill in the ninth place: the one of eleven that fits."""
    (found,) = (
        whole
        for digit in "0123456789X"
        if read_vin(whole := vin.format(digit), 2027).check_digit == "valid"
    )
    return found


OWN = with_check_digit(CHECKED)


@pytest.fixture(scope="module")
def lists(tmp_path_factory: pytest.TempPathFactory) -> Lists:
    """Give what a store knows with three vehicles on its list."""
    folder = tmp_path_factory.mktemp("lists")
    known = f"V-01,{OWN},RT-AB 120\nBOX 7,{LAND},\n{LAND.replace('42', '97')},,\n"
    load(folder / "s.db", write(folder, "vehicles.csv", LIST + known))
    with open_store(folder / "s.db") as con:
        return lists_of(con)


@pytest.mark.parametrize("told", ["V-01", "BOX 7", OWN, LAND, LAND.lower()])
def test_a_known_vehicle_is_no_near_miss(lists: Lists, told: str) -> None:
    assert near_miss(told, lists) is None


@pytest.mark.parametrize(
    ("told", "why"),
    [
        (LAND[:-1] + "9", "one digit off"),
        (LAND.replace("0", "O"), "O for 0"),
        (LAND[:-1], "16 characters"),
        (LAND + "8", "18 characters"),
        (LAND.replace("42", "24"), "two neighbours swapped"),
        (OWN[:-1] + "5", "one digit off, and the check digit says so"),
    ],
)
def test_a_vin_with_one_typing_error_is_told_with_its_vehicle(
    lists: Lists, told: str, why: str
) -> None:
    expected = near_miss(told, lists)
    own = "V-01" if told.startswith("1") else "BOX 7"
    assert expected == f"a VIN that is right; this one is nearly that of {own}", why


def test_a_vin_that_is_the_number_too_has_its_near_misses(lists: Lists) -> None:
    number = LAND.replace("42", "97")
    expected = near_miss(number[:-1] + "9", lists)
    assert expected == f"a VIN that is right; this one is nearly that of {number}"


def test_a_sister_vehicle_is_another_where_its_check_digit_proves_it(lists: Lists) -> None:
    """Two of one series follow each other: serial and check digit differ, and both fit."""
    sister = with_check_digit(SISTER)
    assert sister != OWN
    assert near_miss(sister, lists) is None


@pytest.mark.parametrize("told", ["RT-AB 120", "rt ab 120", "RTAB120"])
def test_a_plate_under_the_heading_of_the_vehicle_is_told(lists: Lists, told: str) -> None:
    assert near_miss(told, lists) == (
        "a vehicle's number; this is the plate of V-01: map it as plate, or write V-01"
    )


@pytest.mark.parametrize("told", ["v01", "V1", "V-O1", "V 001"])
def test_a_number_in_another_spelling_is_told(lists: Lists, told: str) -> None:
    assert near_miss(told, lists) == (
        "a vehicle's number; perhaps V-01 is meant, which the vehicle list has"
    )


@pytest.mark.parametrize("told", ["V-02", "V-10", "B0X 8", "T-77", "VZZ8GDM94KP113355"])
def test_what_is_like_no_known_vehicle_is_a_new_one(lists: Lists, told: str) -> None:
    assert near_miss(told, lists) is None


def test_a_near_miss_is_refused_and_its_neighbours_are_stored(tmp_path: Path) -> None:
    store = tmp_path / "s.db"
    load(store, write(tmp_path, "vehicles.csv", LIST + f"V-01,{LAND},RT-AB 120\n"))
    told = ["V-01", LAND[:-1], "RT-AB 120", "V-02"]
    text = "".join(SCAN.format(n=n, told=each) for n, each in enumerate(told))
    (made,) = load(store, write(tmp_path, "scans.csv", HEAD + text))
    assert rows(store, "SELECT vehicle_id FROM scans ORDER BY 1") == [("V-01",), ("V-02",)]
    assert rows(store, "SELECT line, value FROM rejections ORDER BY line") == [
        (3, LAND[:-1]),
        (4, "RT-AB 120"),
    ]
    assert "new vehicles: V-02" in made.note


def test_the_vin_of_a_bus_log_is_no_typing_error(tmp_path: Path) -> None:
    """Control units tell it: of two sisters whose VINs follow each other both are stored."""
    store = tmp_path / "s.db"
    for vin in (LAND, LAND[:-1] + "9"):
        frames = [
            (n / 2, *frame)
            for n, frame in enumerate(broadcast_frames(0, 0xFEEC, f"{vin}*".encode()))
        ]
        log = candump(tmp_path / f"{vin}.log", every_second(DM1, CLEAN) + frames)
        load(store, log)
    assert rows(store, "SELECT vehicle_id FROM scans ORDER BY 1") == [
        (LAND,),
        (LAND[:-1] + "9",),
    ]


def test_hours_beyond_the_limit_are_refused_and_those_at_it_stored(tmp_path: Path) -> None:
    store = tmp_path / "s.db"
    head = "scan_id,vehicle_id,scanned_at,engine_hours,ecu\n"
    scan = "S{},V-01,2026-03-30T10:00:00+00:00,{},engine\n"
    text = scan.format(1, "200000") + scan.format(2, "200000.5")
    load(store, write(tmp_path, "scans.csv", head + text))
    assert rows(store, "SELECT scan_id, engine_hours FROM scans") == [("S1", 200_000)]
    assert rows(store, "SELECT line, column_name, value, expected FROM rejections") == [
        (3, "engine_hours", "200000.5", "at most 200,000 hours (limits in afterclear.toml)")
    ]
