"""SAE J1939-73 fault messages: DM1, DM2, DM6, DM12, DM23, DM27, DM28; lamps and codes.

All seven share one form: two lamp bytes, then four bytes a code, then filler.  The reader decides
which messages of a noisy bus to trust.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum

from afterclear.errors import DecodeError, TruncatedError
from afterclear.protocols import j1939

# The plain layout's word for a code of each message.
STATUS_OF_PGN = {
    j1939.DM1_ACTIVE: "active",
    j1939.DM2_PREVIOUSLY_ACTIVE: "previously_active",
    j1939.DM6_EMISSION_PENDING: "pending",
    j1939.DM12_EMISSION_ACTIVE: "confirmed",
    j1939.DM23_EMISSION_PREVIOUSLY_ACTIVE: "previously_active",
    j1939.DM27_ALL_PENDING: "pending",
    j1939.DM28_PERMANENT: "permanent",
}

# Failure mode identifiers without a meaning (two published FMI lists and Open-SAE-J1939); one
# steering-valve maker uses 25, 27 and 28 all the same.
RESERVED_FMI = range(22, 31)

LAMPS = ("mil", "red_stop", "amber_warning", "protect")  # from the highest bit pair down
DTC_LENGTH = 4
CURRENT_METHOD = 4
OLD_METHODS = (1, 2, 3)
LAMP_LENGTH = 2
_NO_COUNT = 127  # from memory; 126 is the ceiling


class LampState(IntEnum):
    """Two bits of the first lamp byte."""

    OFF = 0
    ON = 1
    RESERVED = 2
    NOT_SUPPORTED = 3


class Flash(IntEnum):
    """Two bits of the second lamp byte; they mean something only for a lamp that is on."""

    SLOW = 0  # about once a second
    FAST = 1  # about twice a second
    RESERVED = 2
    STEADY = 3


@dataclass(frozen=True, slots=True)
class Lamp:
    """One warning lamp as commanded by one unit."""

    name: str
    state: LampState
    flash: Flash | None  # None: the lamp is not on


@dataclass(frozen=True, slots=True)
class Dtc:
    """One code.  On a bus the key is (source address, SPN, FMI)."""

    spn: int | None  # None: an old conversion method that was not named; see ``raw``
    fmi: int
    occurrences: int | None  # None: not counted; 126 means at least 126
    raw: bytes

    @property
    def code(self) -> str | None:
        """The code's spelling; None if the SPN cannot be known from the bytes."""
        return None if self.spn is None else f"SPN {self.spn} FMI {self.fmi}"

    @property
    def is_filler(self) -> bool:
        """True for the filler that means "no code": SPN 0 with FMI 0, or all ones.

        The zeros are the standard's way (public J1939-84 logs); the ones are from memory.
        """
        return self.raw[:3] in (b"\x00\x00\x00", b"\xff\xff\xff")  # in all four methods


@dataclass(frozen=True, slots=True)
class FaultMessage:
    """The content of a DM1-like message. No codes and all lamps off: the unit reports none."""

    lamps: tuple[Lamp, ...]
    dtcs: tuple[Dtc, ...]  # filler dropped
    tail: bytes  # what is left after the last whole code: filler in a conforming message

    @property
    def lit(self) -> tuple[str, ...]:
        """Names of the lamps commanded on."""
        return tuple(lamp.name for lamp in self.lamps if lamp.state is LampState.ON)


def lamps_from_bytes(raw: bytes) -> tuple[Lamp, ...]:
    """Decode the two lamp bytes, both with two bits a lamp.

    bits   8-7   6-5        4-3             2-1
           MIL   red stop   amber warning   protect
    """
    if len(raw) != LAMP_LENGTH:
        raise TruncatedError("J1939 lamp field", expected=LAMP_LENGTH, received=len(raw))
    return tuple(_lamp(name, raw, shift) for name, shift in zip(LAMPS, (6, 4, 2, 0), strict=True))


def _lamp(name: str, raw: bytes, shift: int) -> Lamp:
    state = LampState(raw[0] >> shift & 0b11)
    flash = Flash(raw[1] >> shift & 0b11) if state is LampState.ON else None
    return Lamp(name, state, flash)


def dtc_from_bytes(raw: bytes, method: int | None = None) -> Dtc:
    """Decode one code of a fault message (SAE J1939-73, four conversion methods).

    method  byte 1      byte 2      byte 3               byte 4
    4       SPN 7..0    SPN 15..8   SPN 18..16 | FMI 5   CM = 0 | OC 7
    3       SPN 7..0    SPN 15..8   SPN 18..16 | FMI 5   CM = 1 | OC 7
    2       SPN 10..3   SPN 18..11  SPN 2..0   | FMI 5   CM = 1 | OC 7
    1       SPN 18..11  SPN 10..3   SPN 2..0   | FMI 5   CM = 1 | OC 7

    ``method`` is the unit's old method (1, 2 or 3), needed only where CM = 1: the bytes do not
    distinguish the three, so without it the SPN stays None and the raw bytes are kept.
    """
    if len(raw) != DTC_LENGTH:
        raise TruncatedError("J1939 code", expected=DTC_LENGTH, received=len(raw))
    if method not in (None, *OLD_METHODS):
        raise DecodeError(f"An old SPN conversion method is 1, 2 or 3, but {method!r} was given.")
    used = CURRENT_METHOD if raw[3] >> 7 == 0 else method
    count = raw[3] & 0x7F
    return Dtc(
        spn=None if used is None else _spn(raw, used),
        fmi=raw[2] & 0x1F,
        occurrences=None if count == _NO_COUNT else count,
        raw=bytes(raw),
    )


def _spn(raw: bytes, method: int) -> int:
    top = raw[2] >> 5
    match method:
        case 1:
            return raw[0] << 11 | raw[1] << 3 | top
        case 2:
            return raw[1] << 11 | raw[0] << 3 | top
        case _:
            return raw[0] | raw[1] << 8 | top << 16


def fault_message_from_payload(payload: bytes, method: int | None = None) -> FaultMessage:
    """Decode a whole DM1, DM2, DM6, DM12, DM23, DM27 or DM28.

    A single frame carries one code in 6 or 8 bytes, a transported message 2 + 4 n bytes.
    ``method``: see ``dtc_from_bytes``.
    """
    shortest = LAMP_LENGTH + DTC_LENGTH
    if len(payload) < shortest:
        raise TruncatedError("J1939 fault message", expected=shortest, received=len(payload))
    n_codes = (len(payload) - LAMP_LENGTH) // DTC_LENGTH
    end = LAMP_LENGTH + n_codes * DTC_LENGTH
    codes = payload[LAMP_LENGTH:end]
    return FaultMessage(
        lamps=lamps_from_bytes(payload[:LAMP_LENGTH]),
        dtcs=tuple(dtc for dtc in _dtcs(codes, method) if not dtc.is_filler),
        tail=bytes(payload[end:]),
    )


def _dtcs(raw: bytes, method: int | None) -> Iterator[Dtc]:
    for start in range(0, len(raw), DTC_LENGTH):
        yield dtc_from_bytes(raw[start : start + DTC_LENGTH], method)
