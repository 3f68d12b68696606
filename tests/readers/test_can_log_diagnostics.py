"""A tester's questions and the units' answers in a bus recording."""

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from afterclear.records import ReadFile
from tests.protocols.encoders import isotp_frames
from tests.readers.bus import read, rows

Talk = list[tuple[int, str]]  # identifier, message in hex
SIX = "01430196023402CD03570A24"  # scapy's OBD tests: P0143 P0196 P0234 P02CD P0357 P0A24


def record(path: Path, talk: Talk, step: float = 0.1) -> Path:
    """Write a talk as candump lines, long messages in several frames."""
    lines = []
    at = 0.0
    for can_id, message in talk:
        for data in isotp_frames(bytes.fromhex(message)):
            width = 8 if can_id > 0x7FF else 3
            lines.append(f"({at:.3f}) can0 {can_id:0{width}X}#{data.hex().upper()}\n")
            at += 0.01
        at += step
    path.write_text("".join(lines), encoding="ascii")
    return path


def heard(tmp_path: Path, talk: Talk, step: float = 0.1) -> ReadFile:
    return read(record(tmp_path / "talk.log", talk, step))


def told(made: ReadFile) -> list[tuple[Any, ...]]:
    """List control unit, code with failure type, status and memory of each row."""
    return [
        (
            row["ecu"],
            "-".join(row[key] for key in ("code", "failure_type") if key in row),
            row.get("status"),
            row["memory"],
        )
        for row in rows(made, "scans")
    ]


def test_confirmed_codes_in_several_frames_are_rows(tmp_path: Path) -> None:
    made = heard(tmp_path, [(0x7DF, "03"), (0x7E8, "4306" + SIX), (0x7E9, "4300")])
    assert told(made)[-6:] == [
        ("engine", code, "confirmed", "stored")
        for code in ("P0143", "P0196", "P0234", "P02CD", "P0357", "P0A24")
    ]
    assert told(made)[0] == ("ECU 7E9", "", None, "stored")


def test_pending_codes_alone_do_not_prove_that_nothing_is_stored(tmp_path: Path) -> None:
    made = heard(tmp_path, [(0x7DF, "07"), (0x7E8, "470101 33"), (0x7E9, "4700")])
    assert told(made) == [
        ("ECU 7E9", "", None, "active_only"),
        ("engine", "P0133", "pending", "active_only"),
    ]


def test_one_code_may_be_confirmed_pending_and_permanent(tmp_path: Path) -> None:
    talk = [
        (0x7DF, "03"),
        (0x7E8, "43010133"),
        (0x7DF, "07"),
        (0x7E8, "47010133"),
        (0x7DF, "0A"),
        (0x7E8, "4A010133"),
    ]
    assert [row[2] for row in told(heard(tmp_path, talk))] == ["confirmed", "pending", "permanent"]


def test_readiness_counters_lamp_and_odometer_stand_on_the_row(tmp_path: Path) -> None:
    talk = [
        (0x7DF, "0101"),
        (0x7E8, "410181790303"),
        (0x7DF, "013031"),
        (0x7E8, "41300F31012C"),
        (0x7DF, "01A6"),
        (0x7E8, "41A60012D687"),
        (0x7DF, "03"),
        (0x7E8, "43010133"),
    ]
    (row,) = rows(heard(tmp_path, talk), "scans")
    assert row["monitors_incomplete"] == "misfire nmhc_catalyst nox_scr"
    assert (row["lamps"], row["warmups_since_clear"]) == ("mil", "15")
    assert (row["distance_since_clear_km"], row["odometer_km"]) == ("300", "123456.7")


def test_the_vin_names_the_vehicle(tmp_path: Path) -> None:
    vin = "W0L000051T2123456"  # of scapy's OBD tests
    path = record(tmp_path / "a.log", [(0x7DF, "0902"), (0x7E8, "490201" + vin.encode().hex())])
    made = read(path, vehicle_id=None)
    assert rows(made, "vehicles")[0]["vehicle_id"] == vin
    by_uds = [(0x7E0, "22F190"), (0x7E8, "62F190" + vin.encode().hex())]
    assert rows(heard(tmp_path, by_uds), "vehicles")[0]["vin"] == vin


# --- UDS ----------------------------------------------------------------------------------

LIST = "59027F0A9B172408 05112F"  # study notes on ISO 14229-1, 11.3.5.3


@pytest.mark.parametrize(("mask", "memory"), [("84", "active_only"), ("0D", "stored")])
def test_a_list_shows_the_whole_memory_if_confirmed_codes_were_asked_for(
    tmp_path: Path, mask: str, memory: str
) -> None:
    made = heard(tmp_path, [(0x7E0, "1902" + mask), (0x7E8, LIST)])
    assert told(made) == [
        ("engine", "P0A9B-17", "24", memory),
        ("engine", "P0805-11", "2F", memory),
    ]


