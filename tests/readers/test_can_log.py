"""Bus recordings as scans, clears and vehicles."""

from pathlib import Path

import pytest

from afterclear.readers.bus.can_log import CanLogReader
from tests.protocols.encoders import j1939_dtc
from tests.readers.bus import (
    CLEAN,
    DM1,
    Frame,
    candump,
    codes,
    every_second,
    one_code,
    read,
    rows,
    units,
)


def test_a_code_a_unit_sends_becomes_an_active_row(tmp_path: Path) -> None:
    """pretty_j1939's test_dm1.log, one line: SPN 91 FMI 3, MIL steady."""
    log = tmp_path / "one.log"
    log.write_text("(1612543138.001000) vcan0 18FECA00#40FF5B000301FFFF\n", encoding="ascii")
    assert rows(read(log), "scans") == [
        {
            "scan_id": "0123456789ab-1",
            "vehicle_id": "T-1",
            "scanned_at": "2021-02-05T16:38:58.001+00:00",
            "scan_scope": "partial",
            "memory": "active_only",
            "ecu": "SA 0 engine",
            "ecu_response": "answered",
            "lamps": "mil",
            "code": "SPN 91 FMI 3",
            "status": "active",
            "occurrences": "1",
            "_line": 1,
        }
    ]


def test_a_unit_without_codes_gives_one_clean_row(tmp_path: Path) -> None:
    log = candump(tmp_path / "a.log", every_second(DM1 | 3, CLEAN))
    (row,) = rows(read(log), "scans")
    assert (row["ecu"], row["memory"]) == ("SA 3 transmission", "active_only")
    assert "code" not in row
    assert "lamps" not in row


def test_a_unit_that_never_speaks_of_codes_gives_no_row(tmp_path: Path) -> None:
    talk = every_second(0x0CF00400, bytes(8))
    log = candump(tmp_path / "a.log", sorted(talk + every_second(DM1 | 3, CLEAN, 0.5)))
    assert units(read(log)) == {"SA 3 transmission"}


def test_a_code_seen_in_one_message_of_many_is_in_the_scan(tmp_path: Path) -> None:
    """The truck's codes come and go within half a minute."""
    frames = every_second(DM1, CLEAN)
    frames[2] = (2.0, DM1, one_code(96, 3))
    assert codes(read(candump(tmp_path / "a.log", frames))) == {("SA 0 engine", "SPN 96 FMI 3")}


def test_a_code_gone_before_the_end_is_presence_and_the_note_says_it_went(tmp_path: Path) -> None:
    frames = [
        *every_second(DM1, one_code(96, 3)),
        *every_second(DM1, one_code(100, 4), 5.0),
        *every_second(DM1, CLEAN, 10.0),
        *every_second(DM1, one_code(100, 4), 15.0),
    ]
    made = read(candump(tmp_path / "a.log", frames))
    assert codes(made) == {("SA 0 engine", "SPN 96 FMI 3"), ("SA 0 engine", "SPN 100 FMI 4")}
    assert "1 active codes gone again by the unit's last message" in made.note


def test_a_code_that_comes_and_goes_keeps_its_first_and_last_sight(tmp_path: Path) -> None:
    """Within one scan; what is told all the time needs no sight of its own."""
    told = [one_code(96, 3) if second in {5, 9} else CLEAN for second in range(12)]
    frames = sorted(
        [(float(second), DM1, data) for second, data in enumerate(told)]
        + every_second(DM1 | 3, one_code(100, 4), 0.5, n=12)
    )
    made = {r.get("code"): r for r in rows(read(candump(tmp_path / "a.log", frames)), "scans")}
    gone = made["SPN 96 FMI 3"]
    assert gone["first_heard_at"] == "2024-05-01T12:00:05.000+00:00"
    assert gone["last_heard_at"] == "2024-05-01T12:00:09.000+00:00"
    assert "first_heard_at" not in made["SPN 100 FMI 4"]


def test_the_highest_count_and_every_lamp_seen_are_kept(tmp_path: Path) -> None:
    frames = [
        *every_second(DM1, one_code(100, 4, 1, "04FF")),
        *every_second(DM1, one_code(100, 4, 3, "10FF"), 5.0),
    ]
    (row,) = rows(read(candump(tmp_path / "a.log", frames)), "scans")
    assert (row["occurrences"], row["lamps"]) == ("3", "amber_warning red_stop")


def test_two_units_with_one_code_are_two_rows(tmp_path: Path) -> None:
    frames = sorted(every_second(DM1, one_code(639, 9)) + every_second(DM1 | 11, one_code(639, 9)))
    assert codes(read(candump(tmp_path / "a.log", frames))) == {
        ("SA 0 engine", "SPN 639 FMI 9"),
        ("SA 11 brakes", "SPN 639 FMI 9"),
    }


