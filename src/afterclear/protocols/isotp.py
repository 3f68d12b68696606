"""ISO 15765-2 transport: messages put together from CAN frames, piece by piece.

One ``Receiver`` listens to one identifier on one bus.  It is pure: the caller hands over frame
data with its time and gets whole or broken messages back.  A message that misses a piece is
never guessed whole.  Flow control frames belong to the other direction and are passed over.
"""

from dataclasses import dataclass, field
from enum import IntEnum, StrEnum

CLASSIC_LENGTH = 8
MAX_SHORT_SIZE = 0xFFF  # twelve bits; longer messages state their size in four bytes
TIMEOUT_S = 1.0  # N_Cr of ISO 15765-2


class FrameKind(IntEnum):
    """The high half of the first byte."""

    SINGLE = 0
    FIRST = 1
    CONSECUTIVE = 2
    FLOW_CONTROL = 3


class Outcome(StrEnum):
    """How a message ended."""

    COMPLETE = "complete"
    INCOMPLETE = "incomplete"  # bytes or frames missing, out of order, too late, or the log ended


@dataclass(frozen=True, slots=True)
class Message:
    """One transported message, whole or not."""

    outcome: Outcome
    payload: bytes  # exactly ``size`` bytes if complete, otherwise those that came in order
    size: int  # bytes announced
    began_at: float  # seconds, the caller's clock
    ended_at: float


@dataclass(slots=True)
class _Partial:
    size: int
    began_at: float
    last_at: float
    expected: int = 1
    received: bytearray = field(default_factory=bytearray)


@dataclass(slots=True)
class Receiver:
    """The transfer under way on one identifier.

    ``address_bytes``: 1 where each frame begins with an address (extended or mixed addressing).
    """

    address_bytes: int = 0
    _partial: _Partial | None = None

    def feed(self, at: float, data: bytes) -> list[Message]:
        """Take one frame's data; return the messages that end with it.

        kind          byte 1          byte 2         then
        single        0 | length      data           (long frames: 00, length, data)
        first         1 | size 11..8  size 7..0      data (10 00, size in four bytes, data)
        consecutive   2 | number      data
        flow control  3 | ...
        """
        data = data[self.address_bytes :]
        if not data:
            return []
        match data[0] >> 4:
            case FrameKind.SINGLE:
                return self._drop(at) + _single(at, data)
            case FrameKind.FIRST:
                return self._first(at, data)
            case FrameKind.CONSECUTIVE:
                return self._consecutive(at, data)
            case _:
                return []

    def close(self) -> list[Message]:
        """End the transfer still under way: the log is over."""
        return self._drop(self._partial.last_at if self._partial else 0.0)

    def _drop(self, at: float) -> list[Message]:
        return [] if self._partial is None else [self._end(self._partial, at)]

    def _first(self, at: float, data: bytes) -> list[Message]:
        broken = self._drop(at)
        size = int.from_bytes(data[:2], "big") & MAX_SHORT_SIZE
        body = data[2:]
        if size == 0:
            size, body = int.from_bytes(data[2:6], "big"), data[6:]
        # what fits a single frame may not be sent as a first one
        if len(data) >= CLASSIC_LENGTH - self.address_bytes and size > len(body):
            self._partial = _Partial(size, at, at, received=bytearray(body))
        return broken

    def _consecutive(self, at: float, data: bytes) -> list[Message]:
        partial = self._partial
        if partial is None:
            return []
        left = partial.size - len(partial.received)
        is_late = at - partial.last_at > TIMEOUT_S
        body = data[1 : 1 + left]
        is_short = len(body) < min(left, CLASSIC_LENGTH - 1 - self.address_bytes)
        if is_late or is_short or data[0] & 0xF != partial.expected:
            return [self._end(partial, at)]
        partial.received += body
        partial.expected = (partial.expected + 1) & 0xF
        partial.last_at = at
        return [self._end(partial, at)] if len(partial.received) == partial.size else []

    def _end(self, partial: _Partial, at: float) -> Message:
        self._partial = None
        payload = bytes(partial.received)
        is_whole = len(payload) == partial.size
        outcome = Outcome.COMPLETE if is_whole else Outcome.INCOMPLETE
        return Message(outcome, payload, partial.size, partial.began_at, at)


def _single(at: float, data: bytes) -> list[Message]:
    length, body = data[0] & 0xF, data[1:]
    if length == 0 and len(data) > CLASSIC_LENGTH:
        length, body = data[1], data[2:]
    if length == 0:
        return []
    outcome = Outcome.COMPLETE if length <= len(body) else Outcome.INCOMPLETE
    return [Message(outcome, body[:length], length, at, at)]
