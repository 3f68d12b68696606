"""Messages put together from frames (SAE J1939-21)."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from afterclear.protocols.j1939 import id_from_int
from afterclear.protocols.j1939_transport import Outcome, Transfer, Transport
from tests.protocols.encoders import addressed_frames, broadcast_frames

Frame = tuple[float, int, bytes]
PAYLOADS = st.binary(min_size=9, max_size=1785)


def feed(frames: list[Frame], *, close: bool = True) -> list[Transfer]:
    transport = Transport()
    done = [
        transfer
        for at, can_id, data in frames
        for transfer in transport.feed(at, id_from_int(can_id), data)
    ]
    return done + (transport.close() if close else [])


def timed(frames: list[tuple[int, bytes]], step: float = 0.05) -> list[Frame]:
    return [(number * step, can_id, data) for number, (can_id, data) in enumerate(frames)]


def test_a_published_broadcast_is_whole() -> None:
    """pretty_j1939 tests/test_diagnostic_messages.py: a DM1 of four codes."""
    frames = [
        (0x18ECFF00, bytes.fromhex("20120003FFCAFE00")),
        (0x18EBFF00, bytes.fromhex("0100FF5B0003015C")),
        (0x18EBFF00, bytes.fromhex("020004025D000503")),
        (0x18EBFF00, bytes.fromhex("035E000604FFFFFF")),
    ]
    (transfer,) = feed(timed(frames))
    assert (transfer.outcome, transfer.pgn, transfer.size) == (Outcome.COMPLETE, 0xFECA, 18)
    assert transfer.payload == bytes.fromhex("00FF5B0003015C0004025D0005035E000604")


@given(PAYLOADS, st.integers(0, 253))
def test_a_broadcast_comes_back_whole(payload: bytes, source: int) -> None:
    (transfer,) = feed(timed(broadcast_frames(source, 0xFECA, payload)))
    assert (transfer.outcome, transfer.payload) == (Outcome.COMPLETE, payload)
    assert (transfer.source_address, transfer.destination) == (source, 255)


@given(PAYLOADS, st.integers(0, 120), st.integers(121, 253))
def test_an_addressed_message_comes_back_whole(payload: bytes, source: int, to: int) -> None:
    (transfer,) = feed(timed(addressed_frames(source, to, 0xFEEC, payload)))
    assert (transfer.outcome, transfer.payload) == (Outcome.COMPLETE, payload)
    assert (transfer.source_address, transfer.destination) == (source, to)


@given(PAYLOADS, st.data())
def test_every_shorter_run_of_frames_is_incomplete(payload: bytes, data: st.DataObject) -> None:
    frames = timed(broadcast_frames(0, 0xFECA, payload))
    n_seen = data.draw(st.integers(1, len(frames) - 1))
    (transfer,) = feed(frames[:n_seen])
    assert transfer.outcome is Outcome.INCOMPLETE
    assert payload.startswith(transfer.payload)


@given(st.binary(min_size=15, max_size=200), st.data())
def test_a_lost_packet_is_never_guessed(payload: bytes, data: st.DataObject) -> None:
    frames = timed(broadcast_frames(0, 0xFECA, payload))
    lost = data.draw(st.integers(1, len(frames) - 1))
    outcomes = {t.outcome for t in feed(frames[:lost] + frames[lost + 1 :])}
    assert outcomes == {Outcome.INCOMPLETE}


@given(st.lists(PAYLOADS, min_size=2, max_size=3))
def test_messages_of_several_units_do_not_mix(payloads: list[bytes]) -> None:
    """The session is known by source and destination, so frames may alternate."""
    each = [broadcast_frames(sa, 0xFECA, payload) for sa, payload in enumerate(payloads)]
    woven = [
        (round_ * 0.05, *frames[round_])
        for round_ in range(max(map(len, each)))
        for frames in each
        if round_ < len(frames)
    ]
    done = feed(woven)
    assert {(t.source_address, t.payload) for t in done} == set(enumerate(payloads))
    assert {t.outcome for t in done} == {Outcome.COMPLETE}


def test_a_frame_repeated_by_the_bus_changes_nothing() -> None:
    frames = broadcast_frames(0, 0xFECA, bytes(range(20)))
    twice = [frame for frame in frames for _ in range(2)][1:]
    assert [t.payload for t in feed(timed(twice, 0.01))] == [bytes(range(20))]


@pytest.mark.parametrize(("step", "outcome"), [(0.75, "complete"), (0.76, "incomplete")])
def test_a_broadcast_may_pause_for_750_ms(step: float, outcome: str) -> None:
    """T1 of SAE J1939-21, as python-can-j1939 uses it."""
    frames = timed(broadcast_frames(0, 0xFECA, bytes(20)), step)
    assert [t.outcome for t in feed(frames)] == [outcome]


def test_a_clock_set_back_does_not_end_a_message() -> None:
    frames = broadcast_frames(0, 0xFECA, bytes(20))
    times = [9.0, 9.05, 0.0, 0.05]
    assert [b >= a for a, b in pairwise(times)].count(False) == 1
    (transfer,) = feed([(at, *frame) for at, frame in zip(times, frames, strict=True)])
    assert transfer.outcome is Outcome.COMPLETE


@pytest.mark.parametrize("by", ["sender", "receiver"])
def test_an_abort_ends_the_message(by: str) -> None:
    frames = addressed_frames(0, 249, 0xFEEC, bytes(18))
    abort_id = 0x1CECF900 if by == "sender" else 0x1CEC00F9
    abort = (abort_id, bytes.fromhex("FF03FFFFFFECFE00"))
    (transfer,) = feed(timed([*frames[:3], abort, *frames[3:]]))
    assert transfer.outcome is Outcome.ABORTED


def test_an_abort_of_another_message_is_not_ours() -> None:
    frames = addressed_frames(0, 249, 0xFEEC, bytes(18))
    abort = (0x1CEC00F9, bytes.fromhex("FF03FFFFFFCAFE00"))
    (transfer,) = feed(timed([*frames[:3], abort, *frames[3:]]))
    assert transfer.outcome is Outcome.COMPLETE


def test_packets_asked_for_again_are_taken_again() -> None:
    """A receiver that missed packet 2 names it in its next clear-to-send."""
    rts, cts, one, two, three, end = addressed_frames(0, 249, 0xFEEC, bytes(range(18)))
    again = (cts[0], bytes([17, 2, 2, 255, 255]) + cts[1][5:])
    (transfer,) = feed(timed([rts, cts, one, two, again, two, three, end]))
    assert (transfer.outcome, transfer.payload) == (Outcome.COMPLETE, bytes(range(18)))


def test_a_new_announcement_drops_the_old_message() -> None:
    old = broadcast_frames(0, 0xFECA, bytes(20))[:2]
    new = broadcast_frames(0, 0xFECA, bytes(range(9)))
    assert [t.outcome for t in feed(timed(old + new))] == ["incomplete", "complete"]


@pytest.mark.parametrize(
    "announcement",
    [
        "20080002FFCAFE00",  # 8 bytes fit a frame
        "20FA0601FFCAFE00",  # 1786 bytes
        "20120004FFCAFE00",  # 18 bytes are 3 packets
    ],
)
def test_an_impossible_announcement_opens_nothing(announcement: str) -> None:
    assert feed([(0.0, 0x1CECFF00, bytes.fromhex(announcement))]) == []


def test_a_broadcast_announced_to_one_unit_opens_nothing() -> None:
    assert feed([(0.0, 0x1CECF900, bytes.fromhex("20120003FFCAFE00"))]) == []


@given(
    st.lists(
        st.tuples(
            st.floats(0, 100),
            st.sampled_from([0x1CECFF00, 0x1CEBFF00, 0x1CEC00F9, 0x1CECF900, 0x1CEBF900])
            | st.integers(0, (1 << 29) - 1),
            st.binary(max_size=8),
        ),
        max_size=60,
    )
)
def test_any_frames_give_transfers_of_their_announced_size(frames: list[Frame]) -> None:
    """Nothing crashes, and what is called complete has every byte."""
    for transfer in feed(frames):
        is_whole = len(transfer.payload) == transfer.size
        assert is_whole == (transfer.outcome is Outcome.COMPLETE)
