"""Answers of ISO 14229-1 about codes; udsoncan is the reference reader."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from udsoncan.Response import Response
from udsoncan.ResponseCode import ResponseCode
from udsoncan.services import ReadDTCInformation

from afterclear.errors import DecodeError, TruncatedError
from afterclear.protocols import uds
from afterclear.protocols.uds import DtcStatus, Severity

# UDSN: public study notes on ISO 14229-1:2013 by section; UDSON:
# udsoncan's own tests; scapy: its UDS tests.
LISTS = [  # message, codes with status, source
    ("59027F0A9B172408 05112F", ["P0A9B-17 24", "P0805-11 2F"], "UDSN 11.3.5.3"),
    ("5902FB12345620123457 60", ["P1234-56 20", "P1234-57 60"], "UDSON"),
    ("5902FB", [], "UDSON"),
    (
        "5902FF11071127023212270107112701181227011312270122112706430027065300271631002714031227",
        [
            "P1107-11 27",
            "P0232-12 27",
            "P0107-11 27",
            "P0118-12 27",
            "P0113-12 27",
            "P0122-11 27",
            "P0643-00 27",
            "P0653-00 27",
            "P1631-00 27",
            "P1403-12 27",
        ],
        "scapy",
    ),
    ("5902FFEEDDAA02", ["U2EDD-AA 02"], "scapy"),
]


def spelled(records: tuple[uds.DtcRecord, ...]) -> list[str]:
    return [f"{r.dtc.code}-{r.dtc.failure_type} {r.status:02X}" for r in records]


@pytest.mark.parametrize(("raw", "codes", "source"), LISTS)
def test_published_lists(raw: str, codes: list[str], source: str) -> None:
    assert spelled(uds.list_from_payload(bytes.fromhex(raw)).records) == codes, source


@pytest.mark.parametrize("n_zeros", range(5))
def test_zeros_at_the_end_are_padding(n_zeros: int) -> None:
    """UDSON: one to three bytes, or a whole record of zeros, which is filler."""
    raw = bytes.fromhex("5902FB1234562012345760") + bytes(n_zeros)
    assert spelled(uds.list_from_payload(raw).records) == ["P1234-56 20", "P1234-57 60"]


@pytest.mark.parametrize("sub", [0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x15])
def test_other_lists_have_the_same_layout(sub: int) -> None:
    raw = bytes([0x59, sub]) + bytes.fromhex("FB1234562F")
    read = uds.list_from_payload(raw)
    assert (read.sub_function, spelled(read.records)) == (sub, ["P1234-56 2F"])
    assert read.availability == 0xFB


def test_a_list_with_severities() -> None:
    """UDSON: 80 and 40 are "check immediately" and "at the next halt"."""
    read = uds.severities_from_payload(bytes.fromhex("5908FB80991234562040881234 5760"))
    assert spelled(read.records) == ["P1234-56 20", "P1234-57 60"]
    assert [r.severity for r in read.records] == [
        Severity.CHECK_IMMEDIATELY,
        Severity.CHECK_AT_NEXT_HALT,
    ]
    assert [r.functional_unit for r in read.records] == [0x99, 0x88]


def test_wwh_obd_lists() -> None:
    """Layouts from memory; class B1 and maintenance only in the severity byte."""
    read = uds.wwh_list_from_payload(bytes.fromhex("594233FFFF04241234562F"))
    assert spelled(read.records) == ["P1234-56 2F"]
    assert read.records[0].severity == Severity.CLASS_B1 | Severity.MAINTENANCE_ONLY
    assert read.form == uds.DtcFormat.J2012_DA_04
    permanent = uds.wwh_list_from_payload(bytes.fromhex("595533FF041234562F"))
    assert spelled(permanent.records) == ["P1234-56 2F"]


def test_the_j1939_form_of_three_bytes() -> None:
    """SPN 1208 FMI 3, conversion method 4, without the count byte."""
    assert uds.Dtc(bytes.fromhex("B80403")).spelled(uds.DtcFormat.J1939_73) == (
        "SPN 1208 FMI 3",
        None,
    )
    assert uds.Dtc(bytes.fromhex("080511")).spelled() == ("P0805", "11")


def test_clear_and_its_refusals() -> None:
    """UDSN, UDSON: 54 alone; 7F 14 31 for an unknown group; 7F 04 22 for OBD's clear."""
    assert uds.is_cleared(b"\x54")
    assert not uds.is_cleared(bytes.fromhex("7F1431"))
    refused = uds.negative_answer(bytes.fromhex("7F1431"))
    assert refused is not None
    assert (refused.service, refused.words) == (0x14, "out of range")
    older = uds.negative_answer(bytes.fromhex("7F0422"))
    assert older is not None
    assert (older.service, older.words) == (0x04, "conditions not right")
    assert uds.negative_answer(b"\x54") is None
    with pytest.raises(TruncatedError, match="negative answer needs 3 bytes"):
        uds.negative_answer(b"\x7f\x14")


