"""SAE J1939-21 transport: messages of 9 to 1785 bytes put together from frames, piece by piece.

Pure: the caller hands over frames with their times and gets finished, broken or aborted
transfers back.  A transfer that misses a piece is never guessed whole.  The extended transport
of longer messages is not read: no fault message needs it.
"""

from dataclasses import dataclass, field
from enum import IntEnum, StrEnum

from afterclear.protocols import j1939

MIN_SIZE, MAX_SIZE = 9, 1785  # 255 packets of 7 bytes
PACKET_LENGTH = 7
_CONTROL_LENGTH = 8
# T1 (broadcast) and T2/T3 (addressed) of SAE J1939-21, as python-can-j1939 uses them.
BROADCAST_TIMEOUT_S = 0.75
ADDRESSED_TIMEOUT_S = 1.25


class Control(IntEnum):
    """First byte of a TP.CM frame."""

    REQUEST_TO_SEND = 16
    CLEAR_TO_SEND = 17
    END_OF_MESSAGE = 19
    BROADCAST = 32
    ABORT = 255


class Outcome(StrEnum):
    """How a transfer ended."""

    COMPLETE = "complete"
    INCOMPLETE = "incomplete"  # a packet missing or out of order, too late, or the log ended
    ABORTED = "aborted"  # one side said so


@dataclass(frozen=True, slots=True)
class Transfer:
    """One transported message, whole or not."""

    outcome: Outcome
    source_address: int
    destination: int  # 255: broadcast
    pgn: int
    size: int  # bytes announced
    payload: bytes  # exactly ``size`` bytes if complete, otherwise those that came in order
    began_at: float  # seconds, the caller's clock
    ended_at: float


@dataclass(slots=True)
class _Session:
    pgn: int
    size: int
    n_packets: int
    began_at: float
    last_at: float
    expected: int = 1
    packets: list[bytes] = field(default_factory=list)


@dataclass(slots=True)
class Transport:
    """Everything under way on one bus.  A session is known by (source, destination)."""

    sessions: dict[tuple[int, int], _Session] = field(default_factory=dict)

    def feed(self, at: float, frame_id: j1939.J1939Id, data: bytes) -> list[Transfer]:
        """Take one TP.CM or TP.DT frame; return the transfers that end with it.

        ``at`` is in seconds.  A step back in time never ends a session.
        """
        if frame_id.destination is None:
            return []
        key = (frame_id.source_address, frame_id.destination)
        if frame_id.pgn == j1939.TRANSPORT_DATA:
            return self._data(at, key, data)
        if frame_id.pgn == j1939.TRANSPORT_CONTROL and len(data) == _CONTROL_LENGTH:
            return self._control(at, key, data)
        return []

    def close(self) -> list[Transfer]:
        """End the transfers still under way: the log is over."""
        keys = list(self.sessions)
        return [self._end(key, self.sessions[key].last_at, Outcome.INCOMPLETE) for key in keys]

    def _control(self, at: float, key: tuple[int, int], data: bytes) -> list[Transfer]:
        pgn = int.from_bytes(data[5:8], "little")
        back = (key[1], key[0])  # the receiver answers the other way round
        match data[0]:
            case Control.BROADCAST | Control.REQUEST_TO_SEND:
                to_all = key[1] == j1939.TO_EVERYBODY
                is_sound = (data[0] == Control.BROADCAST) == to_all
                return self._open(at, key, data) if is_sound else []
            case Control.CLEAR_TO_SEND if back in self.sessions:
                session = self.sessions[back]
                session.last_at = at
                # A receiver may ask again for frames it missed; we may have seen them already.
                if data[1] and 0 < data[2] <= len(session.packets):
                    del session.packets[data[2] - 1 :]
                    session.expected = data[2]
            case Control.ABORT:
                ended = [k for k in (key, back) if k in self.sessions]
                ended = [k for k in ended if self.sessions[k].pgn == pgn]
                return [self._end(k, at, Outcome.ABORTED) for k in ended]
        return []

    def _open(self, at: float, key: tuple[int, int], data: bytes) -> list[Transfer]:
        broken = []
        if key in self.sessions:  # a new announcement drops what was under way
            broken.append(self._end(key, at, Outcome.INCOMPLETE))
        size = int.from_bytes(data[1:3], "little")
        n_packets = -(-size // PACKET_LENGTH)
        if MIN_SIZE <= size <= MAX_SIZE and data[3] == n_packets:
            pgn = int.from_bytes(data[5:8], "little")
            self.sessions[key] = _Session(pgn, size, n_packets, at, at)
        return broken

    def _data(self, at: float, key: tuple[int, int], data: bytes) -> list[Transfer]:
        session = self.sessions.get(key)
        if session is None or not data:
            return []
        limit = BROADCAST_TIMEOUT_S if key[1] == j1939.TO_EVERYBODY else ADDRESSED_TIMEOUT_S
        if at - session.last_at > limit:
            return [self._end(key, at, Outcome.INCOMPLETE)]
        number, packet = data[0], data[1:]
        if session.packets and number == session.expected - 1 and packet == session.packets[-1]:
            return []  # the bus repeated a frame
        left = session.size - len(session.packets) * PACKET_LENGTH
        if number != session.expected or len(packet) < min(left, PACKET_LENGTH):
            return [self._end(key, at, Outcome.INCOMPLETE)]
        session.packets.append(packet)
        session.expected += 1
        session.last_at = at
        if len(session.packets) == session.n_packets:
            return [self._end(key, at, Outcome.COMPLETE)]
        return []

    def _end(self, key: tuple[int, int], at: float, outcome: Outcome) -> Transfer:
        session = self.sessions.pop(key)
        payload = b"".join(session.packets)[: session.size]
        source, destination = key
        return Transfer(
            outcome, source, destination, session.pgn, session.size, payload, session.began_at, at
        )
