"""ISO 14229-1 (UDS) answers about codes: services 0x19 and 0x14, and negative answers.

Each function takes one whole message (see ``isotp``).  Snapshots and extended records are not
read: the maker alone defines what they hold.  Layouts: public study notes on ISO 14229-1:2013,
tables 271 and 272 among them, and udsoncan.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum, IntFlag

from afterclear.errors import DecodeError, TruncatedError
from afterclear.protocols import j2012

READ_DTC_INFORMATION = 0x19
CLEAR_DIAGNOSTIC_INFORMATION = 0x14
READ_DATA_BY_IDENTIFIER = 0x22
POSITIVE = 0x40  # added to the service in a positive answer
NEGATIVE_ANSWER = 0x7F
VIN_IDENTIFIER = b"\xf1\x90"


class SubFunction(IntEnum):
    """Reports of service 0x19 that are read here."""

    BY_STATUS = 0x02
    BY_SEVERITY = 0x08
    SUPPORTED = 0x0A
    FIRST_FAILED = 0x0B
    FIRST_CONFIRMED = 0x0C
    LATEST_FAILED = 0x0D
    LATEST_CONFIRMED = 0x0E
    PERMANENT = 0x15
    WWH_BY_STATUS = 0x42
    WWH_PERMANENT = 0x55


# 59 sub mask { code(3) status }
PLAIN_LISTS = frozenset(
    {
        SubFunction.BY_STATUS,
        SubFunction.SUPPORTED,
        SubFunction.FIRST_FAILED,
        SubFunction.FIRST_CONFIRMED,
        SubFunction.LATEST_FAILED,
        SubFunction.LATEST_CONFIRMED,
        SubFunction.PERMANENT,
    }
)


class DtcStatus(IntFlag):
    """The DTC status byte (ISO 14229-1, annex D).  A set bit makes its name true."""

    TEST_FAILED = 0x01
    TEST_FAILED_THIS_OPERATION_CYCLE = 0x02
    PENDING = 0x04
    CONFIRMED = 0x08
    TEST_NOT_COMPLETED_SINCE_LAST_CLEAR = 0x10
    TEST_FAILED_SINCE_LAST_CLEAR = 0x20
    TEST_NOT_COMPLETED_THIS_OPERATION_CYCLE = 0x40
    WARNING_INDICATOR_REQUESTED = 0x80


class Severity(IntFlag):
    """The severity byte: urgency in bits 7-5, WWH-OBD class in bits 4-0."""

    NO_CLASS = 0x01
    CLASS_A = 0x02  # emissions taken to be above the threshold
    CLASS_B1 = 0x04  # could be above
    CLASS_B2 = 0x08  # below, but affected
    CLASS_C = 0x10  # within the normal limit
    MAINTENANCE_ONLY = 0x20
    CHECK_AT_NEXT_HALT = 0x40
    CHECK_IMMEDIATELY = 0x80


class DtcFormat(IntEnum):
    """DTCFormatIdentifier: how the three bytes are to be read."""

    J2012_DA_00 = 0x00
    ISO_14229_1 = 0x01  # maker's own
    J1939_73 = 0x02
    ISO_11992_4 = 0x03
    J2012_DA_04 = 0x04


# Negative response codes in own words; numbers as in ISO 14229-1 and udsoncan.
NEGATIVE_CODES = {
    0x10: "refused",
    0x11: "service not supported",
    0x12: "sub-function not supported",
    0x13: "wrong length or format",
    0x14: "answer too long",
    0x21: "busy, ask again",
    0x22: "conditions not right",
    0x24: "wrong order of requests",
    0x25: "no answer from a unit behind",
    0x26: "a fault prevents it",
    0x31: "out of range",
    0x33: "access not granted",
    0x34: "authentication needed",
    0x35: "wrong key",
    0x36: "too many attempts",
    0x37: "waiting time not over",
    0x70: "transfer not accepted",
    0x71: "transfer stopped",
    0x72: "writing memory failed",
    0x73: "wrong block",
    0x78: "wait, the answer follows",
    0x7E: "sub-function not supported in this session",
    0x7F: "service not supported in this session",
}
ANSWER_FOLLOWS = 0x78


@dataclass(frozen=True, slots=True)
class Dtc:
    """Three bytes that name a code."""

    raw: bytes

    @property
    def code(self) -> str:
        """The two-byte part in SAE J2012's spelling."""
        return j2012.split_three_bytes(self.raw)[0]

    @property
    def failure_type(self) -> str:
        """The failure type byte as two hex digits."""
        return j2012.split_three_bytes(self.raw)[1]

    def spelled(self, form: int | None = None) -> tuple[str, str | None]:
        """Spell code and failure type by DTCFormatIdentifier; None: not stated, J2012.

        In the J1939 form the three bytes are those of a J1939-73 code without its count.
        """
        if form == DtcFormat.J1939_73:
            spn = self.raw[0] | self.raw[1] << 8 | (self.raw[2] & 0xE0) << 11
            return f"SPN {spn} FMI {self.raw[2] & 0x1F}", None
        return self.code, self.failure_type


