"""The first page, the search, and what long work has come to."""

from starlette.responses import Response

from afterclear.commands.queries.decoding import NoCode, decode_code
from afterclear.commands.queries.status import rejected_rows, status
from afterclear.commands.queries.vehicle_story import vehicle_story
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


def home(asked: Asked) -> Response:
    """Show what came in last, what was refused, what waits, and the digests."""
    app = asked.desk.app
    if not app.store.exists():
        return asked.page("home.html", state=None, refused=0, waiting=(), digests=())
    there = [(file, *words) for file, *words in _DIGESTS if (app.reports / file).is_file()]
    return asked.page(
        "home.html",
        state=status(app),
        refused=len(rejected_rows(app)),
        waiting=asked.desk.uploads.waiting(),
        digests=there,
    )


def find(asked: Asked) -> Response:
    """Find a vehicle by number, plate or VIN; otherwise say what the codes mean."""
    name = asked.query.get("name", "").strip()
    if not name:
        return go_to("/")
    app = asked.desk.app
    try:
        story = vehicle_story(app, name)
    except UnknownVehicleError as unknown:
        meanings = decode_code(app, name)
        known = [m for m in meanings if not isinstance(m, NoCode)]
        return asked.page("codes.html", name=name, meanings=known, unknown=str(unknown))
    page = vehicle_page(story.vehicle["vehicle_id"])
    has_page = (app.reports / page).is_file()
    about = [str(story.vehicle[name]) for name in _ABOUT if story.vehicle.get(name)]
    return asked.page("vehicle.html", story=story, about=about, page=page if has_page else "")


def bench(asked: Asked) -> Response:
    """Tell how the long work goes; the page asks again by itself until it is done."""
    return asked.page("bench.html")
