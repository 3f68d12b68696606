"""A recorded truck bus as candump text: SAE J1939 frames of an invented truck.

Identifiers and layouts: SAE J1939-21 (transport), -71 (parameters), -73 (faults), as restated
in open protocol libraries; signal scales from memory.
"""

import re
from collections.abc import Iterator

from tests.scenario.book import BusMoment
from tests.scenario.chance import Chance

SECONDS = 14
ADDRESS = {"engine": 0, "transmission": 3, "brakes": 11}
_ALL, _TOOL = 0xFF, 0xF9
_DM1, _VIN, _HOURS, _DISTANCE = 65226, 65260, 65253, 65248
_EEC1, _CCVS, _COOLANT = 61444, 65265, 65262
_BAM, _DATA, _REQUEST = 0xEC00, 0xEB00, 0xEA00
_SINGLE = 8  # bytes of a frame

Frame = tuple[float, int, bytes]  # seconds since the begin, 29-bit identifier, data


def candump(moment: BusMoment) -> bytes:
    """Write what the bus said from this moment on, one frame a line."""
    chance = Chance("bus", moment.vehicle_id)
    frames = [*_traffic(chance), *_identity(moment)]
    for second in range(SECONDS):
        for ecu, codes in moment.active.items():
            frames += _faults(second + 0.11 * ADDRESS[ecu] / 3 + 0.2, ADDRESS[ecu], codes)
    # the recorder was switched on in the middle of a multi-packet message
    frames.append((0.004, _id(_DATA, 0, to=_ALL, priority=7), bytes((2, 4, 1, *([0xFF] * 5)))))
    begin = moment.at.timestamp()
    lines = [
        f"({begin + at:.6f}) can0 {number:08X}#{data.hex().upper()}\n"
        for at, number, data in sorted(frames)
    ]
    return "".join(lines).encode()


def fault_bytes(code: str, occurrences: int) -> bytes:
    """Pack one fault in the present layout (SAE J1939-73, conversion method 4).

    SPN 7..0 | SPN 15..8 | SPN 18..16 and FMI | CM 0 and count
    """
    found = re.fullmatch(r"SPN (\d+) FMI (\d+)", code)
    if not found:
        raise ValueError(f"{code!r} is no J1939 code.")
    spn, fmi = int(found[1]), int(found[2])
    return bytes((spn & 0xFF, spn >> 8 & 0xFF, (spn >> 16) << 5 | fmi, occurrences & 0x7F))


def _faults(at: float, source: int, codes: tuple[tuple[str, int], ...]) -> Iterator[Frame]:
    lamps = bytes((0x04 if codes else 0x00, 0xFF))  # amber warning lamp on, not flashing
    body = b"".join(fault_bytes(code, count) for code, count in codes) or bytes(4)
    yield from _send(at, _DM1, source, lamps + body)


def _send(at: float, pgn: int, source: int, payload: bytes) -> Iterator[Frame]:
    """Send to all: one frame, or announced and in packets 60 ms apart."""
    if len(payload) <= _SINGLE:
        yield at, _id(pgn, source), payload.ljust(_SINGLE, b"\xff")
        return
    packets = [payload[i : i + 7] for i in range(0, len(payload), 7)]
    announce = bytes((0x20, *len(payload).to_bytes(2, "little"), len(packets), 0xFF))
    yield at, _id(_BAM, source, to=_ALL, priority=7), announce + pgn.to_bytes(3, "little")
    for number, packet in enumerate(packets, 1):
        data = bytes((number,)) + packet.ljust(7, b"\xff")
        yield at + 0.06 * number, _id(_DATA, source, to=_ALL, priority=7), data


def _identity(moment: BusMoment) -> Iterator[Frame]:
    """Answer a tool that asks for the identification number, hours and distance."""
    for at, pgn in ((2.52, _VIN), (3.02, _HOURS), (3.52, _DISTANCE)):
        yield at, _id(_REQUEST, _TOOL, to=0), pgn.to_bytes(3, "little")
    yield from _send(2.55, _VIN, 0, moment.vin.encode() + b"*")
    for number in range(3):
        at = 3.05 + 4 * number
        hours = round(moment.hours / 0.05).to_bytes(4, "little") + b"\xff" * 4
        distance = b"\xff" * 4 + round(moment.km / 0.125).to_bytes(4, "little")
        yield at, _id(_HOURS, 0), hours
        yield at + 0.5, _id(_DISTANCE, 0), distance


def _traffic(chance: Chance) -> Iterator[Frame]:
    """Idle in the yard: engine speed, standstill, warm coolant."""
    for tenth in range(SECONDS * 10):
        at = tenth / 10 + 0.0013
        rpm = round(chance.between(642, 658) / 0.125).to_bytes(2, "little")
        yield at, _id(_EEC1, 0, priority=3), b"\xf0\x7d\x7d" + rpm + b"\x00\xf0\x7d"
        yield at + 0.031, _id(_CCVS, 0), b"\xf3\x00\x00\xc0\x00\x00\x1f\xff"
        if tenth % 10 == 0:
            yield at + 0.047, _id(_COOLANT, 0), bytes((chance.whole(122, 124), *([0xFF] * 7)))


def _id(pgn: int, source: int, *, to: int = 0, priority: int = 6) -> int:
    return priority << 26 | (pgn | to) << 8 | source