def test_a_unit_that_lacks_the_confirmed_bit_proves_no_absence(tmp_path: Path) -> None:
    """A bit outside the availability mask is always 0 (ISO 14229-1, 11.3.1.2)."""
    made = heard(tmp_path, [(0x7E0, "1902FF"), (0x7E8, "5902F3")])
    assert told(made) == [("engine", "", None, "active_only")]


def test_the_list_of_supported_codes_shows_what_was_tested(tmp_path: Path) -> None:
    """Status 50: not tested since the clear; 00: ran and passed."""
    made = heard(tmp_path, [(0x7E0, "190A"), (0x7E8, "590AFF1234565012345700")])
    assert told(made) == [
        ("engine", "P1234-56", "50", "stored"),
        ("engine", "P1234-57", "00", "stored"),
    ]


def test_permanent_codes_are_their_own_fact(tmp_path: Path) -> None:
    talk = [
        (0x7E0, "1902FF"),
        (0x7E8, "5902FF1234562F"),
        (0x7E0, "1915"),
        (0x7E8, "5915FF1234562F"),
    ]
    assert [row[2] for row in told(heard(tmp_path, talk))] == ["2F", "permanent"]


def test_failure_type_00_is_no_failure_type(tmp_path: Path) -> None:
    """One tool reads P0301, another P0301-00: one code."""
    talk = [(0x7DF, "03"), (0x7E8, "43010301"), (0x7E0, "1902FF"), (0x7E8, "5902FF0301002F")]
    assert told(heard(tmp_path, talk)) == [("engine", "P0301", "2F", "stored")]


def test_wwh_codes_in_j1939_form_are_spelled_so(tmp_path: Path) -> None:
    """SPN 1208 FMI 3, by the conversion methods of SAE J1939-73."""
    talk = [(0x18DA10F1, "194233081E"), (0x18DAF110, "594233FFFF0224B804032F")]
    assert told(heard(tmp_path, talk)) == [("engine", "SPN 1208 FMI 3", "2F", "stored")]


def test_units_with_29_bit_identifiers_are_named_by_address(tmp_path: Path) -> None:
    talk = [(0x18DB33F1, "03"), (0x18DAF110, "43010133"), (0x18DAF128, "4300")]
    assert [row[0] for row in told(heard(tmp_path, talk))] == ["ECU 28", "engine"]


@pytest.mark.parametrize("tester", [0xFB, 0xF9, 0x03])
def test_any_address_may_be_the_tester(tmp_path: Path, tester: int) -> None:
    """ISO 15765-2, normal fixed addressing: 18DA, who is meant, who speaks; FB is no exception."""
    unit = 0x28
    ask, answer = 0x18DA0000 | unit << 8 | tester, 0x18DA0000 | tester << 8 | unit
    talk = [(ask, "1902FF"), (answer, "5902FF1234562F")]
    assert told(heard(tmp_path, talk)) == [("ECU 28", "P1234-56", "2F", "stored")]


def test_a_question_to_everybody_shows_the_tester_too(tmp_path: Path) -> None:
    talk = [(0x18DB33FB, "03"), (0x18DAFB10, "43010133"), (0x18DAFB28, "4300")]
    assert [row[0] for row in told(heard(tmp_path, talk))] == ["ECU 28", "engine"]


@pytest.mark.parametrize(
    "talk",
    [
        [(0x18DAFB28, "5902FF1234562F")],  # only one side was heard
        [(0x18DA28FB, "5902FF1234562F"), (0x18DAFB28, "5902FF1234562F")],  # both answer
        [(0x18DA28FB, "1902FF"), (0x18DAFB28, "1902FF"), (0x18DAFB28, "5902FF1234562F")],
    ],
)
def test_where_nobody_can_tell_who_asks_no_row_is_made(tmp_path: Path, talk: Talk) -> None:
    made = heard(tmp_path, talk)
    assert rows(made, "scans") == []
    assert f"{len(talk)} diagnostic messages of which nobody can tell who asks" in made.note


# --- questions and answers ----------------------------------------------------------------


def test_an_answer_nobody_asked_for_is_left_aside(tmp_path: Path) -> None:
    made = heard(tmp_path, [(0x7DF, "0100"), (0x7E8, "4100BE1FA813"), (0x7E8, "43010133")])
    assert rows(made, "scans") == []
    assert "1 answers without a question" in made.note


def test_an_answer_after_more_than_five_seconds_is_left_aside(tmp_path: Path) -> None:
    made = heard(tmp_path, [(0x7DF, "03"), (0x7E8, "43010133")], step=5.1)
    assert rows(made, "scans") == []


def test_a_unit_that_asks_to_wait_may_take_longer(tmp_path: Path) -> None:
    """7F 19 78 (ISO 14229-1): the answer follows."""
    talk = [(0x7E0, "1902FF"), (0x7E8, "7F1978"), (0x7E8, "7F1978"), (0x7E8, "5902FF1234562F")]
    assert len(told(heard(tmp_path, talk, step=3.0))) == 1