def test_a_negative_code_without_words_still_shows() -> None:
    assert uds.NegativeAnswer(0x19, 0xF1).words == "reason F1"


def test_the_status_bits_have_the_standards_places() -> None:
    """ISO 14229-1 annex D (Wireshark, scapy and udsoncan agree)."""
    assert DtcStatus(0x2F) == (
        DtcStatus.TEST_FAILED
        | DtcStatus.TEST_FAILED_THIS_OPERATION_CYCLE
        | DtcStatus.PENDING
        | DtcStatus.CONFIRMED
        | DtcStatus.TEST_FAILED_SINCE_LAST_CLEAR
    )
    assert DtcStatus(0x50) == (
        DtcStatus.TEST_NOT_COMPLETED_SINCE_LAST_CLEAR
        | DtcStatus.TEST_NOT_COMPLETED_THIS_OPERATION_CYCLE
    )


# --- laws ---------------------------------------------------------------------------------

DECODERS = [
    (uds.list_from_payload, "5902FB1234562012345760", (3, 7)),
    (uds.severities_from_payload, "5908FB809912345620", (3,)),
    (uds.wwh_list_from_payload, "594233FFFF04241234562F", (6,)),
    (uds.wwh_list_from_payload, "595533FF041234562F", (5,)),
]


@pytest.mark.parametrize(("decode", "raw", "sound"), DECODERS)
def test_every_shorter_message_is_refused_unless_it_ends_a_record(
    decode,  # noqa: ANN001
    raw: str,
    sound: tuple[int, ...],
) -> None:
    whole = bytes.fromhex(raw)
    decode(whole)
    for n_bytes in set(range(len(whole))) - set(sound):
        with pytest.raises(TruncatedError):
            decode(whole[:n_bytes])


@pytest.mark.parametrize(("decode", "raw", "_sound"), DECODERS)
def test_an_answer_of_another_kind_is_refused(decode, raw: str, _sound: object) -> None:  # noqa: ANN001
    with pytest.raises(DecodeError, match="begins 59"):
        decode(bytes.fromhex("6202" + raw[4:]))


@given(st.binary(max_size=80))
def test_any_message_is_read_or_refused(raw: bytes) -> None:
    for decode, example, _ in DECODERS:
        try:
            decode(bytes.fromhex(example[:4]) + raw)
        except DecodeError:
            continue


# --- the reference reader -----------------------------------------------------------------

RECORDS = st.lists(
    st.tuples(st.binary(min_size=3, max_size=3).filter(any), st.integers(0, 255)), max_size=20
)


@given(RECORDS, st.integers(0, 255), st.sampled_from([0x02, 0x0A, 0x0B, 0x0E, 0x15]))
def test_lists_agree_with_udsoncan(records: list[tuple[bytes, int]], mask: int, sub: int) -> None:
    body = b"".join(dtc + bytes([status]) for dtc, status in records)
    data = bytes([sub, mask]) + body
    reference = ReadDTCInformation.interpret_response(
        Response(ReadDTCInformation, ResponseCode.PositiveResponse, data), subfunction=sub
    ).service_data
    ours = uds.list_from_payload(b"\x59" + data)
    assert [int.from_bytes(r.dtc.raw, "big") for r in ours.records] == [
        dtc.id for dtc in reference.dtcs
    ]
    assert [int(r.status) for r in ours.records] == [
        dtc.status.get_byte_as_int() for dtc in reference.dtcs
    ]
    assert ours.availability == reference.status_availability.get_byte_as_int()


SEVERITIES = st.tuples(st.integers(0, 7), st.binary(min_size=3, max_size=3).filter(any))


@given(st.lists(SEVERITIES, max_size=9))
def test_severities_agree_with_udsoncan(records: list[tuple[int, bytes]]) -> None:
    body = b"".join(bytes([urgency << 5, 0x10]) + dtc + b"\x2f" for urgency, dtc in records)
    data = b"\x08\xff" + body
    reference = ReadDTCInformation.interpret_response(
        Response(ReadDTCInformation, ResponseCode.PositiveResponse, data), subfunction=0x08
    ).service_data
    ours = uds.severities_from_payload(b"\x59" + data)
    assert [int(r.severity or 0) for r in ours.records] == [
        dtc.severity.get_byte_as_int() for dtc in reference.dtcs
    ]
    assert [r.functional_unit for r in ours.records] == [
        dtc.functional_unit for dtc in reference.dtcs
    ]


def test_every_negative_code_is_known_to_udsoncan() -> None:
    for code in uds.NEGATIVE_CODES:
        assert ResponseCode.get_name(code), hex(code)
