"""Answers written down as text."""

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from afterclear.errors import RefusedFileError
from afterclear.readers.bus.hex_responses import HexResponsesReader
from afterclear.records import ReadFile
from tests.readers.bus import BEGIN, delivery, rows

SCAN = """# written down in the yard
vehicle_id: T-7
scanned_at: 2025-03-30T14:05:00+02:00
odometer_km: 123456

> 7DF 03
7E8 43 02 01 02 01 13
7E9 43 00
> 7E0 19 02 08
7e8: 59 02 FF 08 05 11 2F
"""


def made_of(tmp_path: Path, text: str, **more: Any) -> ReadFile:
    path = tmp_path / "answers.txt"
    path.write_text(text, encoding="utf-8")
    return HexResponsesReader().read(delivery(path, **more))


def told(made: ReadFile) -> list[tuple[Any, ...]]:
    return [(row["ecu"], row.get("code"), row.get("status")) for row in rows(made, "scans")]


def test_questions_and_answers_become_a_scan(tmp_path: Path) -> None:
    """FORUM43's codes P0102 and P0113; P0805-11 of the study notes on ISO 14229-1."""
    made = made_of(tmp_path, SCAN)
    assert told(made) == [
        ("ECU 7E9", None, None),
        ("engine", "P0102", "confirmed"),
        ("engine", "P0113", "confirmed"),
        ("engine", "P0805", "2F"),
    ]
    row = rows(made, "scans")[-1]
    assert (row["vehicle_id"], row["odometer_km"], row["memory"]) == ("T-7", "123456", "stored")
    assert row["scanned_at"].startswith("2025-03-30T12:05:00")
    assert (row["failure_type"], row["_line"]) == ("11", 10)
    assert made.rejections == ()


def test_answers_alone_are_enough(tmp_path: Path) -> None:
    """Without the question a UDS list proves what it shows and no absence."""
    made = made_of(tmp_path, "7E8 43 01 01 33\n7E9 59 02 FF\n")
    assert [row["memory"] for row in rows(made, "scans")] == ["active_only", "stored"]
    assert rows(made, "scans")[0]["vehicle_id"] == "T-1"


def test_frames_are_put_together(tmp_path: Path) -> None:
    """From scapy's OBD tests: an answer that begins below 40 is a frame."""
    text = (
        "> 7DF 01 03\n"
        "7E8 10 0E 43 06 01 43 01 96\n> 7E0 30 00 00\n"
        "7E8 21 02 34 02 CD 03 57 0A\n7E8 22 24 00 00 00 00 00 00\n"
    )
    assert [row[1] for row in told(made_of(tmp_path, text))] == [
        "P0143",
        "P0196",
        "P0234",
        "P02CD",
        "P0357",
        "P0A24",
    ]


def test_an_older_line_has_headers_and_no_count(tmp_path: Path) -> None:
    """POBD's legacy protocol test: two frames of three codes, FF in the checksum's place."""
    text = "48 6B 10 43 00 01 02 03 04 05 FF\n48 6B 10 43 06 07 08 09 0A 0B FF\n"
    assert told(made_of(tmp_path, text)) == [
        ("engine", code, "confirmed")
        for code in ("P0001", "P0203", "P0405", "P0607", "P0809", "P0A0B")
    ]


def test_an_older_line_with_questions_is_read_too(tmp_path: Path) -> None:
    text = "> 68 6A F1 03 C6\n48 6B 10 43 01 33 00 00 00 00 3A\n"
    assert told(made_of(tmp_path, text)) == [("engine", "P0133", "confirmed")]


def test_29_bit_identifiers_are_named_by_address(tmp_path: Path) -> None:
    text = "> 18DB33F1 03\n18DAF110 43 01 01 33\n18DAF128 43 00\n"
    assert [row[0] for row in told(made_of(tmp_path, text))] == ["ECU 28", "engine"]


def test_a_makers_identifiers_are_named_by_number(tmp_path: Path) -> None:
    text = "> 760 19 02 0C\n768 59 02 FF 08 05 11 2F\n"
    assert told(made_of(tmp_path, text)) == [("ECU 768", "P0805", "2F")]


def test_a_clear_parts_what_was_read_before_and_after(tmp_path: Path) -> None:
    text = "> 7E0 03\n7E8 43 01 01 33\n> 7E0 04\n7E8 44\n> 7E0 03\n7E8 43 00\n"
    made = made_of(tmp_path, text)
    (clear,) = rows(made, "clears")
    before, after = rows(made, "scans")
    assert (before["code"], after.get("code")) == ("P0133", None)
    assert before["scanned_at"] < clear["cleared_at"] < after["scanned_at"]


