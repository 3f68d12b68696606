"""SAE J1979 (OBD) answers: codes, readiness, counters, freeze frame, VIN.

Each function takes one whole message without transport or checksum bytes.  The same service looks
different on CAN and on the older lines: there the answer to 03, 07 and 0A has no count and always
three codes.  The bytes do not show which, so the caller names the ``Form``.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import Enum, IntEnum

from afterclear.errors import DecodeError, TruncatedError
from afterclear.protocols import j2012
from afterclear.protocols.monitors import Monitor
from afterclear.protocols.vin_bytes import vin_from_ascii

POSITIVE = 0x40


class Form(Enum):
    """How a vehicle's line carries answers."""

    CAN = "can"  # ISO 15765-4
    OLDER = "older"  # J1850, ISO 9141-2, ISO 14230-4


class Service(IntEnum):
    """Services that are read here."""

    CURRENT_DATA = 0x01
    FREEZE_FRAME = 0x02
    CONFIRMED_CODES = 0x03
    CLEAR = 0x04
    PENDING_CODES = 0x07
    VEHICLE_INFORMATION = 0x09
    PERMANENT_CODES = 0x0A


# The plain layout's word for a code of each service.
STATUS_OF_SERVICE = {
    Service.CONFIRMED_CODES: "confirmed",
    Service.PENDING_CODES: "pending",
    Service.PERMANENT_CODES: "permanent",
}
VIN_ITEM = 0x02  # of service 09
OLDER_CODES = 3  # codes in each answer of the older lines
OLDER_HEADER = 3  # bytes before the service: format, target, source
_PADDING = frozenset(
    {0x00, 0x55, 0xAA, 0xCC, 0xFF}
)  # what fills frames (common practice, no source)


def codes_from_message(payload: bytes, form: Form) -> tuple[str, ...]:
    """List the codes of an answer to 03, 07 or 0A; filler dropped.

    CAN    43 n { code(2) }
    older  43 { code(2) } three times, 0000 where there is no more

    >>> codes_from_message(bytes.fromhex("430201020113"), Form.CAN)
    ('P0102', 'P0113')
    """
    _service(payload, *STATUS_OF_SERVICE)
    if form is Form.CAN:
        _check(payload, 2, "answer with codes")
        n_codes, body = payload[1], payload[2:]
    else:
        n_codes, body = OLDER_CODES, payload[1:]
    end = n_codes * j2012.WORD_LENGTH
    head = len(payload) - len(body)
    _check(payload, head + end, "answer with codes")
    if not set(body[end:]) <= _PADDING:
        raise DecodeError(
            f"{payload.hex(' ').upper()} announces {n_codes} codes, but more bytes follow. On an "
            "older line the answer has no count: name the form."
        )
    words = [body[start : start + 2] for start in range(0, end, 2)]
    return tuple(j2012.code_from_bytes(word) for word in words if any(word))


def _service(payload: bytes, *services: Service) -> Service:
    _check(payload, 1, "answer")
    for service in services:
        if payload[0] == service + POSITIVE:
            return service
    expected = " or ".join(f"{service + POSITIVE:02X}" for service in services)
    raise DecodeError(f"An answer that begins {expected} was expected, not {payload[0]:02X}.")


def _check(payload: bytes, length: int, what: str) -> None:
    if len(payload) < length:
        raise TruncatedError(what, expected=length, received=len(payload))


def older_line_message(frame: bytes) -> tuple[int, bytes]:
    """Take an older line's frame apart: who sent it, and the message without checksum.

    >>> older_line_message(bytes.fromhex("486B10430001020304 05FF"))[1].hex()
    '43000102030405'
    """
    _check(frame, OLDER_HEADER + 2, "frame of an older line")
    return frame[OLDER_HEADER - 1], frame[OLDER_HEADER:-1]


def is_cleared(payload: bytes) -> bool:
    """Whether a message is the positive answer to service 04: one byte, 44."""
    return payload[:1] == bytes([Service.CLEAR + POSITIVE])


# --- readiness -----------------------------------------------------------------------------

_CONTINUOUS = ("misfire", "fuel_system", "component")  # bits 0-2 of byte B, and 4-6
_COMPRESSION_BIT = 3
# bit 0 upwards of bytes C and D (python-OBD's order; bit 4 of spark engines has had three
# meanings by edition, the air conditioning one is kept)
_SPARK = (
    "catalyst",
    "heated_catalyst",
    "evaporative",
    "secondary_air",
    "ac_refrigerant",
    "oxygen_sensor",
    "oxygen_sensor_heater",
    "egr_vvt",
)
_COMPRESSION = (
    "nmhc_catalyst",
    "nox_scr",
    None,
    "boost_pressure",
    None,
    "exhaust_gas_sensor",
    "pm_filter",
    "egr_vvt",
)


@dataclass(frozen=True, slots=True)
class Readiness:
    """PID 01 (since clear) or PID 41 (this cycle; ``mil_on`` and ``n_codes`` mean nothing)."""

    mil_on: bool
    n_codes: int
    is_compression: bool
    monitors: tuple[Monitor, ...]


