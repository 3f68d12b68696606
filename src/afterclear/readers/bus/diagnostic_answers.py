"""A tester's questions and the units' answers (OBD and UDS) as readings.

An answer counts if its question came within the five seconds before.  A recording of answers only,
without any question, is taken as it is.  Which answers show a whole memory, so that a code not
listed is a code not stored:

* OBD service 03 (confirmed codes);
* UDS 19 02 and 19 42, if the mask asked for confirmed codes and the unit supports that bit;
* UDS 19 0A (all supported codes).

Everything else proves only what it lists.  OBD answers cover emission-related codes alone.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from afterclear.errors import DecodeError
from afterclear.protocols import obd, uds
from afterclear.protocols.monitors import incomplete_names
from afterclear.protocols.obd import Form, Pid, Service
from afterclear.protocols.uds import SubFunction
from afterclear.protocols.vin_bytes import vin_from_ascii
from afterclear.readers.bus.unit_readings import Clear, CodeSeen, Readings, UnitReading

ANSWER_WITHIN_S = 5.0  # the longest P2* of ISO 14229-2
_MEMORY_SERVICES = (*obd.STATUS_OF_SERVICE, uds.READ_DTC_INFORMATION)
_PERMANENT = (SubFunction.PERMANENT, SubFunction.WWH_PERMANENT)


@dataclass(frozen=True, slots=True)
class Said:
    """One message on the line."""

    at: float
    line: int
    payload: bytes
    ecu: str | None  # who answers, or who is asked; None: everybody is asked
    is_question: bool


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer with its question.  ``question`` is empty if a recording has none."""

    at: float
    line: int
    ecu: str
    payload: bytes
    question: bytes


def matched_answers(messages: Iterable[Said]) -> tuple[list[Answer], int]:
    """Pair answers with their questions, in order; also how many had none."""
    ordered = list(messages)
    has_questions = any(message.is_question for message in ordered)
    open_questions: dict[int, list[Said]] = defaultdict(list)
    answers: list[Answer] = []
    n_alone = 0
    for message in ordered:
        if not message.payload:
            continue
        if message.is_question:
            open_questions[message.payload[0]].append(message)
            continue
        question = _question_of(message, open_questions)
        if question is None and has_questions:
            n_alone += 1
            continue
        asked = b"" if question is None else question.payload
        answers.append(Answer(message.at, message.line, str(message.ecu), message.payload, asked))
        if question is not None and _is_wait(message.payload):
            open_questions[asked[0]].append(
                Said(message.at, message.line, asked, message.ecu, is_question=True)
            )
    return answers, n_alone


def _is_wait(payload: bytes) -> bool:
    return payload[:1] == bytes([uds.NEGATIVE_ANSWER]) and payload[2:3] == bytes(
        [uds.ANSWER_FOLLOWS]
    )


def _question_of(message: Said, open_questions: dict[int, list[Said]]) -> Said | None:
    is_refusal = message.payload[0] == uds.NEGATIVE_ANSWER
    service = message.payload[1:2][0] if is_refusal and len(message.payload) > 1 else None
    service = message.payload[0] - uds.POSITIVE if service is None else service
    for question in reversed(open_questions.get(service, [])):
        if message.at - question.at > ANSWER_WITHIN_S:
            return None
        is_same = is_refusal or _goes_with(question.payload, message.payload)
        if question.ecu in (None, message.ecu) and is_same:
            return question
    return None


def _goes_with(question: bytes, answer: bytes) -> bool:
    """Whether sub-function or parameter are those asked for, if the answer repeats them."""
    if answer[0] == uds.READ_DTC_INFORMATION + uds.POSITIVE:
        return question[1:2] == answer[1:2]
    if answer[0] == uds.READ_DATA_BY_IDENTIFIER + uds.POSITIVE:
        return question[1:3] == answer[1:3]
    if answer[0] in (
        Service.CURRENT_DATA + obd.POSITIVE,
        Service.VEHICLE_INFORMATION + obd.POSITIVE,
    ):
        return answer[1:2] in question[1:]
    return True


def clears_in(answers: Iterable[Answer]) -> list[Clear]:
    """Find the confirmed erasings: 44 and 54."""
    return [
        Clear(answer.at, answer.line, answer.ecu, _clear_reason(answer))
        for answer in answers
        if obd.is_cleared(answer.payload) or uds.is_cleared(answer.payload)
    ]


def _clear_reason(answer: Answer) -> str:
    if obd.is_cleared(answer.payload):
        return "codes erased (OBD service 04)"
    group = answer.question[1:4].hex().upper() or "not seen"
    return f"codes erased (UDS service 14, group {group})"


def take_answers(
    answers: Iterable[Answer], scan_of: Callable[[int], int], readings: Readings, form: Form
) -> None:
    """Add the answers to the readings. ``scan_of``: scan of a line."""
    vin_parts: dict[str, list[bytes]] = defaultdict(list)
    for answer in answers:
        try:
            _take(answer, scan_of(answer.line), readings, form, vin_parts)
        except DecodeError as error:
            readings.break_off(answer.line, str(error))