# --- which messages are believed ----------------------------------------------------------


DOUBTFUL = [  # one message among other traffic of its unit, why it is left aside
    ("84FF640004010000", "a lamp pair with the reserved value 2"),
    ("04FF640019010000", "failure mode 25 is reserved"),
    ("04FF000004010000", "SPN 0 is no parameter"),
    ("04FF64000401CA05", "neither filler nor a code at the end"),
]


@pytest.mark.parametrize(("payload", "reason"), DOUBTFUL)
def test_a_message_that_breaks_the_standard_once_is_set_aside(
    tmp_path: Path, payload: str, reason: str
) -> None:
    frames = [*every_second(0x0CF00400, bytes(8)), (5.0, DM1, bytes.fromhex(payload))]
    made = read(candump(tmp_path / "a.log", frames))
    assert (rows(made, "scans"), "1 fault messages set aside" in made.note) == ([], True), reason


@pytest.mark.parametrize("payload", ["04FF640019010000", "04FF64000401CA05"])
def test_what_a_unit_repeats_is_believed(tmp_path: Path, payload: str) -> None:
    """Makers do use reserved failure modes; noise does not repeat byte for byte."""
    made = read(candump(tmp_path / "a.log", every_second(DM1, bytes.fromhex(payload), n=2)))
    assert len(codes(made)) == 1


def test_spn_0_is_never_a_code(tmp_path: Path) -> None:
    made = read(candump(tmp_path / "a.log", every_second(DM1, bytes.fromhex("04FF000004010000"))))
    assert rows(made, "scans") == []


def test_an_address_heard_only_once_is_nobody(tmp_path: Path) -> None:
    """Random identifiers hit the DM1 group once in 262,144; a unit sends again."""
    frames = [*every_second(0x0CF00400, bytes(8)), (5.0, DM1 | 0x77, CLEAN)]
    assert rows(read(candump(tmp_path / "a.log", frames)), "scans") == []


@pytest.mark.parametrize("sa", [249, 250, 254, 255])
def test_a_tool_is_no_control_unit(tmp_path: Path, sa: int) -> None:
    made = read(candump(tmp_path / "a.log", every_second(DM1 | sa, one_code(100, 4))))
    assert rows(made, "scans") == []


@pytest.mark.parametrize("n_bytes", [0, 1, 5])
def test_a_fault_frame_without_a_whole_code_says_nothing(tmp_path: Path, n_bytes: int) -> None:
    made = read(candump(tmp_path / "a.log", every_second(DM1, bytes(n_bytes))))
    assert rows(made, "scans") == []


def test_a_frame_of_another_data_page_is_no_fault_message(tmp_path: Path) -> None:
    made = read(candump(tmp_path / "a.log", every_second(0x19FECA00, one_code(100, 4))))
    assert rows(made, "scans") == []


# --- old conversion methods ---------------------------------------------------------------


def test_an_old_form_is_refused_with_its_bytes_and_invents_nothing(tmp_path: Path) -> None:
    payload = bytes.fromhex("04FF") + j1939_dtc(1208, 3, 10, method=1) + b"\xff\xff"
    made = read(candump(tmp_path / "a.log", every_second(DM1, payload)))
    (rejection,) = made.rejections
    assert rows(made, "scans") == []
    assert (rejection.line, rejection.column, rejection.value) == (1, "code", "00 97 03 8A")
    assert "SA 0 engine uses one of three older ones" in rejection.expected


def test_a_named_method_gives_the_code(tmp_path: Path) -> None:
    payload = bytes.fromhex("04FF") + j1939_dtc(1208, 3, 10, method=1) + b"\xff\xff"
    log = candump(tmp_path / "a.log", every_second(DM1, payload))
    made = read(log, CanLogReader(spn_methods={0: 1}))
    assert (codes(made), made.rejections) == ({("SA 0 engine", "SPN 1208 FMI 3")}, ())


# --- stored memory ------------------------------------------------------------------------


def test_previously_active_codes_alone_do_not_prove_absence(tmp_path: Path) -> None:
    frames = every_second(0x18FECB00, one_code(91, 3))
    (row,) = rows(read(candump(tmp_path / "a.log", frames)), "scans")
    assert (row["status"], row["memory"]) == ("previously_active", "active_only")


def test_active_and_previously_active_together_are_the_whole_memory(tmp_path: Path) -> None:
    frames = sorted(every_second(DM1, CLEAN) + every_second(0x18FECB00, one_code(91, 3), 0.5))
    (row,) = rows(read(candump(tmp_path / "a.log", frames)), "scans")
    assert (row["status"], row["memory"]) == ("previously_active", "stored")