def readiness_from_bytes(raw: bytes) -> Readiness:
    """Decode the four bytes A to D of PID 01 or 41.

    byte    7         6-4               3             2-0
    A       MIL on    number of codes (6-0)
    B       reserved  not complete      compression   supported: component, fuel, misfire
    C, D    supported, not complete, a bit a monitor
    """
    if len(raw) != 4:  # noqa: PLR2004
        raise TruncatedError("readiness value", expected=4, received=len(raw))
    a, b, supported, open_ = raw
    is_compression = bool(b >> _COMPRESSION_BIT & 1)
    continuous = tuple(
        Monitor(name, bool(b >> bit & 1), not b >> (bit + 4) & 1)
        for bit, name in enumerate(_CONTINUOUS)
    )
    others = tuple(
        Monitor(name, bool(supported >> bit & 1), not open_ >> bit & 1)
        for bit, name in enumerate(_COMPRESSION if is_compression else _SPARK)
        if name is not None
    )
    return Readiness(bool(a >> 7), a & 0x7F, is_compression, continuous + others)


# --- values --------------------------------------------------------------------------------


class Pid(IntEnum):
    """Parameters of service 01 that say something about codes, clears or distance."""

    READINESS = 0x01
    FREEZE_FRAME_CODE = 0x02
    OBD_TYPE = 0x1C
    DISTANCE_MIL_ON = 0x21
    WARMUPS_SINCE_CLEAR = 0x30
    DISTANCE_SINCE_CLEAR = 0x31
    READINESS_THIS_CYCLE = 0x41
    MINUTES_MIL_ON = 0x4D
    MINUTES_SINCE_CLEAR = 0x4E
    ODOMETER = 0xA6


LENGTHS: Mapping[int, int] = {
    **dict.fromkeys(range(0, 224, 32), 4),  # which parameters there are
    Pid.READINESS: 4,
    Pid.FREEZE_FRAME_CODE: 2,
    Pid.OBD_TYPE: 1,
    Pid.DISTANCE_MIL_ON: 2,
    Pid.WARMUPS_SINCE_CLEAR: 1,
    Pid.DISTANCE_SINCE_CLEAR: 2,
    Pid.READINESS_THIS_CYCLE: 4,
    Pid.MINUTES_MIL_ON: 2,
    Pid.MINUTES_SINCE_CLEAR: 2,
    Pid.ODOMETER: 4,
}


def values_from_message(payload: bytes) -> dict[int, bytes]:
    """Cut an answer to service 01 into its parameters: number -> bytes.

    On CAN one answer may hold up to six.  At the first parameter whose length is not listed the
    cutting ends; what comes before is sound.
    """
    _service(payload, Service.CURRENT_DATA)
    values: dict[int, bytes] = {}
    body = payload[1:]
    while body and body[0] in LENGTHS:
        length = LENGTHS[body[0]]
        if len(body) <= length:
            if values and set(body) <= _PADDING:
                break
            raise TruncatedError(
                f"value of PID {body[0]:02X}", expected=length, received=len(body) - 1
            )
        values.setdefault(body[0], body[1 : 1 + length])
        body = body[1 + length :]
    return values


def number_from_value(pid: int, raw: bytes) -> float:
    """Read a distance in km, a count or minutes.  65535 and 255 mean "at least".

    The odometer counts 0.1 km (from memory); everything else counts 1.
    """
    value = int.from_bytes(raw, "big")
    return value / 10 if pid == Pid.ODOMETER else value


# --- vehicle -------------------------------------------------------------------------------


def vin_from_messages(payloads: Iterable[bytes], form: Form) -> str | None:
    """Read the VIN of service 09 02.  None: not the 17 characters of a VIN.

    CAN    49 02 01 and 17 characters
    older  five messages 49 02 k and four bytes; the first begins with three zero bytes
    """
    parts: dict[int, bytes] = {}
    for payload in payloads:
        _service(payload, Service.VEHICLE_INFORMATION)
        _check(payload, 3, "answer about the vehicle")
        if payload[1] == VIN_ITEM:
            parts[payload[2]] = payload[3:]
    if form is Form.OLDER and sorted(parts) != [1, 2, 3, 4, 5]:
        return None
    return vin_from_ascii(b"".join(parts[number] for number in sorted(parts)))


# --- units ---------------------------------------------------------------------------------

# Only the engine has an agreed place among those that answer (ISO 15765-4 and SAE J2178, from
# memory); any other is named by its number.
_ENGINE_ANSWER_ID, _ENGINE_ADDRESS = 0x7E8, 0x10


def unit_label(number: int, *, is_long: bool = False) -> str:
    """Name a unit by its 11-bit answer identifier, or (``is_long``) by its one-byte address.

    >>> unit_label(0x7E8), unit_label(0x7E9), unit_label(0x28, is_long=True)
    ('engine', 'ECU 7E9', 'ECU 28')
    """
    is_engine = number == (_ENGINE_ADDRESS if is_long else _ENGINE_ANSWER_ID)
    return "engine" if is_engine else f"ECU {number:02X}"
