"""Units' answers written down as text -> scans, clears and the VIN, in the plain layout.

Lines count as one millisecond apart.
"""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import polars as pl

from afterclear.errors import DecodeError, RefusedFileError, worded
from afterclear.protocols import isotp, obd
from afterclear.readers.bus.diagnostic_answers import (
    Answer,
    Said,
    clears_in,
    matched_answers,
    take_answers,
)
from afterclear.readers.bus.hex_lines import CELL_KEYS, Line, Section, sections_of
from afterclear.readers.bus.reading_rows import Row, plain_parts, scan_heads, vehicle_of
from afterclear.readers.bus.unit_readings import Readings
from afterclear.records import Delivery, PlainRows, ReadFile, Rejection

LINE_S = 0.001  # between two lines
FORMS = ("messages", "frames", "older")
FIRST_ANSWER_SERVICE = 0x40


def read_sections(delivery: Delivery) -> ReadFile:
    """Turn written-down answers into scans, clears and a vehicle.

    Raises:
        RefusedFileError: no line holds an answer, or the vehicle is not known.

    """
    sections, rejections = sections_of(delivery)
    frames: dict[str, list[pl.DataFrame]] = defaultdict(list)
    notes: list[str] = []
    first_scan = 1
    for section in sections:
        made, n_scans = _read_section(section, delivery, first_scan)
        first_scan += n_scans
        rejections += made.rejections
        notes += [made.note] if made.note else []
        for part in made.parts:
            if isinstance(part, PlainRows):
                frames[part.table].append(part.frame)
    parts = [PlainRows(name, pl.concat(each, how="diagonal")) for name, each in frames.items()]
    return ReadFile(tuple(parts), tuple(rejections), "; ".join(dict.fromkeys(notes)))


def _read_section(section: Section, delivery: Delivery, first_scan: int) -> tuple[ReadFile, int]:
    """Make one section's rows; also the number of scans it holds (more than one: clears)."""
    begin, note = _begin(section, delivery)
    readings, begins = _readings(section, begin, first_scan)
    if stated := section.keys.get("vin"):
        readings.take_vin("", stated, section.first_line)
    vehicle_id = section.keys.get("vehicle_id") or delivery.vehicle_id
    vehicle = vehicle_of(replace(delivery, vehicle_id=vehicle_id), readings.vins)
    began = {scan: begin + line * LINE_S for scan, line in enumerate(begins, first_scan)}
    stated_cells: Row = {key: section.keys[key] for key in CELL_KEYS if key in section.keys}
    heads = scan_heads(delivery, vehicle, readings, began)
    heads = {scan: _merged(head, stated_cells) for scan, head in heads.items()}
    parts, unnamed = plain_parts(vehicle, readings, heads)
    refused = [Rejection("scans", line, None, None, text) for line, text in readings.broken]
    counted = [f"{n:,} {what}" for what, n in readings.counts.items() if n]
    notes = "; ".join([note, *counted] if note else counted)
    return ReadFile(parts, (*unnamed, *refused), notes), len(begins)


def _readings(section: Section, begin: float, first_scan: int) -> tuple[Readings, list[int]]:
    """Read a section; also the lines at which its scans begin."""
    form = _form(section)
    readings = Readings()
    answers, n_alone = matched_answers(_said(section, begin, form, readings))
    readings.counts["answers without a question"] = n_alone
    readings.clears = clears_in(answers)
    begins = _scan_begins(section, answers)
    take_answers(
        answers,
        lambda line: first_scan + bisect_right(begins, line) - 1,
        readings,
        obd.Form.OLDER if form == "older" else obd.Form.CAN,
    )
    return readings, begins


def _merged(head: Row, stated: Row) -> Row:
    """Prefer what a person wrote over what a unit counts; never both kinds of distance."""
    if "odometer_mi" in stated:
        head = {key: value for key, value in head.items() if key != "odometer_km"}
    return head | stated