def test_keys_after_data_begin_the_next_scan(tmp_path: Path) -> None:
    """It takes over the vehicle, not the moment."""
    text = SCAN + "scanned_at: 2025-04-02T08:00:00+02:00\nodometer_mi: 77000\n7E8 43 00\n"
    first, last = (
        rows(made_of(tmp_path, text), "scans")[0],
        rows(made_of(tmp_path, text), "scans")[-1],
    )
    assert (first["scan_id"][-2:], last["scan_id"][-2:]) == ("-1", "-2")
    assert (last["vehicle_id"], last["odometer_mi"]) == ("T-7", "77000")
    assert last["scanned_at"].startswith("2025-04-02T06:00:00")
    assert "odometer_km" not in last


def test_a_time_without_offset_is_in_the_sources_zone(tmp_path: Path) -> None:
    text = "scanned_at: 2025-07-01T08:00:00\n7E8 43 00\n"
    made = made_of(tmp_path, text, zone="Europe/Berlin")
    assert rows(made, "scans")[0]["scanned_at"].startswith("2025-07-01T06:00:00")


def test_without_a_moment_the_source_or_the_file_says_it(tmp_path: Path) -> None:
    stated = made_of(tmp_path, "7E8 43 00\n")
    assert rows(stated, "scans")[0]["scanned_at"].startswith(BEGIN.isoformat()[:19])
    taken = made_of(tmp_path, "7E8 43 00\n", started_at=None)
    assert "modification time" in taken.note


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("scanned_at: yesterday\n7E8 43 00\n", "ISO 8601"),
        ("form: telepathy\n7E8 43 00\n", "messages, frames, older"),
        ("vehicle_id: T-1\n", "no answer"),
    ],
)
def test_a_file_that_cannot_be_understood_is_refused(
    tmp_path: Path, text: str, expected: str
) -> None:
    with pytest.raises(RefusedFileError, match=expected):
        made_of(tmp_path, text)


def test_answers_of_nobody_are_refused_with_the_way_out(tmp_path: Path) -> None:
    with pytest.raises(RefusedFileError, match="load --vehicle ID"):
        made_of(tmp_path, "7E8 43 00\n", vehicle_id=None)


def test_a_stated_vin_names_the_vehicle(tmp_path: Path) -> None:
    made = made_of(tmp_path, "vin: W0L000051T2123456\n7E8 43 00\n", vehicle_id=None)
    assert rows(made, "vehicles")[0]["vehicle_id"] == "W0L000051T2123456"


def test_a_line_that_is_no_answer_is_refused_with_its_number(tmp_path: Path) -> None:
    made = made_of(tmp_path, "7E8 43 00\n7E8 43 0\nhello\n")
    assert [(r.line, r.value) for r in made.rejections] == [(2, "7E8 43 0"), (3, "hello")]


def test_an_answer_that_breaks_its_standard_is_refused_with_its_number(tmp_path: Path) -> None:
    made = made_of(tmp_path, "7E9 43 00\n7E8 43 05 01 33\n")
    assert [(r.line, "needs 12 bytes" in r.expected) for r in made.rejections] == [(2, True)]


def test_an_incomplete_message_is_refused(tmp_path: Path) -> None:
    made = made_of(tmp_path, "7E8 10 0E 43 06 01 43 01 96\n7E9 02 43 00\n")
    assert ["incomplete" in r.expected for r in made.rejections] == [True]


KINDS = [
    (SCAN, True),
    ("7E8 43 00", True),
    ("vehicle_id: T-1\n", False),
    ("(0.1) can0 7E8#0243000000000000\n", False),
    ("scan_id,vehicle_id,scanned_at\n1,2,3\n", False),
    ("7E8 43 00\nplease call back\n", False),
    ("", False),
]


@pytest.mark.parametrize(("text", "is_ours"), KINDS)
def test_only_keys_remarks_and_bytes_are_this_form(
    tmp_path: Path, text: str, *, is_ours: bool
) -> None:
    path = tmp_path / "a.txt"
    path.write_text(text, encoding="utf-8")
    assert HexResponsesReader().identify(delivery(path)) is is_ours


@settings(deadline=None)  # it writes files
@given(
    lines=st.lists(
        st.tuples(
            st.sampled_from(["7E8 ", "> 7E0 ", "18DAF110 ", "> 7DF ", "768 "]),
            st.binary(min_size=1, max_size=12),
        ),
        min_size=1,
        max_size=12,
    )
)
def test_any_bytes_are_read_without_a_crash(
    tmp_path_factory: pytest.TempPathFactory, lines: list[tuple[str, bytes]]
) -> None:
    text = "".join(f"{begin}{data.hex(' ')}\n" for begin, data in lines)
    made = made_of(tmp_path_factory.mktemp("hex"), text)
    assert all(row["ecu"] for row in rows(made, "scans"))
