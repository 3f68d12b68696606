"""Answers of SAE J1979."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from afterclear.errors import DecodeError, TruncatedError
from afterclear.protocols import obd
from afterclear.protocols.monitors import MONITORS, incomplete_names
from afterclear.protocols.obd import Form, Pid
from tests.protocols.packing import bytes_from_code

SIX = ("P0143", "P0196", "P0234", "P02CD", "P0357", "P0A24")
SIX_BYTES = "01430196023402CD03570A24"
# scapy: its OBD tests; POBD: python-OBD's; FORUM43: a public thread that
# shows the same codes with and without the count byte.
CODES = [  # message, form, codes, source
    ("4306" + SIX_BYTES, Form.CAN, SIX, "scapy"),
    ("4706" + SIX_BYTES, Form.CAN, SIX, "scapy, pending"),
    ("4300", Form.CAN, (), "scapy"),
    ("4700", Form.CAN, (), "scapy"),
    ("4A00", Form.CAN, (), "scapy"),
    ("4A03000097820000", Form.CAN, ("B1782",), "scapy: filler dropped"),
    ("430201020113", Form.CAN, ("P0102", "P0113"), "FORUM43"),
    ("43013300000000", Form.OLDER, ("P0133",), "FORUM43"),
    ("43000102030405", Form.OLDER, ("P0001", "P0203", "P0405"), "POBD, first of two frames"),
    ("4306070809 0A0B", Form.OLDER, ("P0607", "P0809", "P0A0B"), "POBD, second"),
    ("430101330000", Form.CAN, ("P0133",), "padding after the counted codes"),
]


@pytest.mark.parametrize(("raw", "form", "codes", "source"), CODES)
def test_published_answers_with_codes(
    raw: str, form: Form, codes: tuple[str, ...], source: str
) -> None:
    assert obd.codes_from_message(bytes.fromhex(raw), form) == codes, source


def test_an_older_answer_read_as_can_is_refused_not_misread() -> None:
    """Its first code byte would be the count: one announced, but more bytes follow."""
    with pytest.raises(DecodeError, match="name the form"):
        obd.codes_from_message(bytes.fromhex("43013304200000"), Form.CAN)


@given(st.lists(st.integers(1, 0xFFFF), max_size=60))
def test_packed_codes_come_back(words: list[int]) -> None:
    raw = b"".join(word.to_bytes(2, "big") for word in words)
    codes = obd.codes_from_message(bytes([0x43, len(words)]) + raw, Form.CAN)
    assert b"".join(map(bytes_from_code, codes)) == raw


@pytest.mark.parametrize("n_bytes", range(14))
def test_every_shorter_answer_is_refused(n_bytes: int) -> None:
    with pytest.raises(TruncatedError):
        obd.codes_from_message(bytes.fromhex("4306" + SIX_BYTES)[:n_bytes], Form.CAN)


@pytest.mark.parametrize("n_bytes", range(7))
def test_every_shorter_answer_of_an_older_line_is_refused(n_bytes: int) -> None:
    with pytest.raises(TruncatedError):
        obd.codes_from_message(bytes.fromhex("43013304200000")[:n_bytes], Form.OLDER)


def test_an_answer_of_another_service_is_refused() -> None:
    with pytest.raises(DecodeError, match="43 or 47 or 4A was expected, not 41"):
        obd.codes_from_message(bytes.fromhex("4100"), Form.CAN)


def test_an_older_frame_says_who_sent_it() -> None:
    """POBD's legacy protocol test: header 48 6B 10, a checksum at the end."""
    frame = bytes.fromhex("486B10430001020304 05FF")
    assert obd.older_line_message(frame) == (0x10, bytes.fromhex("43000102030405"))
    with pytest.raises(TruncatedError):
        obd.older_line_message(frame[:4])


def test_only_44_is_a_clear() -> None:
    assert obd.is_cleared(b"\x44")
    assert not obd.is_cleared(bytes.fromhex("7F0422"))
    assert not obd.is_cleared(b"")


# --- readiness ----------------------------------------------------------------------------


def test_a_spark_engine_that_is_ready() -> None:
    """POBD's test_status, 83 07 FF 00: lamp on, 3 codes, everything supported and complete."""
    read = obd.readiness_from_bytes(bytes.fromhex("8307FF00"))
    assert (read.mil_on, read.n_codes, read.is_compression) == (True, 3, False)
    assert len(read.monitors) == 11
    assert all(m.supported and m.complete for m in read.monitors)
    assert incomplete_names(read.monitors) == "none"


def test_a_compression_engine_that_is_not() -> None:
    """POBD's test_status, 00 79 03 03: misfire, NMHC and NOx supported and not complete."""
    read = obd.readiness_from_bytes(bytes.fromhex("00790303"))
    assert (read.mil_on, read.n_codes, read.is_compression) == (False, 0, True)
    assert incomplete_names(read.monitors) == "misfire nmhc_catalyst nox_scr"
    assert {m.name for m in read.monitors if m.supported} == {
        "misfire",
        "nmhc_catalyst",
        "nox_scr",
    }