@dataclass(frozen=True, slots=True)
class DtcRecord:
    """One code with what the unit says of it."""

    dtc: Dtc
    status: DtcStatus
    severity: Severity | None = None  # None: the report has none
    functional_unit: int | None = None


@dataclass(frozen=True, slots=True)
class DtcList:
    """A list of codes.  A bit outside ``availability`` is always 0 and proves nothing."""

    sub_function: SubFunction
    availability: DtcStatus
    records: tuple[DtcRecord, ...]  # filler dropped
    form: int | None = None  # None: the report does not state it


@dataclass(frozen=True, slots=True)
class NegativeAnswer:
    """A unit's refusal."""

    service: int
    reason: int

    @property
    def words(self) -> str:
        """The reason in words."""
        return NEGATIVE_CODES.get(self.reason, f"reason {self.reason:02X}")


def negative_answer(payload: bytes) -> NegativeAnswer | None:
    r"""Read ``7F service reason``; None: the message is no refusal.

    >>> negative_answer(b"\x7f\x14\x31").words
    'out of range'
    """
    if payload[:1] != bytes([NEGATIVE_ANSWER]):
        return None
    _check(payload, 3, "negative answer")
    return NegativeAnswer(payload[1], payload[2])


def is_cleared(payload: bytes) -> bool:
    """Whether a message is the positive answer to service 0x14: one byte, 54."""
    return payload[:1] == bytes([CLEAR_DIAGNOSTIC_INFORMATION + POSITIVE])


def _check(payload: bytes, length: int, what: str) -> None:
    if len(payload) < length:
        raise TruncatedError(what, expected=length, received=len(payload))


def _body(payload: bytes, sub_functions: frozenset[SubFunction], head: int) -> bytes:
    """Check service, sub-function and the length of the fixed part; return what follows it."""
    _check(payload, 2, "report of codes")
    wanted = {int(sub) for sub in sub_functions}
    if payload[0] != READ_DTC_INFORMATION + POSITIVE or payload[1] not in wanted:
        raise DecodeError(
            f"A report of codes begins 59 and {' or '.join(f'{s:02X}' for s in sorted(wanted))}, "
            f"but {payload[:2].hex(' ').upper()} came."
        )
    _check(payload, head, "report of codes")
    return payload[head:]


def _records(body: bytes, length: int) -> Iterator[bytes]:
    """Cut a list into its records.  Up to ``length`` - 1 zero bytes at the end are padding."""
    end = len(body) // length * length
    if any(body[end:]):
        raise TruncatedError("list of codes", expected=end + length, received=len(body))
    for start in range(0, end, length):
        record = body[start : start + length]
        if any(record):  # a record of zeros is filler (ISO 14229-1, 11.3.1.1)
            yield record


def list_from_payload(payload: bytes) -> DtcList:
    """Decode a list ``59 sub availability { code(3) status }``."""
    body = _body(payload, PLAIN_LISTS, 3)
    records = tuple(DtcRecord(Dtc(r[:3]), DtcStatus(r[3])) for r in _records(body, 4))
    return DtcList(SubFunction(payload[1]), DtcStatus(payload[2]), records)


def severities_from_payload(payload: bytes) -> DtcList:
    """Decode ``59 08 availability { severity unit code(3) status }``."""
    body = _body(payload, frozenset({SubFunction.BY_SEVERITY}), 3)
    records = tuple(
        DtcRecord(Dtc(r[2:5]), DtcStatus(r[5]), Severity(r[0]), r[1]) for r in _records(body, 6)
    )
    return DtcList(SubFunction.BY_SEVERITY, DtcStatus(payload[2]), records)


def wwh_list_from_payload(payload: bytes) -> DtcList:
    """Decode a WWH-OBD list (layouts from memory).

    59 42 group availability severities format { severity code(3) status }
    59 55 group availability format { code(3) status }
    """
    _check(payload, 2, "report of codes")
    if payload[1] == SubFunction.WWH_PERMANENT:
        body = _body(payload, frozenset({SubFunction.WWH_PERMANENT}), 5)
        records = tuple(DtcRecord(Dtc(r[:3]), DtcStatus(r[3])) for r in _records(body, 4))
        return DtcList(SubFunction.WWH_PERMANENT, DtcStatus(payload[3]), records, payload[4])
    body = _body(payload, frozenset({SubFunction.WWH_BY_STATUS}), 6)
    records = tuple(
        DtcRecord(Dtc(r[1:4]), DtcStatus(r[4]), Severity(r[0])) for r in _records(body, 5)
    )
    return DtcList(SubFunction.WWH_BY_STATUS, DtcStatus(payload[3]), records, payload[5])
