"""Decide on lines of the worklist, several at once, and take decisions back."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import cast

from starlette.responses import Response

from afterclear.commands.analysis.deciding import Asked as Decision
from afterclear.commands.analysis.deciding import Said, decide_all, decisions, undo
from afterclear.commands.queries.work_lines import DECIDED, WorkLine, unchanged, work_lines
from afterclear.desk.pages.home import sheet_of
from afterclear.desk.request import Asked, go_to
from afterclear.errors import AfterclearError, UsageError, told_by, worded

_NO_FAULT = "not_a_fault"
WORDS = (
    (
        "accept",
        worded("Accept"),
        worded("it stays as it is; the line goes until the fault changes"),
    ),
    ("wait", worded("Wait"), worded("until a day or an odometer reading")),
    (
        "repaired_elsewhere",
        worded("Repaired elsewhere"),
        worded("the work is done, but no order of it comes"),
    ),
    (
        _NO_FAULT,
        worded("Not a fault"),
        worded("of the codes you tick in the lines, for as long as you do not take it back"),
    ),
)


def work(asked: Asked) -> Response:
    """Show what is to be done, and what was decided."""
    return _page(asked)


def decide_on(asked: Asked) -> Response:
    """Keep a person's word on the lines that were ticked; all of them or none."""
    asked.session.person = asked.form.get("by", "").strip()
    try:
        _check_free(asked)
        stamps = _stamps(asked.chosen)
        if not stamps:
            raise UsageError(worded("Tick the lines you decide on."))
        app = asked.desk.app
        decided = _decided(asked, stamps)
        language = asked.language
        decide_all(app, decided, lambda con: unchanged(app, con, stamps, language))
        asked.tell(asked.form.get("word", "").replace("_", " "), stamps)
    except AfterclearError as error:
        return _page(asked, problem=told_by(error), status=400)
    return go_to("/decide")


def undo_one(asked: Asked) -> Response:
    """Take a decision back."""
    asked.session.person = asked.form.get("by", "").strip()
    try:
        _check_free(asked)
        if not asked.session.person:
            raise UsageError(worded("Say who takes it back."))
        vehicle_id = undo(asked.desk.app, int(asked.path["number"]), asked.session.person)
        asked.tell(f"decision {asked.path['number']}", [vehicle_id])
    except AfterclearError as error:
        return _page(asked, problem=told_by(error), status=400)
    return go_to("/decide")


def _check_free(asked: Asked) -> None:
    if asked.desk.bench.is_busy:
        raise UsageError(worded("Something is being worked on. Decide when it is done."))


def _page(asked: Asked, problem: str = "", status: int = 200) -> Response:
    app = asked.desk.app
    lines = work_lines(app, asked.language)
    return asked.page(
        "work.html",
        status=status,
        lines=lines,
        sheets={line.vehicle_id: sheet_of(app, line.vehicle_id) for line in lines},
        decided=[row for row in reversed(decisions(app, None)) if row["undone_at"] is None],
        words=WORDS,
        decided_words=DECIDED,
        typed=asked.form,
        chosen=tuple(_stamps(asked.chosen)),
        codes=_ticked(asked.codes),
        problem=problem,
        person=asked.session.person,
    )


def _stamps(chosen: Sequence[str]) -> dict[str, str]:
    """Read the boxes that were ticked: vehicle -> stamp of its line."""
    parted = (box.partition(" ") for box in chosen)
    return {vehicle_id: stamp for stamp, _, vehicle_id in parted if vehicle_id}


def _ticked(boxes: Sequence[str]) -> dict[str, tuple[int, ...]]:
    """Read the boxes of codes that were ticked: vehicle -> places of them in its line."""
    ticked: dict[str, tuple[int, ...]] = {}
    for box in boxes:
        place, _, vehicle_id = box.partition(" ")
        if place.isdecimal():
            ticked[vehicle_id] = (*ticked.get(vehicle_id, ()), int(place))
    return ticked


def _decided(asked: Asked, stamps: Mapping[str, str]) -> list[Decision]:
    """Read what was decided on the lines that were ticked: one decision each, or one a code."""
    form = asked.form
    if not asked.session.person:
        raise UsageError(worded("Say who decides."))
    word = _word(form)
    of_all = Decision(
        vehicle_id="",
        word=cast("Said", word),
        by=asked.session.person,
        until_at=_day(form.get("until", "")),
        until_km=_km(form.get("until_km", "")),
        note=form.get("note", "").strip() or None,
    )
    ticked = _ticked(asked.codes)
    if word != _NO_FAULT:
        if ticked:
            raise UsageError(worded("Codes are ticked: choose “Not a fault”, or untick them."))
        return [replace(of_all, vehicle_id=vehicle_id) for vehicle_id in stamps]
    if left := sorted(ticked.keys() - stamps.keys()):
        raise UsageError(
            worded(
                "Codes of {vehicle} are ticked, but not its line: tick it, too.", vehicle=left[0]
            )
        )
    lines = {line.vehicle_id: line for line in work_lines(asked.desk.app)}
    return [
        replace(of_all, vehicle_id=vehicle_id, code=code)
        for vehicle_id in stamps
        for code in _no_faults(lines.get(vehicle_id), vehicle_id, ticked.get(vehicle_id, ()))
    ]


def _no_faults(line: WorkLine | None, vehicle_id: str, places: Sequence[int]) -> list[str]:
    """Give the codes of a line that are said to be no fault.

    Where a code is ticked, its caution was read: it stands above the boxes.  One that needs none
    and is the only one of its line is meant without.
    """
    if line is None or any(place >= len(line.codes) for place in places):
        text = worded(
            "The line of {vehicle} has changed since; look at it again.", vehicle=vehicle_id
        )
        raise UsageError(text)
    if not line.codes:
        text = worded(
            "The line of {vehicle} is about no code: choose something else.", vehicle=vehicle_id
        )
        raise UsageError(text)
    if not places and (line.cautions or len(line.codes) > 1):
        text = worded(
            "Tick the codes that are no fault in the line of {vehicle}.", vehicle=vehicle_id
        )
        raise UsageError(text)
    return [line.codes[place] for place in places or (0,)]


def _word(form: Mapping[str, str]) -> str:
    text = form.get("word", "")
    has_end = bool(form.get("until") or form.get("until_km"))
    if text not in {word for word, *_ in WORDS}:
        raise UsageError(worded("Choose what you decide."))
    if text == "wait" and not has_end:
        raise UsageError(worded("Say until which day you wait, or until how many km."))
    if text != "wait" and has_end:
        raise UsageError(
            worded("Only a wait has an end: choose Wait, or empty the day and the km.")
        )
    return text


def _day(text: str) -> datetime | None:
    if not text:
        return None
    try:
        day = date.fromisoformat(text)
    except ValueError as error:
        raise UsageError(worded("{day!r} is no day; write it as 2026-11-30.", day=text)) from error
    return datetime(day.year, day.month, day.day, tzinfo=UTC)


def _km(text: str) -> float | None:
    if not text:
        return None
    try:
        return float(text)
    except ValueError as error:
        text = worded("{km!r} is no number of km; write it as 123456.", km=text)
        raise UsageError(text) from error
