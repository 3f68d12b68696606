"""The decoders' inverses, for round trips: written from the standards' tables, not the decoders."""

from math import ceil


def j1939_dtc(spn: int, fmi: int, occurrences: int, method: int = 4) -> bytes:
    """Pack one code by the four conversion methods of SAE J1939-73."""
    match method:
        case 1:
            b1, b2, top = spn >> 11, spn >> 3 & 0xFF, spn & 7
        case 2:
            b1, b2, top = spn >> 3 & 0xFF, spn >> 11, spn & 7
        case _:
            b1, b2, top = spn & 0xFF, spn >> 8 & 0xFF, spn >> 16
    return bytes([b1, b2, top << 5 | fmi, (method != 4) << 7 | occurrences])


def broadcast_frames(source: int, pgn: int, payload: bytes) -> list[tuple[int, bytes]]:
    """Cut a payload into a BAM announcement and its data frames: (identifier, data)."""
    n_packets = ceil(len(payload) / 7)
    size = len(payload).to_bytes(2, "little")
    head = b"\x20" + size + bytes([n_packets, 0xFF]) + pgn.to_bytes(3, "little")
    frames = [(0x1CECFF00 | source, head)]
    for number in range(n_packets):
        packet = payload[number * 7 : number * 7 + 7].ljust(7, b"\xff")
        frames.append((0x1CEBFF00 | source, bytes([number + 1]) + packet))
    return frames


def addressed_frames(
    source: int, destination: int, pgn: int, payload: bytes
) -> list[tuple[int, bytes]]:
    """Cut a payload into RTS, one CTS for all packets, data frames and the end message."""
    n_packets = ceil(len(payload) / 7)
    size = len(payload).to_bytes(2, "little")
    group = pgn.to_bytes(3, "little")
    there = destination << 8 | source
    back = source << 8 | destination
    frames = [
        (0x1CEC0000 | there, b"\x10" + size + bytes([n_packets, 0xFF]) + group),
        (0x1CEC0000 | back, bytes([17, n_packets, 1, 0xFF, 0xFF]) + group),
    ]
    for number in range(n_packets):
        packet = payload[number * 7 : number * 7 + 7].ljust(7, b"\xff")
        frames.append((0x1CEB0000 | there, bytes([number + 1]) + packet))
    frames.append((0x1CEC0000 | back, b"\x13" + size + bytes([n_packets, 0xFF]) + group))
    return frames


def isotp_frames(payload: bytes) -> list[bytes]:
    """Cut a payload into the data of classic CAN frames, filled with zeros."""
    if len(payload) < 8:
        return [(bytes([len(payload)]) + payload).ljust(8, b"\0")]
    frames = [bytes([0x10 | len(payload) >> 8, len(payload) & 0xFF]) + payload[:6]]
    for number, start in enumerate(range(6, len(payload), 7), 1):
        frames.append((bytes([0x20 | number & 0xF]) + payload[start : start + 7]).ljust(8, b"\0"))
    return frames
