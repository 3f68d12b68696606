"""Decide on lines of the worklist, several at once, and take decisions back."""

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from typing import cast

from starlette.responses import Response

from afterclear.commands.analysis.deciding import Asked as Decision
from afterclear.commands.analysis.deciding import Said, decide_all, decisions, undo
from afterclear.commands.queries.work_lines import unchanged, work_lines
from afterclear.desk.request import Asked, go_to
from afterclear.errors import AfterclearError, UsageError

WORDS = (
    ("accept", "Accept", "it stays as it is; the line goes until the fault changes"),
    ("wait", "Wait", "until a day or an odometer reading"),
    ("repaired_elsewhere", "Repaired elsewhere", "the work is done, but no order of it comes"),
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
            raise UsageError("Tick the lines you decide on.")
        decided = [_decision(asked, vehicle_id) for vehicle_id in stamps]
        app = asked.desk.app
        decide_all(app, decided, lambda con: unchanged(app, con, stamps))
        asked.tell(asked.form.get("word", "").replace("_", " "), stamps)
    except AfterclearError as error:
        return _page(asked, problem=str(error), status=400)
    return go_to("/decide")


def undo_one(asked: Asked) -> Response:
    """Take a decision back."""
    asked.session.person = asked.form.get("by", "").strip()
    try:
        _check_free(asked)
        if not asked.session.person:
            raise UsageError("Say who takes it back.")
        vehicle_id = undo(asked.desk.app, int(asked.path["number"]), asked.session.person)
        asked.tell(f"decision {asked.path['number']}", [vehicle_id])
    except AfterclearError as error:
        return _page(asked, problem=str(error), status=400)
    return go_to("/decide")


def _check_free(asked: Asked) -> None:
    if asked.desk.bench.is_busy:
        raise UsageError("Something is being worked on. Decide when it is done.")


def _page(asked: Asked, problem: str = "", status: int = 200) -> Response:
    app = asked.desk.app
    return asked.page(
        "work.html",
        status=status,
        lines=work_lines(app),
        decided=[row for row in reversed(decisions(app, None)) if row["undone_at"] is None],
        words=WORDS,
        typed=asked.form,
        chosen=tuple(_stamps(asked.chosen)),
        problem=problem,
        person=asked.session.person,
    )


def _stamps(chosen: Sequence[str]) -> dict[str, str]:
    """Read the boxes that were ticked: vehicle -> stamp of its line."""
    parted = (box.partition(" ") for box in chosen)
    return {vehicle_id: stamp for stamp, _, vehicle_id in parted if vehicle_id}


def _decision(asked: Asked, vehicle_id: str) -> Decision:
    form = asked.form
    if not asked.session.person:
        raise UsageError("Say who decides.")
    word, until, until_km = _word(form), _day(form.get("until", "")), form.get("until_km", "")
    return Decision(
        vehicle_id=vehicle_id,
        word=cast("Said", word),
        by=asked.session.person,
        until_at=until,
        until_km=_km(until_km),
        note=form.get("note", "").strip() or None,
    )


def _word(form: Mapping[str, str]) -> str:
    text = form.get("word", "")
    has_end = bool(form.get("until") or form.get("until_km"))
    if text not in {word for word, *_ in WORDS}:
        raise UsageError("Choose what you decide.")
    if text == "wait" and not has_end:
        raise UsageError("Say until which day you wait, or until how many km.")
    if text != "wait" and has_end:
        raise UsageError("Only a wait has an end: choose Wait, or empty the day and the km.")
    return text


def _day(text: str) -> datetime | None:
    if not text:
        return None
    try:
        day = date.fromisoformat(text)
    except ValueError as error:
        raise UsageError(f"{text!r} is no day; write it as 2026-11-30.") from error
    return datetime(day.year, day.month, day.day, tzinfo=UTC)


def _km(text: str) -> float | None:
    if not text:
        return None
    try:
        return float(text)
    except ValueError as error:
        raise UsageError(f"{text!r} is no number of km; write it as 123456.") from error
