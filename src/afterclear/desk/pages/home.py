"""The first page, the search, and what long work has come to."""

import time
from collections.abc import Iterator

from markupsafe import escape
from starlette.responses import Response, StreamingResponse

from afterclear.commands.queries.decoding import NoCode, decode_code
from afterclear.commands.queries.status import status
from afterclear.commands.queries.vehicle_story import VehicleStory, vehicle_story
from afterclear.desk.bench import Bench, Piece
from afterclear.desk.request import Asked, go_to
from afterclear.digest.common.file_names import FLEET, GARAGE, INDEX, STOCK, vehicle_page
from afterclear.errors import UnknownVehicleError

_DIGESTS = (
    (FLEET, "Fleet", "what to bring in, what to scan next"),
    (GARAGE, "Workshop quality", "which fixes hold, at which sites, with which parts"),
    (STOCK, "Stock", "which cars are ready, and what the others lack"),
    (INDEX, "All vehicles", "each with its history"),
)
_ABOUT = ("plate", "make", "model", "model_year", "site")
_LINES = "@@lines@@"  # where the lines of the work go, on its page
_PAUSE_S = 0.2


def home(asked: Asked) -> Response:
    """Show what came in last, what was refused, what waits, and the digests."""
    app = asked.desk.app
    waiting = asked.desk.uploads.waiting()
    if not app.store.exists():
        return asked.page("home.html", state=None, waiting=waiting, digests=())
    there = [(file, *words) for file, *words in _DIGESTS if (app.reports / file).is_file()]
    return asked.page("home.html", state=status(app), waiting=waiting, digests=there)


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
        return asked.page("codes.html", name=name, meanings=known, unknown=str(unknown))
    page = vehicle_page(story.vehicle["vehicle_id"])
    has_page = (app.reports / page).is_file()
    about = [str(story.vehicle[word]) for word in _ABOUT if story.vehicle.get(word)]
    return asked.page("vehicle.html", story=story, about=about, page=page if has_page else "")


def _story(asked: Asked, name: str) -> VehicleStory:
    if not asked.desk.app.store.exists():
        raise UnknownVehicleError(name)
    return vehicle_story(asked.desk.app, name)


def bench(asked: Asked) -> Response:
    """Tell how the long work goes, line by line until it is done."""
    piece = asked.desk.bench.piece
    if piece is None:
        return asked.page("bench.html", lines="")

    def page() -> Iterator[str]:
        yield asked.text("bench.html", lines=_LINES).partition(_LINES)[0]
        yield from (f"<li>{escape(line)}</li>\n" for line in _told(piece, asked.desk.bench))
        # what it came to is known only now
        yield asked.text("bench.html", lines=_LINES).partition(_LINES)[2]

    return StreamingResponse(page(), media_type="text/html")


def _told(piece: Piece, bench: Bench) -> Iterator[str]:
    """Yield the lines of a piece as they come."""
    n_told = 0
    while True:
        is_done = piece.is_done
        while n_told < len(piece.lines):
            yield piece.lines[n_told]
            n_told += 1
        if is_done or bench.piece is not piece:
            return
        time.sleep(_PAUSE_S)
