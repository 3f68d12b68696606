"""What one listed code proves: the fault is there, a sign of it, or nothing at all.

Status bits: ISO 14229-1, annex D.  Bit 0 test failed, bit 1 test failed this operation cycle, bit 2
pending, bit 3 confirmed, bit 4 test not completed since clear, bit 5 test failed since clear.
"""

from enum import StrEnum
from typing import Final


class Presence(StrEnum):
    """What a sighting of a code proves, strongest first."""

    PRESENT = "present"
    SIGN = "sign"  # pending: counts once confirmed or seen in a second scan
    NOT_TESTED = "not_tested"  # the test has not run since the clear: no evidence either way
    PERMANENT = "permanent"  # outlives a clear: alone it is no return
    ABSENT = "absent"  # listed, tested, and not failed since the clear


# status words of the plain layout; a code listed without a status is stored
_WORDS: Final = {
    "": Presence.PRESENT,
    "stored": Presence.PRESENT,
    "confirmed": Presence.PRESENT,
    "active": Presence.PRESENT,
    "previously_active": Presence.PRESENT,
    "pending": Presence.SIGN,
    "permanent": Presence.PERMANENT,
}

_FAILED_OR_CONFIRMED = 0x01 | 0x08 | 0x20
_PENDING = 0x04
_FAILING = 0x01 | 0x02  # at the moment of the scan, or earlier in its operation cycle
_NOT_COMPLETED_SINCE_CLEAR = 0x10


def presence_of_byte(status: int) -> Presence:
    """Read one ISO 14229-1 status byte; an unsupported bit is 0 and proves nothing."""
    if status & _FAILED_OR_CONFIRMED:
        return Presence.PRESENT
    if status & _PENDING:
        return Presence.SIGN
    if status & _NOT_COMPLETED_SINCE_CLEAR:
        return Presence.NOT_TESTED
    return Presence.ABSENT


def says_inactive(status: str) -> bool:
    """Whether a status word or byte reports the fault as remembered but not failing.

    Such an entry may be old: if nothing cleared it since the work, it is no return.
    """
    if status in _WORDS:
        return status == "previously_active"
    return not int(status, 16) & (_FAILING | _PENDING)


def presence_table() -> dict[str, Presence]:
    """Every status a stored row may have -> what it proves."""
    return _WORDS | {f"{byte:02X}": presence_of_byte(byte) for byte in range(256)}
