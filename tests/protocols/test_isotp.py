"""Messages put together from CAN frames (ISO 15765-2); can-isotp is the reference sender."""

from collections import deque

import isotp
import pytest
from hypothesis import given
from hypothesis import strategies as st

from afterclear.protocols.isotp import Message, Outcome, Receiver

Frame = tuple[float, bytes]


def feed(frames: list[Frame], receiver: Receiver | None = None) -> list[Message]:
    receiver = receiver or Receiver()
    done = [message for at, data in frames for message in receiver.feed(at, data)]
    return done + receiver.close()


def timed(frames: list[bytes], step: float = 0.01) -> list[Frame]:
    return [(number * step, data) for number, data in enumerate(frames)]


def sent_by_reference(payload: bytes, **parameters: object) -> list[bytes]:
    """Let can-isotp cut a payload into frames, a second can-isotp answering its flow control."""
    to_b: deque[isotp.CanMessage] = deque()
    to_a: deque[isotp.CanMessage] = deque()
    sent: list[bytes] = []

    def send_to_b(message: isotp.CanMessage) -> None:
        sent.append(bytes(message.data))
        to_b.append(message)

    def layer(inbox, send, rx: int, tx: int) -> isotp.TransportLayerLogic:  # noqa: ANN001
        return isotp.TransportLayerLogic(
            rxfn=lambda _timeout: inbox.popleft() if inbox else None,
            txfn=send,
            address=isotp.Address(rxid=rx, txid=tx),
            params={"stmin": 0, "blocksize": 0, "max_frame_size": 9999, **parameters},
        )

    a, b = layer(to_a, send_to_b, 0x7E0, 0x7E8), layer(to_b, to_a.append, 0x7E8, 0x7E0)
    a.send(payload)
    while a.transmitting() or to_a or to_b:
        a.process()
        b.process()
    return sent


def test_a_published_answer_is_whole() -> None:
    """The codes of scapy's OBD tests in three frames."""
    frames = ["100E430601430196", "21023402CD03570A", "2224000000000000"]
    (message,) = feed(timed([bytes.fromhex(f) for f in frames]))
    assert message.outcome is Outcome.COMPLETE
    assert message.payload.hex() == "430601430196023402cd03570a24"


@given(st.binary(min_size=1, max_size=600))
def test_what_the_reference_sends_comes_back_whole(payload: bytes) -> None:
    """can-isotp 2: single, first and consecutive frames, the number wrapping after 15."""
    (message,) = feed(timed(sent_by_reference(payload)))
    assert (message.outcome, message.payload) == (Outcome.COMPLETE, payload)


@pytest.mark.parametrize("length", [1, 7, 8, 9, 62, 63, 500, 4095, 4096, 5000])
@pytest.mark.parametrize("frame_length", [8, 64])
def test_long_frames_and_long_messages_come_back_too(length: int, frame_length: int) -> None:
    payload = bytes(number & 0xFF for number in range(length))
    sent = sent_by_reference(payload, tx_data_length=frame_length, can_fd=frame_length > 8)
    (message,) = feed(timed(sent))
    assert (message.outcome, message.payload) == (Outcome.COMPLETE, payload)


@given(st.binary(min_size=8, max_size=300), st.data())
def test_every_shorter_run_of_frames_is_incomplete(payload: bytes, data: st.DataObject) -> None:
    sent = sent_by_reference(payload)
    n_seen = data.draw(st.integers(1, len(sent) - 1))
    (message,) = feed(timed(sent[:n_seen]))
    assert message.outcome is Outcome.INCOMPLETE
    assert payload.startswith(message.payload)


@given(st.binary(min_size=15, max_size=300), st.data())
def test_a_lost_frame_is_never_guessed(payload: bytes, data: st.DataObject) -> None:
    sent = sent_by_reference(payload)
    lost = data.draw(st.integers(0, len(sent) - 1))
    assert Outcome.COMPLETE not in {m.outcome for m in feed(timed(sent[:lost] + sent[lost + 1 :]))}


@given(st.binary(min_size=1, max_size=7), st.data())
def test_a_cut_single_frame_is_incomplete(payload: bytes, data: st.DataObject) -> None:
    frame = bytes([len(payload)]) + payload
    n_seen = data.draw(st.integers(1, len(frame) - 1))
    (message,) = feed([(0.0, frame[:n_seen])])
    assert message.outcome is Outcome.INCOMPLETE


def test_flow_control_of_the_other_side_changes_nothing() -> None:
    sent = sent_by_reference(bytes(range(30)))
    woven = [frame for data in sent for frame in (data, bytes.fromhex("300000"))]
    assert [m.payload for m in feed(timed(woven))] == [bytes(range(30))]


@pytest.mark.parametrize(("step", "outcome"), [(1.0, "complete"), (1.01, "incomplete")])
def test_a_message_may_pause_for_one_second(step: float, outcome: str) -> None:
    """N_Cr of ISO 15765-2."""
    assert feed(timed(sent_by_reference(bytes(12)), step))[0].outcome == outcome


def test_a_new_message_drops_the_old_one() -> None:
    begun = sent_by_reference(bytes(20))[0]
    outcomes = [m.outcome for m in feed(timed([begun, b"\x01\x54"]))]
    assert outcomes == ["incomplete", "complete"]


def test_an_address_byte_before_each_frame_is_passed_over() -> None:
    sent = [b"\xf1" + data for data in (b"\x03\x59\x02\xff", b"\x02\x7e\x00")]
    assert [m.payload.hex() for m in feed(timed(sent), Receiver(1))] == ["5902ff", "7e00"]


@pytest.mark.parametrize("frame", ["", "00", "0000000000000000", "1005430601430196", "21AABB"])
def test_frames_that_begin_nothing_give_nothing(frame: str) -> None:
    """Empty; length 0; a first frame of what fits one; a consecutive frame alone."""
    assert feed([(0.0, bytes.fromhex(frame))]) == []


@given(st.lists(st.tuples(st.floats(0, 100), st.binary(max_size=64)), max_size=40))
def test_any_frames_give_messages_of_their_announced_size(frames: list[Frame]) -> None:
    for message in feed(frames):
        is_whole = len(message.payload) == message.size
        assert is_whole == (message.outcome is Outcome.COMPLETE)