def test_pending_and_permanent_are_facts_beside_the_strongest_statement(tmp_path: Path) -> None:
    frames = sorted(
        every_second(0x18FD8000, one_code(91, 3))  # DM28 permanent
        + every_second(0x18FDB500, one_code(91, 3), 0.1)  # DM23 previously active
        + every_second(0x18FECF00, one_code(91, 3), 0.2)  # DM6 pending
        + every_second(0x18FED400, one_code(91, 3), 0.4)  # DM12 confirmed
    )
    made = rows(read(candump(tmp_path / "a.log", frames)), "scans")
    assert sorted(row["status"] for row in made) == ["confirmed", "pending", "permanent"]


# --- clears -------------------------------------------------------------------------------

ASK = (0x18EA3DF9, bytes.fromhex("D3FE00"))  # public J1939-84 log #1051
DONE = (0x1CE8FF3D, bytes.fromhex("00FFFFFFF9D3FE00"))
BUSY = (0x1CE8FF3D, bytes.fromhex("03FFFFFFF9D3FE00"))


def around_a_clear(answer: tuple[int, bytes], wait: float = 0.1) -> list[Frame]:
    return [
        *every_second(DM1 | 61, one_code(4374, 0)),
        (5.0, *ASK),
        (5.0 + wait, *answer),
        *every_second(DM1 | 61, CLEAN, 11.0),
    ]


def test_an_acknowledged_clear_is_a_row_and_begins_a_new_scan(tmp_path: Path) -> None:
    made = read(candump(tmp_path / "a.log", around_a_clear(DONE)))
    assert rows(made, "clears") == [
        {
            "vehicle_id": "T-1",
            "cleared_at": "2024-05-01T12:00:05.100+00:00",
            "ecu": "SA 61 exhaust emission",
            "reason": "active codes erased (DM11)",
            "_line": 7,
        }
    ]
    assert [
        (r["scan_id"][-1], r.get("code"), r["scanned_at"][17:22]) for r in rows(made, "scans")
    ] == [
        ("1", "SPN 4374 FMI 0", "00.00"),
        ("2", None, "11.00"),
    ]


@pytest.mark.parametrize(("answer", "wait"), [(BUSY, 0.1), (DONE, 5.5)])
def test_a_refused_or_unrelated_answer_is_no_clear(
    tmp_path: Path, answer: tuple[int, bytes], wait: float
) -> None:
    made = read(candump(tmp_path / "a.log", around_a_clear(answer, wait)))
    assert rows(made, "clears") == []
    assert len({row["scan_id"] for row in rows(made, "scans")}) == 1


def test_an_acknowledgement_nobody_asked_for_is_no_clear(tmp_path: Path) -> None:
    frames = [frame for frame in around_a_clear(DONE) if frame[1] != ASK[0]]
    assert rows(read(candump(tmp_path / "a.log", frames)), "clears") == []


def test_units_that_answer_one_request_share_the_next_scan(tmp_path: Path) -> None:
    """A request to everybody: what the second unit says before its own answer is still old."""
    frames = [
        *every_second(DM1, one_code(100, 4)),
        (5.0, 0x18EAFFF9, bytes.fromhex("D3FE00")),
        (5.1, 0x1CE8FF3D, DONE[1]),
        (5.2, DM1, one_code(100, 4)),
        (5.3, 0x1CE8FF00, DONE[1]),
        *every_second(DM1, CLEAN, 6.0),
    ]
    made = read(candump(tmp_path / "a.log", frames))
    assert [row["ecu"] for row in rows(made, "clears")] == ["SA 61 exhaust emission", "SA 0 engine"]
    assert [row.get("code") for row in rows(made, "scans")] == ["SPN 100 FMI 4", None]


# --- counters -----------------------------------------------------------------------------


def test_counters_that_were_asked_for_stand_on_the_units_rows(tmp_path: Path) -> None:
    frames = [
        *every_second(DM1, CLEAN),
        (5.0, 0x18EA00F9, bytes.fromhex("00C100")),
        (5.1, 0x18C1F900, bytes.fromhex("0000640001000800")),  # DM21: 100 km since clear
        (5.2, 0x18EA00F9, bytes.fromhex("B8FD00")),
        (5.3, 0x18FDB800, bytes.fromhex("00000737E01EE01E")),  # DM26: 7 warm-ups
        (5.4, 0x18EA00F9, bytes.fromhex("CEFE00")),
        (5.5, 0x18FECE00, bytes.fromhex("00001437E002A002")),  # DM5, public log #1034
    ]
    (row,) = rows(read(candump(tmp_path / "a.log", frames)), "scans")
    assert row["distance_since_clear_km"] == "100"
    assert row["warmups_since_clear"] == "7"
    assert row["monitors_incomplete"] == "misfire fuel_system egr_vvt nox_scr exhaust_gas_sensor"


