"""The first page, the search, and what long work has come to."""

import asyncio
import json
from collections.abc import AsyncIterator

from starlette.responses import Response, StreamingResponse

from afterclear.commands.app import App
from afterclear.commands.intake.loading import COMMAND_LINE
from afterclear.commands.queries.decoding import NoCode, decode_code
from afterclear.commands.queries.status import status
from afterclear.commands.queries.vehicle_story import VehicleStory, vehicle_story
from afterclear.commands.queries.work_lines import DECIDED
from afterclear.desk.long_work.bench import Piece
from afterclear.desk.request import Asked, Desk, go_to
from afterclear.desk.speech.speaking import said_in
from afterclear.digest.common.file_names import (
    FLEET,
    GARAGE,
    INDEX,
    STOCK,
    sheet_page,
    vehicle_page,
)
from afterclear.errors import UnknownVehicleError, UsageError, told_by, worded

_DIGESTS = (
    (FLEET, worded("Fleet"), worded("what to bring in, what to scan next")),
    (
        GARAGE,
        worded("Workshop quality"),
        worded("which fixes hold, at which sites, with which parts"),
    ),
    (STOCK, worded("Stock"), worded("which cars are ready, and what the others lack")),
    (INDEX, worded("All vehicles"), worded("each with its history")),
)
_ABOUT = ("plate", "make", "model", "model_year", "site")
_PAUSE_S = 0.5
_MOST_FOLLOWED = 4  # pages of one session at once


def home(asked: Asked) -> Response:
    """Show what came in last, what was refused, what waits, and the digests."""
    app = asked.desk.app
    waiting = asked.desk.uploads.waiting()
    if not app.store.exists():
        return asked.page("home.html", state=None, waiting=waiting, digests=(), by_hand="")
    there = [(file, *words) for file, *words in _DIGESTS if (app.reports / file).is_file()]
    return asked.page(
        "home.html", state=status(app), waiting=waiting, digests=there, by_hand=COMMAND_LINE
    )


def find(asked: Asked) -> Response:
    """Find a vehicle by number, plate or VIN; otherwise say what the codes mean."""
    name = asked.query.get("name", "").strip()
    if not name:
        return go_to("/")
    app = asked.desk.app
    try:
        story = _story(asked, name)
    except UnknownVehicleError as unknown:
        meanings = decode_code(app, name)
        known = [m for m in meanings if not isinstance(m, NoCode)]
        problem = "" if known else told_by(unknown)
        return asked.page("codes.html", name=name, meanings=known, problem=problem)
    page = vehicle_page(story.vehicle["vehicle_id"])
    about = [str(story.vehicle[word]) for word in _ABOUT if story.vehicle.get(word)]
    return asked.page(
        "vehicle.html",
        story=story,
        about=about,
        decided_words=DECIDED,
        page=page if (app.reports / page).is_file() else "",
        sheet=sheet_of(app, story.vehicle["vehicle_id"]),
    )


def sheet_of(app: App, vehicle_id: str) -> str:
    """Give the place of a vehicle's sheet for the workshop below the pages; empty: it has none."""
    sheet = sheet_page(vehicle_id)
    return sheet if (app.reports / sheet).is_file() else ""


def _story(asked: Asked, name: str) -> VehicleStory:
    if not asked.desk.app.store.exists():
        raise UnknownVehicleError(name)
    return vehicle_story(asked.desk.app, name, asked.language)


def bench(asked: Asked) -> Response:
    """Show how far the long work is, or what it came to."""
    return asked.page("bench.html", waiting=len(asked.desk.uploads.waiting()))


def bench_lines(asked: Asked) -> Response:
    """Send the lines of the long work as they come (server-sent events, of the HTML standard).

    ``after``: how many lines the page has already.
    """
    session, after = asked.session, asked.query.get("after", "")
    piece = asked.desk.bench.piece
    n_told = int(after) if after.isdecimal() else 0

    async def events() -> AsyncIterator[str]:
        if session.n_followed >= _MOST_FOLLOWED:
            return  # the page is loaded again after a while, with the lines that came meanwhile
        session.n_followed += 1
        try:
            if piece is not None:
                async for line in _told(piece, asked.desk, n_told):
                    yield line
            yield "event: done\ndata: .\n\n"
        finally:
            session.n_followed -= 1

    return StreamingResponse(events(), media_type="text/event-stream")


def cancel(asked: Asked) -> Response:
    """End the long work."""
    if not asked.desk.bench.cancel():
        raise UsageError(worded("Nothing is under way that can be cancelled."))
    return go_to("/bench")


async def _told(piece: Piece, desk: Desk, n_told: int) -> AsyncIterator[str]:
    """Yield the lines of a piece as they come, and how long it has taken."""
    while True:
        is_done = piece.is_done
        while n_told < len(piece.lines):
            yield f"data: {json.dumps(said_in(piece.lines[n_told], desk.cells))}\n\n"
            n_told += 1
        if is_done or desk.bench.piece is not piece:
            return
        yield f"event: seconds\ndata: {piece.seconds:.0f}\n\n"
        await asyncio.sleep(_PAUSE_S)