def _take(
    answer: Answer, scan: int, readings: Readings, form: Form, vin_parts: dict[str, list[bytes]]
) -> None:
    service = answer.payload[0] - obd.POSITIVE
    if answer.payload[0] == uds.NEGATIVE_ANSWER:
        _take_refusal(answer, scan, readings)
    elif service in obd.STATUS_OF_SERVICE:
        _take_obd_codes(
            answer, Service(service), readings.unit(scan, answer.ecu, answer.line), form
        )
    elif service == uds.READ_DTC_INFORMATION:
        _take_uds_codes(answer, scan, readings)
    elif service == Service.CURRENT_DATA:
        _take_values(answer, scan, readings)
    elif service == Service.VEHICLE_INFORMATION:
        vin_parts[answer.ecu].append(answer.payload)
        _take_vin(answer, obd.vin_from_messages(vin_parts[answer.ecu], form), readings)
    elif service == uds.READ_DATA_BY_IDENTIFIER and answer.payload[1:3] == uds.VIN_IDENTIFIER:
        _take_vin(answer, vin_from_ascii(answer.payload[3:]), readings)


def _take_vin(answer: Answer, vin: str | None, readings: Readings) -> None:
    if vin is not None:
        readings.take_vin(answer.ecu, vin, answer.line)


def _take_refusal(answer: Answer, scan: int, readings: Readings) -> None:
    """Note a unit that showed no codes; what it answers later in the scan outweighs this."""
    refused = uds.negative_answer(answer.payload)
    if refused is None or refused.reason == uds.ANSWER_FOLLOWS:
        return
    readings.counts["refusals"] += 1
    if refused.service in _MEMORY_SERVICES and (scan, answer.ecu) not in readings.units:
        readings.unit(scan, answer.ecu, answer.line).has_answered = False


def _take_obd_codes(answer: Answer, service: Service, unit: UnitReading, form: Form) -> None:
    codes = obd.codes_from_message(answer.payload, form)
    unit.has_answered = True
    unit.is_whole_memory |= service is Service.CONFIRMED_CODES
    for code in codes:
        unit.add(CodeSeen(code, None, obd.STATUS_OF_SERVICE[service], None, answer.line))


_LISTS: dict[int, Callable[[bytes], uds.DtcList]] = {
    **dict.fromkeys(uds.PLAIN_LISTS, uds.list_from_payload),
    SubFunction.BY_SEVERITY: uds.severities_from_payload,
    SubFunction.WWH_BY_STATUS: uds.wwh_list_from_payload,
    SubFunction.WWH_PERMANENT: uds.wwh_list_from_payload,
}
# place of the asked status mask in the question
_MASK_PLACE = {SubFunction.BY_STATUS: 2, SubFunction.WWH_BY_STATUS: 3}


def _take_uds_codes(answer: Answer, scan: int, readings: Readings) -> None:
    decode = _LISTS.get(answer.payload[1]) if len(answer.payload) > 1 else None
    if decode is None:
        readings.counts["reports without a list of codes"] += 1
        return
    listed = decode(answer.payload)
    unit = readings.unit(scan, answer.ecu, answer.line)
    unit.has_answered = True
    unit.is_whole_memory |= _shows_all(listed, answer.question)
    for seen in _codes_seen(listed, answer.line):
        unit.add(seen)


def _shows_all(listed: uds.DtcList, question: bytes) -> bool:
    if listed.sub_function is SubFunction.SUPPORTED:
        return True
    place = _MASK_PLACE.get(listed.sub_function)
    if place is None or len(question) <= place:
        return False
    return bool(question[place] & listed.availability & uds.DtcStatus.CONFIRMED)


def _codes_seen(listed: uds.DtcList, line: int) -> Iterator[CodeSeen]:
    for record in listed.records:
        code, failure_type = record.dtc.spelled(listed.form)
        status = f"{record.status & listed.availability:02X}"
        yield CodeSeen(
            code,
            None if failure_type == "00" else failure_type,
            "permanent" if listed.sub_function in _PERMANENT else status,
            None,
            line,
        )


def _take_values(answer: Answer, scan: int, readings: Readings) -> None:
    values = obd.values_from_message(answer.payload)
    km = obd.number_from_value(Pid.ODOMETER, values.get(Pid.ODOMETER, b""))
    if km:  # 0 is a unit that does not count (own judgement)
        readings.odometer_km.setdefault(scan, km)
    if not values.keys() & {Pid.READINESS, Pid.DISTANCE_SINCE_CLEAR, Pid.WARMUPS_SINCE_CLEAR}:
        return
    unit = readings.unit(scan, answer.ecu, answer.line)
    unit.has_answered = True
    if Pid.READINESS in values:
        readiness = obd.readiness_from_bytes(values[Pid.READINESS])
        unit.monitors_incomplete = incomplete_names(readiness.monitors)
        if readiness.mil_on:
            unit.lamps.add("mil")
    if Pid.DISTANCE_SINCE_CLEAR in values:
        raw = values[Pid.DISTANCE_SINCE_CLEAR]
        unit.since_clear_km = obd.number_from_value(Pid.DISTANCE_SINCE_CLEAR, raw)
    if Pid.WARMUPS_SINCE_CLEAR in values:
        raw = values[Pid.WARMUPS_SINCE_CLEAR]
        unit.warmups_since_clear = obd.number_from_value(Pid.WARMUPS_SINCE_CLEAR, raw)