def test_an_answer_to_another_unit_is_no_answer(tmp_path: Path) -> None:
    assert rows(heard(tmp_path, [(0x7E1, "1902FF"), (0x7E8, "5902FF1234562F")]), "scans") == []


def test_a_recording_of_answers_only_is_taken_without_claiming_absence(tmp_path: Path) -> None:
    made = heard(tmp_path, [(0x7E8, "5902FF1234562F"), (0x7E9, "5902FF")])
    assert told(made) == [
        ("ECU 7E9", "", None, "active_only"),
        ("engine", "P1234-56", "2F", "active_only"),
    ]


def test_a_unit_that_refuses_its_codes_gave_no_answer(tmp_path: Path) -> None:
    made = heard(tmp_path, [(0x7E0, "1902FF"), (0x7E8, "7F1922")])
    assert [row["ecu_response"] for row in rows(made, "scans")] == ["no_answer"]


def test_a_refusal_before_an_answer_does_not_count(tmp_path: Path) -> None:
    talk = [(0x7E0, "1902FF"), (0x7E8, "7F1921"), (0x7E0, "1902FF"), (0x7E8, "5902FF")]
    (row,) = rows(heard(tmp_path, talk), "scans")
    assert (row["ecu_response"], row["memory"]) == ("answered", "stored")


# --- clears -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("question", "answer", "reason"),
    [
        ("04", "44", "codes erased (OBD service 04)"),
        ("14FFFFFF", "54", "codes erased (UDS service 14, group FFFFFF)"),
        ("14FFFF33", "54", "codes erased (UDS service 14, group FFFF33)"),
    ],
)
def test_a_clear_is_a_row_and_parts_two_scans(
    tmp_path: Path, question: str, answer: str, reason: str
) -> None:
    read_codes = [(0x7E0, "1902FF"), (0x7E8, "5902FF1234562F")]
    read_again = [(0x7E0, "1902FF"), (0x7E8, "5902FF")]
    made = heard(tmp_path, [*read_codes, (0x7E0, question), (0x7E8, answer), *read_again])
    (clear,) = rows(made, "clears")
    before, after = rows(made, "scans")
    assert (clear["ecu"], clear["reason"]) == ("engine", reason)
    assert (before["code"], after.get("code")) == ("P1234", None)
    assert before["scanned_at"] < clear["cleared_at"] < after["scanned_at"]
    assert before["scan_id"] != after["scan_id"]


@pytest.mark.parametrize("answer", ["7F1422", "7F1431", "7F1478"])
def test_a_refused_clear_is_no_clear(tmp_path: Path, answer: str) -> None:
    assert rows(heard(tmp_path, [(0x7E0, "14FFFFFF"), (0x7E8, answer)]), "clears") == []


# --- damage -------------------------------------------------------------------------------


def test_an_answer_that_breaks_its_standard_is_counted(tmp_path: Path) -> None:
    made = heard(tmp_path, [(0x7DF, "03"), (0x7E8, "43050133")])
    assert "1 answers that break their standard" in made.note
    assert [row for row in rows(made, "scans") if "code" in row] == []


def test_an_incomplete_message_is_counted_and_gives_no_code(tmp_path: Path) -> None:
    path = record(tmp_path / "a.log", [(0x7DF, "03"), (0x7E8, "4306" + SIX)])
    lines = path.read_text(encoding="ascii").splitlines(keepends=True)
    path.write_text("".join(lines[:-1]), encoding="ascii")
    made = read(path)
    assert rows(made, "scans") == []
    assert "1 incomplete diagnostic messages" in made.note


def test_long_frames_carry_answers_too(tmp_path: Path) -> None:
    """CAN FD: a single frame of up to 62 bytes, its length in the second byte."""
    path = tmp_path / "a.log"
    answer = bytes.fromhex("00114306" + SIX).ljust(20, b"\0")
    answer = bytes([0, 14]) + answer[2:]
    path.write_text(
        f"(0.1) can0 7DF#0103000000000000\n(0.2) can0 7E8##1{answer.hex().upper()}\n",
        encoding="ascii",
    )
    assert len(told(read(path))) == 6


@settings(deadline=None)  # it writes files
@given(
    talk=st.lists(
        st.tuples(
            st.sampled_from([0x7DF, 0x7E0, 0x7E8, 0x7EF, 0x18DAF110, 0x18DA10F1, 0x18DB33F1]),
            st.binary(min_size=1, max_size=20),
        ),
        min_size=1,
        max_size=20,
    )
)
def test_any_talk_is_read_without_a_crash(
    tmp_path_factory: pytest.TempPathFactory, talk: list[tuple[int, bytes]]
) -> None:
    path = tmp_path_factory.mktemp("talk") / "a.log"
    made = read(record(path, [(can_id, message.hex()) for can_id, message in talk]))
    for row in rows(made, "scans"):
        assert row["ecu"]
