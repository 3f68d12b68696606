"""Readiness and distances of SAE J1939-73."""

import pytest

from afterclear.errors import TruncatedError
from afterclear.protocols import j1939_readiness as readiness
from afterclear.protocols.monitors import MONITORS, incomplete_names

DM5_WAITING = "000014 37 E002 E002"  # public J1939-84 log #1034: nothing has run yet
DM5_ONE_DONE = "000014 37 E002 A002"  # the same unit later
DM26_WAITING = "000000 37 E01E E01E"  # public J1939-84 log #1266


def test_dm5_names_what_has_not_run() -> None:
    """HD OBD (type 14 hex); misfire and fuel are continuous and open, components are done."""
    read = readiness.readiness_from_payload(bytes.fromhex(DM5_WAITING))
    assert (read.n_active, read.n_previously_active, read.obd_type) == (0, 0, 0x14)
    assert incomplete_names(read.monitors) == (
        "misfire fuel_system oxygen_sensor_heater egr_vvt nox_scr exhaust_gas_sensor"
    )


def test_a_test_that_has_run_leaves_the_list() -> None:
    read = readiness.readiness_from_payload(bytes.fromhex(DM5_ONE_DONE))
    assert "oxygen_sensor_heater" not in incomplete_names(read.monitors)


def test_a_unit_without_monitors_is_complete_with_none() -> None:
    read = readiness.readiness_from_payload(bytes.fromhex("0000050000000000"))
    assert incomplete_names(read.monitors) == "none"


def test_every_monitor_of_dm5_has_the_projects_name() -> None:
    monitors = readiness.monitors_from_bytes(bytes(5))
    assert {m.name for m in monitors} <= set(MONITORS)
    assert len(monitors) == 16


def test_dm26_counts_this_trip() -> None:
    """Public J1939-84 log #1266: 0 s, 0 warm-ups, and a unit that does not say."""
    trip = readiness.this_trip_from_payload(bytes.fromhex(DM26_WAITING))
    assert (trip.seconds_since_start, trip.warmups_since_clear) == (0, 0)
    silent = readiness.this_trip_from_payload(bytes.fromhex("FFFFFF0400000000"))
    assert (silent.seconds_since_start, silent.warmups_since_clear) == (None, None)


def test_dm21_counts_distance_and_minutes() -> None:
    """Public J1939-84 log #1217: 0 km, 0 km, 1 min with the lamp, 8 min since the clear."""
    read = readiness.since_clear_from_payload(bytes.fromhex("0000000001000800"))
    assert read == readiness.SinceClear(0, 0, 1, 8)


def test_dm21_without_a_value_is_none() -> None:
    read = readiness.since_clear_from_payload(b"\xff" * 8)
    assert read == readiness.SinceClear(None, None, None, None)


@pytest.mark.parametrize("n_bytes", range(8))
@pytest.mark.parametrize(
    "decode",
    [
        readiness.readiness_from_payload,
        readiness.since_clear_from_payload,
        readiness.this_trip_from_payload,
    ],
)
def test_a_shorter_answer_is_refused(decode, n_bytes: int) -> None:  # noqa: ANN001
    with pytest.raises(TruncatedError, match="needs 8 bytes"):
        decode(bytes(n_bytes))


def test_monitor_fields_are_five_bytes() -> None:
    with pytest.raises(TruncatedError, match="monitor field needs 5 bytes"):
        readiness.monitors_from_bytes(bytes(4))
