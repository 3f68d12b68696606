"""A bus recording's frames to and from a tester (ISO 15765-4), put together to messages."""

from collections import Counter, defaultdict
from collections.abc import Iterator

import polars as pl

from afterclear.protocols import isotp
from afterclear.protocols.obd import unit_label
from afterclear.readers.bus.diagnostic_answers import Said

FUNCTIONAL_ID = 0x7DF
FIRST_QUESTION_ID, FIRST_ANSWER_ID, LAST_ANSWER_ID = 0x7E0, 0x7E8, 0x7EF
# 29-bit identifiers 18DA..: to one unit or from it; 18DB..: to everybody.  F1 is the tester.
_PHYSICAL, _FUNCTIONAL, _TESTER = 0x18DA, 0x18DB, 0xF1


def diagnostic_messages(table: pl.DataFrame, counts: Counter[str]) -> list[Said]:
    """Put questions and answers together, each identifier of each bus for itself, in time order."""
    upper, target, source = pl.col("id") // 65536, pl.col("id") // 256 & 0xFF, pl.col("id") & 0xFF
    is_short = ~pl.col("extended") & (
        (pl.col("id") == FUNCTIONAL_ID) | pl.col("id").is_between(FIRST_QUESTION_ID, LAST_ANSWER_ID)
    )
    is_long = pl.col("extended") & (
        ((upper == _PHYSICAL) & ((target == _TESTER) | (source == _TESTER)))
        | ((upper == _FUNCTIONAL) & (source == _TESTER))
    )
    said = list(_messages(table.filter(is_short | is_long), counts))
    return sorted(said, key=lambda message: message.line)


def _messages(frames: pl.DataFrame, counts: Counter[str]) -> Iterator[Said]:
    receivers: dict[tuple[str, int, bool], isotp.Receiver] = defaultdict(isotp.Receiver)
    columns = ("at", "line", "bus", "id", "extended", "data")
    for at, line, bus, can_id, extended, data in frames.select(columns).iter_rows():
        receiver = receivers[bus, can_id, extended]
        for message in receiver.feed(at, bytes.fromhex(data)):
            counts[f"{message.outcome} diagnostic messages"] += 1
            if message.outcome is isotp.Outcome.COMPLETE:
                ecu, is_question = _party(can_id, is_long=extended)
                yield Said(at, line, message.payload, ecu, is_question)
    for receiver in receivers.values():
        counts[f"{isotp.Outcome.INCOMPLETE} diagnostic messages"] += len(receiver.close())


def _party(can_id: int, *, is_long: bool) -> tuple[str | None, bool]:
    """Tell which unit a frame is from or to (None: to all), and whether it asks."""
    if is_long:
        source, target = can_id & 0xFF, can_id >> 8 & 0xFF
        if can_id >> 16 == _FUNCTIONAL:
            return None, True
        is_question = source == _TESTER
        return unit_label(target if is_question else source, is_long=True), is_question
    if can_id == FUNCTIONAL_ID:
        return None, True
    is_question = can_id < FIRST_ANSWER_ID
    return unit_label(can_id + 8 if is_question else can_id), is_question
