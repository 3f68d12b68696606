"""SAE J2012 codes: two bytes <-> five characters, and the third byte, the failure type.

How people and tools *write* a code is ``normalise``'s business; here are bytes only.
"""

import re

from afterclear.errors import DecodeError, TruncatedError

WORD_LENGTH = 2
LENGTH = 3  # with the failure type byte
_SYSTEMS = "PCBU"  # powertrain, chassis, body, network; bits 15 and 14
_CODE = re.compile(r"([PCBU])([0-3])([0-9A-F]{3})", re.ASCII)

FAILURE_CATEGORIES = (  # by the high half of the failure type byte (categories from memory)
    "general failure information",
    "general electrical",
    "general signal",
    "frequency or pulse width",
    "control unit internal",
    "programming",
    "algorithm based",
    "mechanical",
    "bus signal or message",
    "component",
)
# Own words, from two vehicle makers' public text lists; the 1x, 2x, 7x and 8x ones seen again in
# public repair texts.
FAILURE_TYPES = {
    0x00: "no sub-type",
    0x01: "general electrical failure",
    0x02: "general signal failure",
    0x03: "general frequency or pulse width failure",
    0x04: "control unit internal failure",
    0x05: "programming failure",
    0x06: "algorithm based failure",
    0x07: "mechanical failure",
    0x08: "bus signal or message failure",
    0x09: "component failure",
    0x11: "short to ground",
    0x12: "short to battery",
    0x13: "open circuit",
    0x14: "short to ground or open",
    0x15: "short to battery or open",
    0x16: "voltage too low",
    0x17: "voltage too high",
    0x18: "current too low",
    0x19: "current too high",
    0x1A: "resistance too low",
    0x1B: "resistance too high",
    0x1C: "voltage out of range",
    0x1D: "current out of range",
    0x1E: "resistance out of range",
    0x1F: "intermittent",
    0x21: "amplitude too small",
    0x22: "amplitude too big",
    0x23: "stuck low",
    0x24: "stuck high",
    0x25: "wave form wrong",
    0x26: "changes too slowly",
    0x27: "changes too fast",
    0x28: "bias or zero point wrong",
    0x29: "signal invalid",
    0x2F: "erratic",
    0x31: "no signal",
    0x32: "low time too short",
    0x33: "low time too long",
    0x34: "high time too short",
    0x35: "high time too long",
    0x36: "frequency too low",
    0x37: "frequency too high",
    0x38: "frequency wrong",
    0x39: "too few pulses",
    0x3A: "too many pulses",
    0x41: "checksum wrong",
    0x42: "memory failure",
    0x43: "special memory failure",
    0x44: "data memory failure",
    0x45: "program memory failure",
    0x46: "calibration memory failure",
    0x47: "watchdog",
    0x48: "supervision software",
    0x49: "internal electronics",
    0x4A: "wrong part fitted",
    0x4B: "over temperature",
    0x51: "not programmed",
    0x52: "not activated",
    0x53: "deactivated",
    0x54: "calibration missing",
    0x55: "not configured",
    0x61: "calculation failed",
    0x62: "comparison failed",
    0x63: "protection time-out",
    0x64: "implausible",
    0x65: "too few events",
    0x66: "too many events",
    0x67: "wrong after event",
    0x71: "actuator stuck",
    0x72: "actuator stuck open",
    0x73: "actuator stuck closed",
    0x74: "actuator slips",
    0x75: "emergency position not reached",
    0x76: "wrong mounting",
    0x77: "commanded position not reached",
    0x78: "wrong alignment",
    0x79: "linkage",
    0x7A: "leak",
    0x7B: "low fluid",
    0x81: "invalid serial data",
    0x82: "sequence counter wrong",
    0x83: "protection value wrong",
    0x84: "network value too low",
    0x85: "network value too high",
    0x86: "network signal invalid",
    0x87: "message missing",
    0x88: "bus off",
    0x8F: "erratic network signal",
    0x91: "parameter wrong",
    0x92: "performance",
    0x93: "no operation",
    0x94: "unexpected operation",
    0x95: "wrong assembly",
    0x96: "component internal failure",
    0x97: "blocked",
    0x98: "component over temperature",
}


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


def bytes_from_code(code: str) -> bytes:
    """Pack a code's five characters into its two bytes.

    >>> bytes_from_code("U0415").hex()
    'c415'
    """
    found = _CODE.fullmatch(code)
    if found is None:
        raise DecodeError(f"A code is a letter P, C, B or U, 0-3, three hex digits; not {code!r}.")
    letter, second, rest = found.groups()
    word = _SYSTEMS.index(letter) << 14 | int(second) << 12 | int(rest, 16)
    return word.to_bytes(WORD_LENGTH, "big")


def split_three_bytes(raw: bytes) -> tuple[str, str]:
    r"""Spell a three-byte code: the code and its failure type as two hex digits.

    >>> split_three_bytes(b"\x08\x05\x11")
    ('P0805', '11')
    """
    if len(raw) != LENGTH:
        raise TruncatedError("three-byte code", expected=LENGTH, received=len(raw))
    return code_from_bytes(raw[:WORD_LENGTH]), f"{raw[WORD_LENGTH]:02X}"


def three_bytes_from_code(code: str, failure_type: str) -> bytes:
    """Pack a code and its failure type (two hex digits) into three bytes."""
    return bytes_from_code(code) + bytes.fromhex(failure_type)


def failure_type_name(failure_type: int) -> str:
    """Say a failure type in words; its category where the type itself is not listed."""
    if failure_type in FAILURE_TYPES:
        return FAILURE_TYPES[failure_type]
    category = failure_type >> 4
    if category < len(FAILURE_CATEGORIES):
        return FAILURE_CATEGORIES[category]
    return "maker's own" if category == 0xF else "reserved"  # noqa: PLR2004 - the last sixteenth