BITS = [  # byte C with one bit, name on a spark and on a compression engine (POBD's codes.py)
    (0x01, "catalyst", "nmhc_catalyst"),
    (0x02, "heated_catalyst", "nox_scr"),
    (0x04, "evaporative", "none"),
    (0x08, "secondary_air", "boost_pressure"),
    (0x10, "ac_refrigerant", "none"),
    (0x20, "oxygen_sensor", "exhaust_gas_sensor"),
    (0x40, "oxygen_sensor_heater", "pm_filter"),
    (0x80, "egr_vvt", "egr_vvt"),
]


@pytest.mark.parametrize(("bit", "spark", "compression"), BITS)
def test_each_monitor_bit_has_its_name(bit: int, spark: str, compression: str) -> None:
    for engine, name in ((0x00, spark), (0x08, compression)):
        read = obd.readiness_from_bytes(bytes([0, engine, bit, bit]))
        assert incomplete_names(read.monitors) == name


@given(st.binary(min_size=4, max_size=4))
def test_every_monitor_has_the_projects_name(raw: bytes) -> None:
    assert {m.name for m in obd.readiness_from_bytes(raw).monitors} <= set(MONITORS)


@given(st.binary(max_size=3))
def test_a_shorter_readiness_value_is_refused(raw: bytes) -> None:
    with pytest.raises(TruncatedError, match="needs 4 bytes"):
        obd.readiness_from_bytes(raw)


# --- values -------------------------------------------------------------------------------

NUMBERS = [  # worked out by hand from the scales of SAE J1979
    ("4131012C", Pid.DISTANCE_SINCE_CLEAR, 300),
    ("41300F", Pid.WARMUPS_SINCE_CLEAR, 15),
    ("41A60012D687", Pid.ODOMETER, 123456.7),
    ("412100FF", Pid.DISTANCE_MIL_ON, 255),
    ("414E0008", Pid.MINUTES_SINCE_CLEAR, 8),
    ("414DFFFF", Pid.MINUTES_MIL_ON, 65535),
]


@pytest.mark.parametrize(("raw", "pid", "number"), NUMBERS)
def test_numbers_scale(raw: str, pid: Pid, number: float) -> None:
    values = obd.values_from_message(bytes.fromhex(raw))
    assert obd.number_from_value(pid, values[pid]) == number


def test_one_answer_may_hold_several_parameters() -> None:
    values = obd.values_from_message(bytes.fromhex("41018307FF00300F31012C"))
    assert {pid: raw.hex() for pid, raw in values.items()} == {
        Pid.READINESS: "8307ff00",
        Pid.WARMUPS_SINCE_CLEAR: "0f",
        Pid.DISTANCE_SINCE_CLEAR: "012c",
    }


def test_cutting_ends_at_a_parameter_of_unknown_length() -> None:
    values = obd.values_from_message(bytes.fromhex("41300F0C1AF831012C"))
    assert list(values) == [Pid.WARMUPS_SINCE_CLEAR]


@pytest.mark.parametrize("padding", ["00", "AAAAAA", "55"])
def test_padding_after_a_value_is_no_parameter(padding: str) -> None:
    values = obd.values_from_message(bytes.fromhex("4131012C" + padding))
    assert values[Pid.DISTANCE_SINCE_CLEAR].hex() == "012c"


@pytest.mark.parametrize("raw", ["41018307FF", "4101", "413101"])
def test_a_cut_value_is_refused(raw: str) -> None:
    with pytest.raises(TruncatedError, match="value of PID"):
        obd.values_from_message(bytes.fromhex(raw))


@given(st.binary(max_size=60))
def test_any_answer_is_read_or_refused(raw: bytes) -> None:
    try:
        values = obd.values_from_message(b"\x41" + raw)
    except TruncatedError:
        return
    assert all(len(value) == obd.LENGTHS[pid] for pid, value in values.items())


# --- vehicle ------------------------------------------------------------------------------


def test_the_vin_of_a_can_vehicle() -> None:
    """The VIN of scapy's OBD tests."""
    raw = bytes.fromhex("490201" + "57304C303030303531543231 3233343536")
    assert obd.vin_from_messages([raw], Form.CAN) == "W0L000051T2123456"


def test_the_vin_of_an_older_vehicle_comes_in_five_messages() -> None:
    """Three zero bytes first (from memory); the order of arrival does not matter."""
    text = b"\0\0\0WP0ZZZ99ZTS392124"
    parts = [b"\x49\x02" + bytes([k + 1]) + text[4 * k : 4 * k + 4] for k in range(5)]
    assert obd.vin_from_messages(parts[::-1], Form.OLDER) == "WP0ZZZ99ZTS392124"
    assert obd.vin_from_messages(parts[:4], Form.OLDER) is None


def test_an_answer_that_is_no_vin_is_none() -> None:
    assert obd.vin_from_messages([b"\x49\x02\x01" + b"\xff" * 17], Form.CAN) is None
    assert obd.vin_from_messages([b"\x49\x04\x01" + b"A" * 17], Form.CAN) is None
    assert obd.vin_from_messages([], Form.CAN) is None
