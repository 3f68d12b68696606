"""Who did what."""

from starlette.responses import Response

from afterclear.commands.trail import trail
from afterclear.desk.request import Asked

_SHOWN = 500  # entries, the latest first


def who_did_what(asked: Asked) -> Response:
    """List who did what, the latest first."""
    return asked.page("trail.html", entries=trail(asked.desk.app, _SHOWN), most=_SHOWN)
