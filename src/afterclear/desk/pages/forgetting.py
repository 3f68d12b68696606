"""Forget a vehicle, after the same question as at the terminal."""

from starlette.responses import Response

from afterclear.commands.forgetting import question, remains
from afterclear.commands.queries.vehicle_story import vehicle_story
from afterclear.desk.request import Asked
from afterclear.digest.common.file_names import INDEX
from afterclear.errors import UsageError, worded


def ask(asked: Asked) -> Response:
    """Ask whether a vehicle is to be forgotten, and say what remains."""
    story = vehicle_story(asked.desk.app, asked.query.get("vehicle", ""))
    vehicle_id = str(story.vehicle["vehicle_id"])
    left = remains(asked.desk.app)
    return asked.page(
        "forget.html",
        vehicle_id=vehicle_id,
        story=story,
        question=question(vehicle_id),
        remains=left,
    )


def forget_one(asked: Asked) -> Response:
    """Erase a vehicle, and write the pages without it; its name is in no title and no list."""
    vehicle_id = asked.form.get("vehicle", "")
    if not vehicle_id or asked.form.get("sure") != "yes":
        raise UsageError(worded("Nothing was erased: tick the box if you are sure."))
    return _begin(
        asked, worded("Forget a vehicle"), ["forget", "--yes", "vehicle", "--", vehicle_id]
    )


def finish(asked: Asked) -> Response:
    """Finish a forgetting that was cut off, whichever vehicle's it was."""
    return _begin(asked, worded("Finish forgetting a vehicle"), ["forget", "finish"])


def _begin(asked: Asked, title: str, words: list[str]) -> Response:
    has_pages = (asked.desk.app.reports / INDEX).is_file()
    commands = [words, ["digest"]] if has_pages else [words]
    return asked.begin(title, commands, can_be_cancelled=False)
