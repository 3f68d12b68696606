"""A bus recording's frames to and from a tester (ISO 15765-4), put together to messages.

Identifiers of 29 bits name both parties (ISO 15765-2, normal fixed addressing): 18DA, the receiver,
the sender; 18DB goes to all.  F1 is the external tester of ISO 15765-4, but any address may be one.
Another address is taken for a tester only towards a unit with which both sides were heard, the
tester with questions alone and the unit with answers alone: bit 6 of a message's first byte shows
which it is (ISO 14229-1, service identifiers). Messages that fit neither rule are left out and
counted.
"""

from collections import Counter, defaultdict
from dataclasses import dataclass

import polars as pl

from afterclear.protocols import isotp
from afterclear.protocols.obd import unit_label
from afterclear.readers.bus.diagnostic_answers import Said

FUNCTIONAL_ID = 0x7DF
FIRST_QUESTION_ID, FIRST_ANSWER_ID, LAST_ANSWER_ID = 0x7E0, 0x7E8, 0x7EF
_PHYSICAL, _FUNCTIONAL, _TESTER = 0x18DA, 0x18DB, 0xF1
_ANSWER_BIT = 0x40


@dataclass(frozen=True, slots=True)
class _Heard:
    """One message of one identifier, whole or not."""

    at: float
    line: int
    can_id: int
    is_long: bool
    message: isotp.Message

    @property
    def parties(self) -> tuple[int, int]:
        """Sender and receiver of a 29-bit identifier."""
        return self.can_id & 0xFF, self.can_id >> 8 & 0xFF

    @property
    def is_to_all(self) -> bool:
        return self.can_id >> 16 == _FUNCTIONAL

    @property
    def is_whole(self) -> bool:
        return self.message.outcome is isotp.Outcome.COMPLETE


def diagnostic_messages(table: pl.DataFrame, counts: Counter[str]) -> list[Said]:
    """Put questions and answers together, each identifier of each bus for itself, in time order."""
    is_short = ~pl.col("extended") & (
        (pl.col("id") == FUNCTIONAL_ID) | pl.col("id").is_between(FIRST_QUESTION_ID, LAST_ANSWER_ID)
    )
    is_long = pl.col("extended") & (pl.col("id") // 65536).is_in([_PHYSICAL, _FUNCTIONAL])
    heard = _messages(table.filter(is_short | is_long))
    testers = _testers(heard)
    messages = []
    for one in heard:
        if one.is_long and not _is_known(one, testers):
            counts["diagnostic messages of which nobody can tell who asks"] += one.is_whole
            continue
        counts[f"{one.message.outcome} diagnostic messages"] += 1
        if one.is_whole:
            ecu, is_question = _party(one, testers)
            messages.append(Said(one.at, one.line, one.message.payload, ecu, is_question))
    return sorted(messages, key=lambda message: message.line)


def _messages(frames: pl.DataFrame) -> list[_Heard]:
    receivers: dict[tuple[str, int, bool], isotp.Receiver] = defaultdict(isotp.Receiver)
    columns = ("at", "line", "bus", "id", "extended", "data")
    heard = []
    for at, line, bus, can_id, extended, data in frames.select(columns).iter_rows():
        receiver = receivers[bus, can_id, extended]
        messages = receiver.feed(at, bytes.fromhex(data))
        heard += [_Heard(at, line, can_id, extended, message) for message in messages]
    for (_, can_id, extended), receiver in receivers.items():
        left = receiver.close()
        heard += [_Heard(one.ended_at, 0, can_id, extended, one) for one in left]
    return heard


# pairs of tester and unit
_Testers = set[tuple[int, int]]


def _testers(heard: list[_Heard]) -> _Testers:
    """List pairs of tester and unit besides F1: the second rule of the module's docstring."""
    kinds: dict[tuple[int, int | None], set[bool]] = defaultdict(set)
    for one in heard:
        if one.is_long and one.is_whole:
            speaker, meant = one.parties
            is_answer = bool(one.message.payload[0] & _ANSWER_BIT)
            kinds[speaker, None if one.is_to_all else meant].add(is_answer)
    return {
        (tester, unit)
        for unit, tester in list(kinds)
        if tester is not None
        and _TESTER not in (tester, unit)
        and kinds[unit, tester] == {True}
        and kinds.get((tester, unit), set()) | kinds.get((tester, None), set()) == {False}
    }


def _is_known(one: _Heard, testers: _Testers) -> bool:
    speaker, meant = one.parties
    if one.is_to_all:
        return speaker == _TESTER or any(tester == speaker for tester, _ in testers)
    return _TESTER in (speaker, meant) or (speaker, meant) in testers or (meant, speaker) in testers


def _party(one: _Heard, testers: _Testers) -> tuple[str | None, bool]:
    """Name the unit a message is from or to (None: to all), and whether it is a question."""
    if one.is_long:
        speaker, meant = one.parties
        if one.is_to_all:
            return None, True
        is_question = speaker == _TESTER or (speaker, meant) in testers
        return unit_label(meant if is_question else speaker, is_long=True), is_question
    if one.can_id == FUNCTIONAL_ID:
        return None, True
    is_question = one.can_id < FIRST_ANSWER_ID
    return unit_label(one.can_id + 8 if is_question else one.can_id), is_question
