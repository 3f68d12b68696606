"""Identifiers, addresses and single values of SAE J1939."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from afterclear.errors import DecodeError, TruncatedError
from afterclear.protocols import j1939

IDENTIFIERS = [  # identifier, priority, PGN, source address, destination, where it is from
    (0x18FECA00, 6, 65226, 0, None, "pretty_j1939 tests, test_dm1.log"),
    (0x1CECFF00, 7, 60416, 0, 255, "Open-SAE-J1939, BAM announcement"),
    (0x18EA3DF9, 6, 59904, 249, 61, "public J1939-84 log #1051"),
    (0x18C1F900, 6, 0xC100, 0, 249, "public J1939-84 log #1217: PS is the destination"),
    (0x189EF900, 6, 0x9E00, 0, 249, "public J1939-84 log #1364"),
    (0x18FDB85A, 6, 64952, 90, None, "public J1939-84 log #1266"),
]


@pytest.mark.parametrize(("can_id", "priority", "pgn", "sa", "destination", "source"), IDENTIFIERS)
def test_an_identifier_comes_apart(
    can_id: int, priority: int, pgn: int, sa: int, destination: int | None, source: str
) -> None:
    """PF below 240 names a receiver, which is no part of the group number."""
    assert j1939.id_from_int(can_id) == j1939.J1939Id(priority, pgn, sa, destination), source


@given(st.integers(0, (1 << 29) - 1))
def test_an_identifier_can_be_put_together_again(can_id: int) -> None:
    parts = j1939.id_from_int(can_id)
    ps = parts.pgn & 0xFF if parts.destination is None else parts.destination
    assert (parts.priority << 26 | parts.pgn << 8 | ps << 8 | parts.source_address) == can_id


@pytest.mark.parametrize("can_id", [-1, 1 << 29])
def test_an_identifier_of_more_than_29_bits_is_refused(can_id: int) -> None:
    with pytest.raises(DecodeError, match="29 bits"):
        j1939.id_from_int(can_id)


def test_an_unknown_address_is_still_named() -> None:
    """A unit may claim any address, so the label never fails."""
    assert [j1939.unit_label(sa) for sa in (0, 49, 201)] == [
        "SA 0 engine",
        "SA 49 cab controller",
        "SA 201 unit",
    ]


def test_no_two_units_share_a_label() -> None:
    """The label is a key of the plain layout."""
    labels = [j1939.unit_label(sa) for sa in range(256)]
    assert len(set(labels)) == len(labels)


@pytest.mark.parametrize(
    ("payload", "vin"),
    [
        (b"W0L000051T2123456*", "W0L000051T2123456"),  # the VIN of scapy's OBD tests
        (b"WP0ZZZ99ZTS392124", "WP0ZZZ99ZTS392124"),  # the VIN of python-OBD's tests, no star
        (b"W0L000051T212345*6", None),  # 16 letters before the star
        (b"W0L0000I1T2123456*", None),  # no I in a VIN (49 CFR 565)
        (b"\xff" * 17, None),
        (b"", None),
    ],
)
def test_a_vin_is_17_letters_or_none(payload: bytes, vin: str | None) -> None:
    assert j1939.vin_from_payload(payload) == vin


def test_distances_and_hours_scale() -> None:
    """0.125 km (pretty_j1939's database), 0.005 km and 0.05 h (from memory) per bit."""
    counted = (1_000_000).to_bytes(4, "little")
    assert j1939.total_distance_km(bytes(4) + counted) == 125_000.0
    assert j1939.high_resolution_distance_km(counted + bytes(4)) == 5_000.0
    assert j1939.engine_hours(counted + bytes(4)) == 50_000.0


@pytest.mark.parametrize(
    "decode", [j1939.total_distance_km, j1939.high_resolution_distance_km, j1939.engine_hours]
)
def test_all_ones_is_no_reading(decode) -> None:  # noqa: ANN001
    assert decode(b"\xff" * 8) is None


@pytest.mark.parametrize("n_bytes", range(8))
def test_a_shorter_distance_is_refused(n_bytes: int) -> None:
    with pytest.raises(TruncatedError, match="total vehicle distance needs 8 bytes"):
        j1939.total_distance_km(bytes(n_bytes))


def test_a_request_names_its_group() -> None:
    """Public J1939-84 log #1051: the tool asks for DM11."""
    assert j1939.requested_pgn(bytes.fromhex("D3FE00")) == j1939.DM11_CLEAR_ACTIVE
    with pytest.raises(TruncatedError):
        j1939.requested_pgn(b"\xd3\xfe")


ANSWERS = [  # public J1939-84 log #1051
    ("00FFFFFFF9D3FE00", j1939.Acknowledgement(0, 249, j1939.DM11_CLEAR_ACTIVE)),
    ("03FFFFFFF9D4FE00", j1939.Acknowledgement(3, 249, j1939.DM12_EMISSION_ACTIVE)),
]


@pytest.mark.parametrize(("raw", "answer"), ANSWERS)
def test_an_answer_names_its_request_and_what_became_of_it(
    raw: str, answer: j1939.Acknowledgement
) -> None:
    assert j1939.acknowledgement_from_payload(bytes.fromhex(raw)) == answer


@given(st.binary(max_size=7))
def test_a_shorter_acknowledgement_is_refused(raw: bytes) -> None:
    with pytest.raises(TruncatedError, match="acknowledgement needs 8 bytes"):
        j1939.acknowledgement_from_payload(raw)
