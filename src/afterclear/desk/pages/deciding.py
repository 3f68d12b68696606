"""Decide on lines of the worklist, several at once, and take decisions back."""

import getpass
from collections.abc import Mapping
from datetime import UTC, date, datetime
from typing import cast

from starlette.responses import Response

from afterclear.commands.analysis.deciding import Asked as Decision
from afterclear.commands.analysis.deciding import Said, decide_all, decisions, undo
from afterclear.commands.queries.work_lines import work_lines
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
    form = asked.form
    asked.session.person = form.get("by", "").strip()
    try:
        decide_all(asked.desk.app, [_decision(asked, vehicle) for vehicle in _chosen(asked)])
    except AfterclearError as error:
        return _page(asked, problem=str(error), status=400)
    return go_to("/decide")


def undo_one(asked: Asked) -> Response:
    """Take a decision back."""
    asked.session.person = asked.form.get("by", "").strip() or asked.session.person
    undo(asked.desk.app, int(asked.path["number"]), asked.session.person or getpass.getuser())
    return go_to("/decide")


def _page(asked: Asked, problem: str = "", status: int = 200) -> Response:
    app = asked.desk.app
    return asked.page(
        "work.html",
        status=status,
        lines=work_lines(app),
        decided=[row for row in reversed(decisions(app, None)) if row["undone_at"] is None],
        words=WORDS,
        typed=asked.form,
        chosen=asked.chosen,
        problem=problem,
        person=asked.session.person,
    )


def _chosen(asked: Asked) -> tuple[str, ...]:
    """Return the vehicles that were ticked, if the page they stood on is still true.

    Raises:
        UsageError: none was ticked, or a line has changed since the page was made.

    """
    if not asked.chosen:
        raise UsageError("Tick the lines you decide on.")
    present = {line.vehicle_id: line for line in work_lines(asked.desk.app)}
    for vehicle_id in asked.chosen:
        line = present.get(vehicle_id)
        if line is None or asked.form.get(f"stamp:{vehicle_id}") != line.stamp:
            raise UsageError(f"The line of {vehicle_id} has changed since; look at it again.")
    return asked.chosen


def _decision(asked: Asked, vehicle_id: str) -> Decision:
    form = asked.form
    return Decision(
        vehicle_id=vehicle_id,
        word=cast("Said", _word(form)),
        by=asked.session.person,
        until_at=_day(form.get("until", "")),
        until_km=_km(form.get("until_km", "")),
        note=form.get("note", "").strip() or None,
    )


def _word(form: Mapping[str, str]) -> str:
    text = form.get("word", "")
    if text == "wait" and not (form.get("until") or form.get("until_km")):
        raise UsageError("Say until which day you wait, or until how many km.")
    if text not in {word for word, *_ in WORDS}:
        raise UsageError("Choose what you decide.")
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
