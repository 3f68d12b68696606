"""Whole public recordings, where they are at hand: AFTERCLEAR_OPEN_DATA names their folder.

Truck: six files of github.com/SystemsCyber/Truck_Sentry.  Tractor: 43 sessions of
github.com/TractorHacking/CAN-data as candump lines.  Both MIT.  Messages and codes were counted
with ``grep`` and a separate 40-line script written from the layout tables alone.
"""

import os
from pathlib import Path

import pytest

from tests.readers.bus import codes, read, rows

OPEN_DATA = Path(os.environ.get("AFTERCLEAR_OPEN_DATA") or "no-open-data")
pytestmark = pytest.mark.skipif(
    not OPEN_DATA.is_dir(), reason="AFTERCLEAR_OPEN_DATA names no folder"
)
TRUCK = OPEN_DATA / "can_j1939_research_truck"
TRACTOR = OPEN_DATA / "can_j1939_tractor" / "as_candump"

ENGINE = {"SPN 191 FMI 9", "SPN 84 FMI 9", "SPN 5357 FMI 31"}
GEARBOX = {"SPN 2000 FMI 9", "SPN 2003 FMI 31"}
CAB = {f"SPN {spn} FMI 9" for spn in (917, 3697, 3698, 3703)} | {
    "SPN 1761 FMI 10",
    "SPN 5245 FMI 10",
}
TRUCK_FILES = [  # file, frames, fault messages, codes of SA 0, 3, 11, 49, has a VIN
    (
        "normal.log",
        19_957,
        59 + 32,
        {0: ENGINE, 49: {"SPN 96 FMI 3", "SPN 829 FMI 3"}},
        False,
    ),
    ("tsc1.log", 21_568, 60 + 33, {0: ENGINE, 49: {"SPN 96 FMI 3", "SPN 829 FMI 3"}}, False),
    (
        "address_claim.log",
        15_723,
        49 + 27,
        {0: ENGINE, 3: GEARBOX, 49: {"SPN 1483 FMI 9"}},
        False,
    ),
    (
        "request_overload_engine.log",
        37_884,
        66 + 28,
        {0: ENGINE, 3: GEARBOX, 11: {"SPN 639 FMI 14"}, 49: CAB | {"SPN 1483 FMI 9"}},
        False,
    ),
    (
        "dos_full.log",
        34_857,
        40 + 33,
        {
            0: ENGINE | {"SPN 563 FMI 9", "SPN 96 FMI 9"},
            3: GEARBOX,
            49: CAB | {"SPN 1481 FMI 9", "SPN 1738 FMI 10"},
        },
        True,
    ),
    ("fuzz_1ms_ID_and_Data.log", 28_596, 60 + 30, {0: ENGINE}, True),
]


@pytest.mark.parametrize(("name", "n_frames", "n_faults", "found", "has_vin"), TRUCK_FILES)
def test_a_trucks_recording_gives_exactly_its_codes(
    name: str, n_frames: int, n_faults: int, found: dict[int, set[str]], *, has_vin: bool
) -> None:
    made = read(TRUCK / name)
    expected = {(sa, code) for sa, each in found.items() for code in each}
    assert {(int(ecu.split()[1]), code) for ecu, code in codes(made)} == expected
    assert f"{n_frames:,} frames" in made.note
    assert f"{n_faults} fault messages" in made.note
    assert (len(rows(made, "vehicles")) == 1) is has_vin
    assert made.rejections == ()


SENSOR = {("SA 0 engine", "SPN 100 FMI 4")}
NO_START = {("SA 3 transmission", "SPN 524020 FMI 31")}
TRACTOR_CODES = {  # every other session has none
    "LeftSensorUnplugged-CheckEngine-1of3": (SENSOR, 5),
    "LeftSensorUnplugged-CheckEngine-2of3": (SENSOR, 5),
    "LeftSensorUnplugged-CheckEngine-3of3": (SENSOR, 4),
    "StartUp-FirstHalf": (SENSOR, 1),
    "StartUp-End": (SENSOR, 8),
    "noStartInGear1": (NO_START, 6),
    "noStartInGear2": (NO_START, 7),
    "noStartInGear3": (NO_START, 7),
    "noStartInGear4": (NO_START, 7),
    "transmission1and2and3InGear": (NO_START, 13),
}


def test_all_tractor_sessions_give_exactly_their_codes() -> None:
    sessions = sorted(TRACTOR.rglob("*.log"))
    assert len(sessions) == 43
    n_faults = 0
    for session in sessions:
        made = read(session)
        expected, n_messages = TRACTOR_CODES.get(session.stem, (set(), None))
        assert codes(made) == expected, session.stem
        said = [part for part in made.note.split(", ") if "fault messages" in part]
        n_here = int(said[0].split()[0]) if said else 0
        assert n_messages in (None, n_here), session.stem
        n_faults += n_here
    assert n_faults == 163 + 28