def test_counters_nobody_asked_for_are_left_aside(tmp_path: Path) -> None:
    """Group C100 is met by one random identifier in 1,024."""
    frames = [*every_second(DM1, CLEAN), (5.1, 0x18C1F900, bytes.fromhex("0000640001000800"))]
    (row,) = rows(read(candump(tmp_path / "a.log", frames)), "scans")
    assert "distance_since_clear_km" not in row


def test_the_odometer_and_hours_stand_on_every_row_of_the_scan(tmp_path: Path) -> None:
    km, hours = (8 * 123_456).to_bytes(4, "little"), (20 * 6_543).to_bytes(4, "little")
    frames = sorted(
        every_second(DM1, CLEAN)
        + every_second(0x18FEE000, b"\xff" * 4 + km, 0.2)
        + every_second(0x18FEE500, hours + b"\xff" * 4, 0.4)
    )
    (row,) = rows(read(candump(tmp_path / "a.log", frames)), "scans")
    assert (row["odometer_km"], row["engine_hours"]) == ("123456", "6543")


def test_the_finer_distance_is_preferred(tmp_path: Path) -> None:
    coarse, fine = (8 * 123_456).to_bytes(4, "little"), (200 * 123_457).to_bytes(4, "little")
    frames = sorted(
        every_second(DM1, CLEAN)
        + every_second(0x18FEE017, b"\xff" * 4 + coarse, 0.2)
        + every_second(0x18FEC100, fine + b"\xff" * 4, 0.4)
    )
    (row,) = rows(read(candump(tmp_path / "a.log", frames)), "scans")
    assert row["odometer_km"] == "123457"


@pytest.mark.parametrize("reading", ["00000000", "FFFFFFFF"])
def test_a_unit_that_does_not_count_gives_no_odometer(tmp_path: Path, reading: str) -> None:
    counted = b"\xff" * 4 + bytes.fromhex(reading)
    frames = sorted(every_second(DM1, CLEAN) + every_second(0x18FEE000, counted, 0.2))
    (row,) = rows(read(candump(tmp_path / "a.log", frames)), "scans")
    assert "odometer_km" not in row


def test_a_distance_sent_once_among_other_traffic_is_not_the_odometer(tmp_path: Path) -> None:
    """Random identifiers hit this group too; a unit sends its distance again and again."""
    lone = (2.5, 0x18FEE000, bytes.fromhex("FFFFFFFF00112233"))
    frames = [*every_second(DM1, CLEAN)[:3], lone, *every_second(DM1, CLEAN, 3.0)]
    (row,) = rows(read(candump(tmp_path / "a.log", frames)), "scans")
    assert "odometer_km" not in row


def distance(km: float) -> bytes:
    return b"\xff" * 4 + round(8 * km).to_bytes(4, "little")


def test_a_placeholder_of_the_cluster_is_not_the_odometer(tmp_path: Path) -> None:
    """As in a real log: tens of km for six minutes, then more than 100,000."""
    frames = sorted(
        every_second(DM1, CLEAN, n=400)
        + every_second(0x18FEE017, distance(38.5), 0.2, n=360)
        + every_second(0x18FEE017, distance(104_200), 360.2, n=40)
    )
    made = read(candump(tmp_path / "a.log", frames))
    (row,) = rows(made, "scans")
    assert row["odometer_km"] == "104200"
    assert "2 distances set aside, far from the last that was told" in made.note


def test_the_last_steady_distance_is_kept_beside_the_first(tmp_path: Path) -> None:
    frames = sorted(
        every_second(DM1, CLEAN, n=40)
        + every_second(0x18FEE017, distance(104_200), 0.2, n=20)
        + every_second(0x18FEE017, distance(104_201.5), 20.2, n=18)
        + [(39.2, 0x18FEE017, distance(104_201.625))]
    )
    (row,) = rows(read(candump(tmp_path / "a.log", frames)), "scans")
    assert row["odometer_km"] == "104200"
    assert row["last_odometer_km"] == "104201.5"


def test_a_log_without_any_fault_message_still_tells_how_far_the_vehicle_has_come(
    tmp_path: Path,
) -> None:
    """Distance alone, or hours alone, are a reading of the odometer: no control unit was read."""
    hours = (20 * 6_543).to_bytes(4, "little") + b"\xff" * 4
    for name, can_id, data, column, value in (
        ("km", 0x18FEE017, distance(83_120), "odometer_km", "83120"),
        ("h", 0x18FEE500, hours, "engine_hours", "6543"),
    ):
        made = read(candump(tmp_path / f"{name}.log", every_second(can_id, data)))
        (row,) = rows(made, "scans")
        assert row[column] == value
        assert "ecu" not in row
