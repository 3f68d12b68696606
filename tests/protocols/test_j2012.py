"""Codes of SAE J2012 as bytes."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from afterclear.errors import TruncatedError
from afterclear.protocols import j2012
from tests.protocols.packing import bytes_from_code

# POBD: python-OBD's decoder tests; scapy: its OBD tests; UDSD: a documentation page of an open
# UDS library; CALC: worked out by hand from the bits of SAE J2012.
TWO_BYTES = [
    ("0104", "P0104", "POBD"),
    ("4123", "C0123", "POBD"),
    ("8003", "B0003", "POBD"),
    ("4510", "C0510", "scapy"),
    ("9782", "B1782", "scapy"),
    ("1301", "P1301", "scapy"),
    ("0A24", "P0A24", "scapy: characters three to five are hex"),
    ("02CD", "P02CD", "scapy"),
    ("5678", "C1678", "UDSD"),
    ("A5B6", "B25B6", "UDSD"),
    ("FFFF", "U3FFF", "UDSD"),
    ("C100", "U0100", "CALC"),
    ("C415", "U0415", "CALC"),
]


@pytest.mark.parametrize(("raw", "code", "source"), TWO_BYTES)
def test_published_codes(raw: str, code: str, source: str) -> None:
    assert j2012.code_from_bytes(bytes.fromhex(raw)) == code, source
    assert bytes_from_code(code) == bytes.fromhex(raw), source


THREE_BYTES = [
    ("000000", "P0000", "00", "UDSD"),
    ("56789A", "C1678", "9A", "UDSD"),
    ("A5B6C7", "B25B6", "C7", "UDSD"),
    ("FFFFFF", "U3FFF", "FF", "UDSD"),
    ("080511", "P0805", "11", "study notes on ISO 14229-1, 11.3.5.3"),
]


@pytest.mark.parametrize(("raw", "code", "failure_type", "source"), THREE_BYTES)
def test_published_three_byte_codes(raw: str, code: str, failure_type: str, source: str) -> None:
    assert j2012.split_three_bytes(bytes.fromhex(raw)) == (code, failure_type), source


@given(st.binary(min_size=2, max_size=2))
def test_every_word_is_a_code_and_comes_back(raw: bytes) -> None:
    assert bytes_from_code(j2012.code_from_bytes(raw)) == raw


@given(st.binary(min_size=3, max_size=3))
def test_every_three_bytes_come_back(raw: bytes) -> None:
    code, failure_type = j2012.split_three_bytes(raw)
    assert bytes_from_code(code) + bytes.fromhex(failure_type) == raw


@given(st.binary(max_size=1))
def test_a_shorter_code_is_refused(raw: bytes) -> None:
    with pytest.raises(TruncatedError, match="needs 2 bytes"):
        j2012.code_from_bytes(raw)


@given(st.binary(max_size=2))
def test_a_shorter_three_byte_code_is_refused(raw: bytes) -> None:
    with pytest.raises(TruncatedError, match="needs 3 bytes"):
        j2012.split_three_bytes(raw)
