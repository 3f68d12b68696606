"""SAE J2012 codes: two bytes are five characters, the third byte is the failure type.

How people and tools *write* a code is ``catalogue``'s business; here are bytes only.
"""

from afterclear.errors import TruncatedError

WORD_LENGTH = 2
LENGTH = 3  # with the failure type byte
_SYSTEMS = "PCBU"  # powertrain, chassis, body, network; bits 15 and 14


def code_from_bytes(raw: bytes) -> str:
    r"""Spell a two-byte code (SAE J2012).

    bits   15-14    13-12              11-8              7-0
           letter   second character   third character   last two characters

    >>> code_from_bytes(b"\x01\x33"), code_from_bytes(b"\xc4\x15")
    ('P0133', 'U0415')
    """
    if len(raw) != WORD_LENGTH:
        raise TruncatedError("code", expected=WORD_LENGTH, received=len(raw))
    word = int.from_bytes(raw, "big")
    return f"{_SYSTEMS[word >> 14]}{word >> 12 & 0x3}{word & 0xFFF:03X}"


def split_three_bytes(raw: bytes) -> tuple[str, str]:
    r"""Spell a three-byte code: the code and its failure type as two hex digits.

    >>> split_three_bytes(b"\x08\x05\x11")
    ('P0805', '11')
    """
    if len(raw) != LENGTH:
        raise TruncatedError("three-byte code", expected=LENGTH, received=len(raw))
    return code_from_bytes(raw[:WORD_LENGTH]), f"{raw[WORD_LENGTH]:02X}"
