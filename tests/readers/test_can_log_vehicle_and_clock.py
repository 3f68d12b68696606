"""Whose vehicle a bus recording is, and which moments its scans have."""

import os
from pathlib import Path

import pytest

from afterclear.errors import RefusedFileError
from tests.protocols.encoders import addressed_frames, broadcast_frames
from tests.readers.bus import BEGIN, CLEAN, DM1, Frame, candump, every_second, one_code, read, rows

# --- whose vehicle ------------------------------------------------------------------------

VIN = "W0L000051T2123456"  # of scapy's OBD tests


def timed(frames: list[tuple[int, bytes]], begin: float = 10.0) -> list[Frame]:
    return [(begin + 0.05 * n, *frame) for n, frame in enumerate(frames)]


def vin_frames(vin: str, source: int = 0) -> list[Frame]:
    return timed(broadcast_frames(source, 0xFEEC, f"{vin}*".encode()))


def test_the_vin_on_the_bus_names_the_vehicle(tmp_path: Path) -> None:
    log = candump(tmp_path / "a.log", every_second(DM1, CLEAN) + vin_frames(VIN))
    made = read(log, vehicle_id=None)
    (row,) = rows(made, "scans")
    assert (row["vehicle_id"], row["ecu_vin"]) == (VIN, VIN)
    assert rows(made, "vehicles") == [{"vehicle_id": VIN, "vin": VIN, "_line": 9}]


def test_a_vin_asked_for_by_a_tool_is_read_too(tmp_path: Path) -> None:
    frames = timed(addressed_frames(0, 249, 0xFEEC, f"{VIN}*".encode()))
    log = candump(tmp_path / "a.log", every_second(DM1, CLEAN) + frames)
    assert rows(read(log), "vehicles") == [{"vehicle_id": "T-1", "vin": VIN, "_line": 10}]


def test_a_recording_of_nobody_is_refused_with_the_way_out(tmp_path: Path) -> None:
    log = candump(tmp_path / "a.log", every_second(DM1, CLEAN))
    with pytest.raises(RefusedFileError, match=r"`load --vehicle ID`.*sources\.toml"):
        read(log, vehicle_id=None)


def test_two_vins_on_one_bus_name_nobody(tmp_path: Path) -> None:
    """A swapped unit carries another vehicle's VIN: a person must say whose recording it is."""
    other = VIN.replace("6", "7")
    frames = every_second(DM1, CLEAN) + vin_frames(VIN) + vin_frames(other, 3)
    log = candump(tmp_path / "a.log", frames)
    with pytest.raises(RefusedFileError, match="2 VINs"):
        read(log, vehicle_id=None)
    made = read(log)
    assert rows(made, "vehicles") == []
    assert rows(made, "scans")[0]["ecu_vin"] == VIN


# --- which moment -------------------------------------------------------------------------


def test_a_relative_clock_begins_where_the_delivery_says(tmp_path: Path) -> None:
    made = read(candump(tmp_path / "a.log", every_second(DM1, CLEAN, 2.5)))
    assert rows(made, "scans")[0]["scanned_at"] == "2024-05-01T12:00:02.500+00:00"
    assert "begun as stated" in made.note


def test_without_a_stated_begin_the_files_time_is_taken_and_said(tmp_path: Path) -> None:
    log = candump(tmp_path / "a.log", every_second(DM1, CLEAN))
    os.utime(log, (BEGIN.timestamp(), BEGIN.timestamp() + 3600))
    made = read(log, started_at=None)
    assert rows(made, "scans")[0]["scanned_at"] == "2024-05-01T13:00:00.000+00:00"
    assert "modification time" in made.note


def test_a_silence_of_more_than_a_minute_begins_a_new_scan(tmp_path: Path) -> None:
    frames = every_second(DM1, CLEAN) + every_second(DM1, one_code(100, 4), 65.0)
    made = read(candump(tmp_path / "a.log", frames))
    assert [(r["scan_id"], r.get("code"), r["scanned_at"][14:19]) for r in rows(made, "scans")] == [
        ("0123456789ab-1", None, "00:00"),
        ("0123456789ab-2", "SPN 100 FMI 4", "01:05"),
    ]


def test_sixty_seconds_of_silence_are_one_scan(tmp_path: Path) -> None:
    frames = every_second(DM1, CLEAN) + every_second(DM1, CLEAN, 64.0)
    made = read(candump(tmp_path / "a.log", frames))
    assert len(rows(made, "scans")) == 1


def test_a_long_recording_is_cut_every_hour(tmp_path: Path) -> None:
    """A scan has one moment and one odometer reading."""
    frames = [(30.0 * n, DM1, CLEAN) for n in range(250)]
    made = read(candump(tmp_path / "a.log", frames))
    assert [row["scanned_at"][11:16] for row in rows(made, "scans")] == ["12:00", "13:00", "14:00"]


def test_the_same_file_always_gives_the_same_scans(tmp_path: Path) -> None:
    log = candump(tmp_path / "a.log", every_second(DM1, one_code(100, 4)))
    assert rows(read(log), "scans") == rows(read(log), "scans")


def test_local_dates_are_read_in_the_sources_zone(tmp_path: Path) -> None:
    """The form -tA of candump writes the recorder's wall clock."""
    log = tmp_path / "a.log"
    stamps = [f" (2024-07-01 08:30:0{n}.000000)  can0  18FECA00   [8]  " for n in range(3)]
    log.write_text("".join(f"{s}00 FF 00 00 00 00 FF FF\n" for s in stamps), encoding="ascii")
    made = read(log, zone="Europe/Berlin")
    assert rows(made, "scans")[0]["scanned_at"] == "2024-07-01T06:30:00.000+00:00"


def test_frames_a_little_out_of_order_are_one_scan(tmp_path: Path) -> None:
    """Two interfaces write into one file."""
    times = [0.002, 0.001, *(50.0 * n for n in range(1, 72)), 3600.01, 3599.99, 3600.02]
    made = read(candump(tmp_path / "a.log", [(at, DM1, CLEAN) for at in times]))
    assert [row["scan_id"][-2:] for row in rows(made, "scans")] == ["-1", "-2"]
