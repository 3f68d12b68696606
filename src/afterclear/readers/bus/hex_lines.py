"""Units' answers written down as text, cut into scans.  The form: ``hex_responses``."""

import re
from dataclasses import dataclass, field

from afterclear.errors import RefusedFileError, worded
from afterclear.records import Delivery, Rejection

HEAD_BYTES = 8192
KEPT_KEYS = ("vehicle_id", "vin", "form")
CELL_KEYS = ("odometer_km", "odometer_mi", "engine_hours", "visit_reason")
KEYS = (*KEPT_KEYS, "scanned_at", *CELL_KEYS)

_KEY_LINE = re.compile(rf"({'|'.join(KEYS)})\s*:\s*(.*?)\s*", re.ASCII)
_DATA_LINE = re.compile(
    r"(?P<ask>>\s*)?(?:(?P<id>[0-9A-F]{3}|[0-9A-F]{8})[:\s]\s*)?(?P<data>(?:[0-9A-F]{2}\s+)*[0-9A-F]{2})",
    re.ASCII | re.IGNORECASE,
)
_EXPECTED = (
    "expected an identifier of 3 or 8 hex digits and bytes of 2 (7E8 43 01 01 33), "
    f"or one of {', '.join(KEYS)} with a colon"
)


@dataclass(frozen=True, slots=True)
class Line:
    """One question or answer."""

    number: int
    identifier: str | None
    data: bytes
    is_question: bool


@dataclass(slots=True)
class Section:
    """One scan as written: its keys and its lines."""

    keys: dict[str, str] = field(default_factory=dict)
    lines: list[Line] = field(default_factory=list)
    first_line: int = 1


def kind_of(line: str) -> str:
    """Classify a line: empty, key, data or other."""
    line = line.strip()
    if not line or line.startswith("#"):
        return "empty"
    if _KEY_LINE.fullmatch(line):
        return "key"
    return "data" if _DATA_LINE.fullmatch(line) else "other"


def sections_of(delivery: Delivery) -> tuple[list[Section], list[Rejection]]:
    """Cut a file into scans; also give the lines that belong to none.

    Raises:
        RefusedFileError: no line holds an answer.

    """
    text = delivery.path.read_text(encoding="utf-8-sig", errors="replace")
    sections = [Section()]
    rejections: list[Rejection] = []
    for number, raw in enumerate(text.splitlines(), 1):
        line = raw.strip()
        kind = kind_of(line)
        if kind == "key" and sections[-1].lines:
            kept = {k: v for k, v in sections[-1].keys.items() if k in KEPT_KEYS}
            sections.append(Section(kept, first_line=number))
        if kind == "key":
            key, value = _KEY_LINE.fullmatch(line).groups()  # type: ignore[union-attr]
            sections[-1].keys[key] = value
        elif kind == "data":
            sections[-1].lines.append(_parsed(number, line))
        elif kind == "other":
            rejections.append(Rejection("scans", number, None, line[:200], _EXPECTED))
    sections = [section for section in sections if section.lines]
    if not sections:
        raise RefusedFileError(
            worded(
                "{name} holds no answer of a control unit: {expected}.",
                name=delivery.name,
                expected=_EXPECTED,
            )
        )
    return sections, rejections


def _parsed(number: int, line: str) -> Line:
    found = _DATA_LINE.fullmatch(line)
    assert found is not None  # noqa: S101 - kind_of has matched it
    identifier = found["id"].upper() if found["id"] else None
    return Line(number, identifier, bytes.fromhex(found["data"]), found["ask"] is not None)
