"""Who did what."""

from starlette.responses import Response

from afterclear.commands.trail import trail
from afterclear.desk.request import Asked

_SHOWN = 500  # entries, the latest first


def who_did_what(asked: Asked) -> Response:
    """List who did what, the latest first."""
    app = asked.desk.app
    days = app.retention.trail_days
    return asked.page("trail.html", entries=trail(app, _SHOWN), most=_SHOWN, days=days)
