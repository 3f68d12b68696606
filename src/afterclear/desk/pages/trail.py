"""Who did what."""

from starlette.responses import Response

from afterclear.commands.queries.work_lines import DECIDED
from afterclear.commands.trail import trail
from afterclear.desk.noting import DEEDS, OTHER_DEEDS
from afterclear.desk.request import Asked

# as they are kept, with what each is called; others come from a program of another version
_DEEDS = {str(words): words for words in (*DEEDS.values(), *OTHER_DEEDS)}
_SHOWN = 500  # entries, the latest first


def who_did_what(asked: Asked) -> Response:
    """List who did what, the latest first."""
    app = asked.desk.app
    days = app.retention.trail_days
    return asked.page(
        "trail.html",
        entries=trail(app, _SHOWN),
        most=_SHOWN,
        days=days,
        deeds=_DEEDS,
        words={str(words): words for words in DECIDED.values()},
    )