def _begin(section: Section, delivery: Delivery) -> tuple[float, str]:
    """Find a section's time; also a note if it was taken from the file."""
    written = section.keys.get("scanned_at")
    if not written:
        if delivery.started_at is not None:
            return delivery.started_at.timestamp(), ""
        note = worded("no scanned_at: the file's modification time was taken")
        return delivery.path.stat().st_mtime, note
    try:
        moment = datetime.fromisoformat(written)
    except ValueError as error:
        raise RefusedFileError(
            worded(
                "{name}, line {first_line} and on: scanned_at is {written!r}; expected a time such "
                "as 2025-03-30T14:05:00+02:00 (ISO 8601).",
                name=delivery.name,
                first_line=section.first_line,
                written=written,
            )
        ) from error
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=ZoneInfo(delivery.zone))
    return moment.timestamp(), ""


def _form(section: Section) -> str:
    stated = section.keys.get("form")
    if stated in FORMS:
        return stated
    if stated:
        raise RefusedFileError(
            worded(
                "form is {stated!r}; use one of: {forms}.", stated=stated, forms=", ".join(FORMS)
            )
        )
    if any(line.identifier is None for line in section.lines):
        return "older"
    answers = [line for line in section.lines if not line.is_question]
    is_framed = any(line.data[0] < FIRST_ANSWER_SERVICE for line in answers)
    return "frames" if is_framed else "messages"


def _scan_begins(section: Section, answers: list[Answer]) -> list[int]:
    """List the lines at which a scan begins: the section, and what follows a run of clears."""
    cleared = {clear.line for clear in clears_in(answers)}
    begins = [section.first_line]
    for one, after in pairwise(answers):
        if one.line in cleared and after.line not in cleared:
            begins.append(after.line)
    return begins


def _said(section: Section, begin: float, form: str, readings: Readings) -> Iterator[Said]:
    if form == "frames":
        yield from _from_frames(section, begin, readings)
        return
    for line in section.lines:
        at = begin + line.number * LINE_S
        if form == "messages":
            yield Said(at, line.number, line.data, _unit(line), line.is_question)
            continue
        try:
            source, payload = obd.older_line_message(line.data)
        except DecodeError as error:
            readings.break_off(line.number, str(error))
            continue
        ecu = None if line.is_question else obd.unit_label(source, is_long=True)
        yield Said(at, line.number, payload, ecu, line.is_question)


def _from_frames(section: Section, begin: float, readings: Readings) -> Iterator[Said]:
    receivers: dict[str | None, isotp.Receiver] = defaultdict(isotp.Receiver)
    for line in section.lines:
        at = begin + line.number * LINE_S
        for message in receivers[line.identifier].feed(at, line.data):
            if message.outcome is isotp.Outcome.COMPLETE:
                yield Said(at, line.number, message.payload, _unit(line), line.is_question)
            else:
                readings.break_off(line.number, _BROKEN)
    for receiver in receivers.values():
        if receiver.close():
            readings.break_off(section.lines[-1].number, _BROKEN)


_BROKEN = worded("the next frame of a message; the message is incomplete")


def _unit(line: Line) -> str | None:
    """Name the unit a line is from or asks; None: all units, or not known."""
    identifier = line.identifier
    if identifier is None:
        return None
    number = int(identifier, 16)
    if len(identifier) > 3:  # noqa: PLR2004 - 29 bits
        if number >> 16 != 0x18DA:  # noqa: PLR2004 - ISO 15765-4, to or from one unit
            return None if line.is_question else f"ECU {identifier}"
        return obd.unit_label(
            number >> 8 & 0xFF if line.is_question else number & 0xFF, is_long=True
        )
    if line.is_question:
        return obd.unit_label(number + 8) if 0x7E0 <= number <= 0x7E7 else None  # noqa: PLR2004
    return obd.unit_label(number)
