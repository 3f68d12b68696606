"""The recorded bus: what it says, unpacked here by hand from the standard's layouts."""

import re
from collections.abc import Iterator

import pytest

from tests.scenario.bus_log import ADDRESS, fault_bytes
from tests.scenario.make import SAMPLE_DATA
from tests.scenario.reading import repairs, vehicles
from tests.scenario.simulate import simulate

LOG = next((SAMPLE_DATA / "bus_logs").glob("*.log"))


def _frames() -> Iterator[tuple[float, int, bytes]]:
    for line in LOG.read_text(encoding="ascii").splitlines():
        at, number, data = re.fullmatch(
            r"\((\d+\.\d{6})\) can0 ([0-9A-F]{8})#([0-9A-F]*)", line
        ).groups()  # type: ignore[union-attr]
        yield float(at), int(number, 16), bytes.fromhex(data)


def _messages() -> list[tuple[int, int, bytes]]:
    """Give source, group number and payload of every whole message (SAE J1939-21)."""
    whole: list[tuple[int, int, bytes]] = []
    open_: dict[int, tuple[int, int, bytes]] = {}
    for _, number, data in _frames():
        source, group = number & 0xFF, number >> 8 & 0x3FFFF
        if group >> 8 == 0xEC and data[0] == 0x20:
            assert source not in open_, "one multi-packet message at a time from a unit"
            open_[source] = (int.from_bytes(data[5:], "little"), data[1] | data[2] << 8, b"")
        elif group >> 8 == 0xEB and source in open_:
            target, size, got = open_[source]
            assert data[0] == len(got) // 7 + 1
            open_[source] = (target, size, got + data[1:])
            if len(got) + 7 >= size:
                whole.append((source, target, (got + data[1:])[:size]))
                del open_[source]
        else:
            whole.append((source, group, data))
    return whole


def _codes(payload: bytes) -> set[tuple[int, int]]:
    """Give (SPN, FMI) of a DM1 payload (SAE J1939-73)."""
    quads = [payload[i : i + 4] for i in range(2, len(payload) - 3, 4)]
    return {(q[0] | q[1] << 8 | q[2] >> 5 << 16, q[2] & 0x1F) for q in quads} - {
        (0, 0),
        (524287, 31),
    }


def test_the_units_report_the_codes_of_the_story() -> None:
    """Engine with two codes in packets, transmission and brakes with one in a frame."""
    seen = {source: _codes(data) for source, group, data in _messages() if group == 65226}
    assert seen == {
        ADDRESS["engine"]: {(3216, 4), (3251, 16)},
        ADDRESS["transmission"]: {(84, 19)},
        ADDRESS["brakes"]: {(789, 8)},
    }


def test_the_truck_says_who_it_is() -> None:
    """PGN 65260: the identification number and a star."""
    said = {data for _, group, data in _messages() if group == 65260}
    assert said == {vehicles()["T-304"]["vin"].encode() + b"*"}


def test_distance_and_hours_fit_the_work_order_of_the_next_day() -> None:
    """PGN 65248 in 0.125 km, PGN 65253 in 0.05 h."""
    moment = simulate()[1].recorded[0]
    said = {group: data for _, group, data in _messages()}
    km = int.from_bytes(said[65248][4:8], "little") / 8
    hours = int.from_bytes(said[65253][:4], "little") / 20
    # half a step of each signal
    assert km == pytest.approx(moment.km, abs=0.0625)
    assert hours == pytest.approx(moment.hours, abs=0.025)
    fixed = next(cells for cells in repairs("T-304") if cells["at"] > moment.at)
    assert 0 < fixed["km"] - moment.km < 300


def test_frames_come_in_time_order() -> None:
    at = [at for at, _, _ in _frames()]
    assert at == sorted(at)


@pytest.mark.parametrize(
    ("code", "count", "packed"),
    [
        ("SPN 1208 FMI 3", 10, "B804030A"),  # SAE J1939-73, conversion method 4
        ("SPN 91 FMI 3", 1, "5B000301"),  # an open library's DM1 test message
    ],
)
def test_a_fault_is_packed_in_the_present_layout(code: str, count: int, packed: str) -> None:
    assert fault_bytes(code, count) == bytes.fromhex(packed)
