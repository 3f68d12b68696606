"""Lamps and codes of SAE J1939-73."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from afterclear.errors import DecodeError, TruncatedError
from afterclear.protocols.j1939_faults import (
    Dtc,
    Flash,
    LampState,
    dtc_from_bytes,
    fault_message_from_payload,
    lamps_from_bytes,
)
from tests.protocols.encoders import j1939_dtc

# Keys: pretty = pretty_j1939 tests/test_diagnostic_messages.py and
# test_dm1.log; J84-n = public issue n of an open J1939-84 conformance test.
MESSAGES = [  # payload, codes as (SPN, FMI, occurrences), lamps lit, source
    ("40FF5B000301FFFF", [(91, 3, 1)], ("mil",), "pretty DM1"),
    ("00FF00000000FFFF", [], (), "pretty DM1, no codes"),
    ("00FF5B000301FFFF", [(91, 3, 1)], (), "pretty DM2"),
    (
        "00FF5B0003015C0004025D0005035E000604",
        [(91, 3, 1), (92, 4, 2), (93, 5, 3), (94, 6, 4)],
        (),
        "pretty, four codes transported",
    ),
    ("43FF3404050130021301", [(1076, 5, 1), (560, 19, 1)], ("mil",), "J84-1051 DM12"),
    ("43FF75161501FFFF", [(5749, 21, 1)], ("mil",), "J84-1369"),
    ("43FF5B000202FFFF", [(91, 2, 2)], ("mil",), "J84-1369"),
    ("43FF16110001FFFF", [(4374, 0, 1)], ("mil",), "J84-1369"),
    ("43FF6D160D01FFFF", [(5741, 13, 1)], ("mil",), "J84-1034"),
    ("00FF0A080E07FFFF", [(2058, 14, 7)], (), "J84-949 DM2"),
    ("43FF00000000FFFF", [], ("mil",), "J84-1051 DM6: lamp on, nothing pending"),
    ("04FF64000400", [(100, 4, 0)], ("amber_warning",), "tractor recording, 6 bytes"),
    ("01FFF4FEFF00FFFF", [(524020, 31, 0)], ("protect",), "tractor recording, maker's SPN"),
]


@pytest.mark.parametrize(("raw", "codes", "lit", "source"), MESSAGES)
def test_published_messages(
    raw: str, codes: list[tuple[int, int, int]], lit: tuple[str, ...], source: str
) -> None:
    said = fault_message_from_payload(bytes.fromhex(raw))
    assert [(d.spn, d.fmi, d.occurrences) for d in said.dtcs] == codes, source
    assert said.lit == lit, source


METHODS = [  # SPN 1208 FMI 3, counted 10 times, by the four conversion methods
    (1, "0097038A"),
    (2, "9700038A"),
    (3, "B804038A"),
    (4, "B804030A"),
]


@pytest.mark.parametrize(("method", "raw"), METHODS)
def test_each_conversion_method_gives_the_same_code(method: int, raw: str) -> None:
    dtc = dtc_from_bytes(bytes.fromhex(raw), None if method == 4 else method)
    assert (dtc.code, dtc.occurrences) == ("SPN 1208 FMI 3", 10)


@pytest.mark.parametrize(("method", "raw"), METHODS[:3])
def test_an_old_form_without_a_named_method_has_no_code(method: int, raw: str) -> None:
    """The bytes do not tell the three apart, so nothing is invented; they are kept."""
    dtc = dtc_from_bytes(bytes.fromhex(raw))
    assert (dtc.spn, dtc.code, dtc.fmi, dtc.raw.hex().upper()) == (None, None, 3, raw), method


def test_a_named_method_does_not_touch_the_current_form() -> None:
    """CM = 0 says version 4, whatever a person set for the unit."""
    assert dtc_from_bytes(bytes.fromhex("B804030A"), method=1).code == "SPN 1208 FMI 3"


@pytest.mark.parametrize("method", [0, 4, 5])
def test_a_method_that_does_not_exist_is_refused(method: int) -> None:
    with pytest.raises(DecodeError, match="1, 2 or 3"):
        dtc_from_bytes(bytes(4), method)


@given(
    st.integers(0, 0x7FFFF),
    st.integers(0, 31),
    st.integers(0, 126),
    st.sampled_from([1, 2, 3, 4]),
)
def test_what_is_packed_comes_back(spn: int, fmi: int, occurrences: int, method: int) -> None:
    raw = j1939_dtc(spn, fmi, occurrences, method)
    assert dtc_from_bytes(raw, None if method == 4 else method) == Dtc(spn, fmi, occurrences, raw)


def test_127_occurrences_means_not_counted() -> None:
    assert dtc_from_bytes(bytes.fromhex("FFFFFF7F")) == Dtc(0x7FFFF, 31, None, b"\xff\xff\xff\x7f")


def test_a_count_keeps_to_seven_bits() -> None:
    """One open sender packs 132: what arrives is 4, and the top bit reads as an old form."""
    dtc = dtc_from_bytes(bytes([91, 0, 3, 132]))
    assert (dtc.occurrences, dtc.spn) == (4, None)


@pytest.mark.parametrize("filler", ["00000000", "FFFFFFFF", "00000080", "FFFFFF7F"])
def test_filler_is_no_code(filler: str) -> None:
    """Zeros as in public J1939-84 logs; ones from memory; the count byte does not matter."""
    said = fault_message_from_payload(bytes.fromhex("00FF" + filler))
    assert said.dtcs == ()


def test_filler_between_codes_is_dropped() -> None:
    raw = "00FF" + "5B000301" + "00000000" + "5C000402"
    assert [d.spn for d in fault_message_from_payload(bytes.fromhex(raw)).dtcs] == [91, 92]


@given(st.binary(max_size=3))
def test_a_shorter_code_is_refused(raw: bytes) -> None:
    with pytest.raises(TruncatedError, match="needs 4 bytes"):
        dtc_from_bytes(raw)


@given(st.binary(max_size=5))
def test_a_shorter_message_is_refused(raw: bytes) -> None:
    with pytest.raises(TruncatedError, match="needs 6 bytes"):
        fault_message_from_payload(raw)


@given(st.binary(min_size=6, max_size=1785))
def test_any_longer_message_decodes_with_its_rest_kept(raw: bytes) -> None:
    said = fault_message_from_payload(raw)
    assert len(said.dtcs) <= (len(raw) - 2) // 4
    assert len(said.tail) == (len(raw) - 2) % 4


LAMPS = [  # lamp byte, flash byte, (state, flash) of mil, red stop, amber, protect
    ("43FF", ["ON STEADY", "OFF", "OFF", "NOT_SUPPORTED"]),
    ("4000", ["ON SLOW", "OFF", "OFF", "OFF"]),
    ("1510", ["OFF", "ON FAST", "ON SLOW", "ON SLOW"]),
    ("0000", ["OFF", "OFF", "OFF", "OFF"]),  # the older way to say off (J84T)
    ("C4FF", ["NOT_SUPPORTED", "OFF", "ON STEADY", "OFF"]),  # truck recording
    ("80FF", ["RESERVED", "OFF", "OFF", "OFF"]),
]


@pytest.mark.parametrize(("raw", "states"), LAMPS)
def test_lamps_have_two_bits_each_and_flash_only_when_on(raw: str, states: list[str]) -> None:
    lamps = lamps_from_bytes(bytes.fromhex(raw))
    shown = [lamp.state.name + (f" {lamp.flash.name}" if lamp.flash else "") for lamp in lamps]
    slow = [lamp.state is LampState.ON and lamp.flash is Flash.SLOW for lamp in lamps]
    assert [s + " SLOW" if is_slow else s for s, is_slow in zip(shown, slow, strict=True)] == states
    assert [lamp.name for lamp in lamps] == ["mil", "red_stop", "amber_warning", "protect"]


@pytest.mark.parametrize("n_bytes", [0, 1, 3])
def test_a_lamp_field_is_two_bytes(n_bytes: int) -> None:
    with pytest.raises(TruncatedError, match="lamp field needs 2 bytes"):
        lamps_from_bytes(bytes(n_bytes))
