"""SAE J1939 frames: identifier, parameter groups, addresses, and the single values we need.

Faults are in ``j1939_faults``, readiness and counters in ``j1939_readiness``, messages longer than
a frame in ``j1939_transport``.  Nothing here knows files, clocks or which unit was asked.
"""

from dataclasses import dataclass

from afterclear.errors import DecodeError, TruncatedError
from afterclear.protocols.vin_bytes import vin_from_ascii

# Parameter group numbers, as in python-can-j1939.
DM1_ACTIVE = 0xFECA
DM2_PREVIOUSLY_ACTIVE = 0xFECB
DM3_CLEAR_PREVIOUSLY_ACTIVE = 0xFECC
DM5_READINESS = 0xFECE
DM6_EMISSION_PENDING = 0xFECF
DM11_CLEAR_ACTIVE = 0xFED3
DM12_EMISSION_ACTIVE = 0xFED4
DM21_SINCE_CLEAR = 0xC100
DM23_EMISSION_PREVIOUSLY_ACTIVE = 0xFDB5
DM26_THIS_TRIP = 0xFDB8
DM27_ALL_PENDING = 0xFD82
DM28_PERMANENT = 0xFD80
ACKNOWLEDGEMENT = 0xE800
REQUEST = 0xEA00
TRANSPORT_DATA = 0xEB00
TRANSPORT_CONTROL = 0xEC00
TOTAL_DISTANCE = 0xFEE0  # SPN 245
HIGH_RESOLUTION_DISTANCE = 0xFEC1  # SPN 917
ENGINE_HOURS = 0xFEE5  # SPN 247
VEHICLE_IDENTIFICATION = 0xFEEC  # SPN 237

TO_EVERYBODY = 0xFF
FRAME_LENGTH = 8  # data bytes of a full frame
PGN_LENGTH = 3  # bytes of a group number inside a message, low byte first

# Preferred addresses (Wireshark's and pretty_j1939's tables; 90 from a public J1939-84 log).
# A unit may claim another address: the name is a label, the address is what identifies.
UNITS = {
    0: "engine",
    1: "engine 2",
    2: "turbocharger",
    3: "transmission",
    4: "transmission 2",
    5: "shift console",
    6: "shift console 2",
    8: "steer axle",
    9: "drive axle",
    10: "drive axle 2",
    11: "brakes",
    12: "brakes steer axle",
    13: "brakes drive axle",
    14: "brakes drive axle 2",
    15: "retarder engine",
    16: "retarder driveline",
    17: "cruise control",
    19: "steering",
    23: "instrument cluster",
    25: "cab climate",
    30: "electrical system",
    33: "body controller",
    37: "gateway off vehicle",
    39: "management computer",
    42: "radar headway",
    47: "suspension",
    49: "cab controller",
    50: "cab controller 2",
    51: "tyre pressure",
    55: "lighting",
    61: "exhaust emission",
    62: "stability control",
    64: "suspension 2",
    71: "chassis controller",
    72: "chassis controller 2",
    77: "steering column",
    80: "parking brake",
    81: "aftertreatment inlet",
    82: "aftertreatment outlet",
    83: "restraints",
    85: "pm filter",
    86: "aftertreatment 2 inlet",
    87: "aftertreatment 2 outlet",
    88: "restraints 2",
    90: "powertrain control",
}
# Off-board tools and the two addresses without an owner: no control units of the vehicle.
TOOL_ADDRESSES = frozenset({249, 250})
NO_UNIT = TOOL_ADDRESSES | {254, 255}

_PDU2 = 240  # from here on the PS byte extends the group number instead of naming a receiver
_NOT_A_VALUE_32 = 0xFB000000  # J1939-71 ranges, from memory: above are errors and "not available"


@dataclass(frozen=True, slots=True)
class J1939Id:
    """A 29-bit identifier taken apart (SAE J1939-21).

    bits 28..26  25   24   23..16  15..8  7..0
    priority     EDP  DP   PF      PS     source address
    """

    priority: int  # 0 is the most urgent
    pgn: int
    source_address: int
    destination: int | None  # None: PF >= 240, sent to everybody


def id_from_int(can_id: int) -> J1939Id:
    """Take a 29-bit identifier apart.

    >>> id_from_int(0x18EA3DF9)
    J1939Id(priority=6, pgn=59904, source_address=249, destination=61)
    """
    if not 0 <= can_id < 1 << 29:
        raise DecodeError(f"A J1939 identifier has 29 bits, but {can_id:#x} came.")
    group = can_id >> 8 & 0x3FFFF
    is_addressed = group >> 8 & 0xFF < _PDU2
    return J1939Id(
        priority=can_id >> 26,
        pgn=group & 0x3FF00 if is_addressed else group,
        source_address=can_id & 0xFF,
        destination=group & 0xFF if is_addressed else None,
    )


def unit_label(source_address: int) -> str:
    """Name a unit by its address and, where one is preferred for it, its function.

    >>> unit_label(0), unit_label(201)
    ('SA 0 engine', 'SA 201 unit')
    """
    return f"SA {source_address} {UNITS.get(source_address, 'unit')}"


def vin_from_payload(payload: bytes) -> str | None:
    """Read the VIN of PGN 65260: ASCII ended by ``*``.  None: not 17 letters of a VIN.

    >>> vin_from_payload(b"5SYNTH0000TEST001*")
    '5SYNTH0000TEST001'
    """
    return vin_from_ascii(payload.split(b"*", 1)[0])


def _unsigned(payload: bytes, start: int, what: str) -> int | None:
    if len(payload) < start + 4:
        raise TruncatedError(what, expected=start + 4, received=len(payload))
    value = int.from_bytes(payload[start : start + 4], "little")
    return None if value >= _NOT_A_VALUE_32 else value


def total_distance_km(payload: bytes) -> float | None:
    """Read SPN 245, bytes 5-8 of PGN 65248, 0.125 km per bit (pretty_j1939's database)."""
    value = _unsigned(payload, 4, "total vehicle distance")
    return None if value is None else value * 0.125


def high_resolution_distance_km(payload: bytes) -> float | None:
    """Read SPN 917, bytes 1-4 of PGN 65217, 5 m per bit (from memory)."""
    value = _unsigned(payload, 0, "high resolution distance")
    return None if value is None else value / 200


def engine_hours(payload: bytes) -> float | None:
    """Read SPN 247, bytes 1-4 of PGN 65253, 0.05 h per bit (from memory)."""
    value = _unsigned(payload, 0, "engine hours message")
    return None if value is None else value / 20


def requested_pgn(payload: bytes) -> int:
    """Read which parameter group a request (PGN 59904) asks for: three bytes, low one first."""
    if len(payload) < PGN_LENGTH:
        raise TruncatedError("J1939 request", expected=PGN_LENGTH, received=len(payload))
    return int.from_bytes(payload[:PGN_LENGTH], "little")


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """The answer to a request or command (PGN 59392)."""

    control: int  # 0 done, 1 refused, 2 access denied (from memory), 3 busy
    address: int  # whose request this answers; 255 in older units
    pgn: int


def acknowledgement_from_payload(payload: bytes) -> Acknowledgement:
    """Read an acknowledgement.

    >>> acknowledgement_from_payload(bytes.fromhex("00FFFFFFF9D3FE00"))
    Acknowledgement(control=0, address=249, pgn=65235)
    """
    if len(payload) < FRAME_LENGTH:
        raise TruncatedError("J1939 acknowledgement", expected=FRAME_LENGTH, received=len(payload))
    return Acknowledgement(payload[0], payload[4], int.from_bytes(payload[5:8], "little"))
