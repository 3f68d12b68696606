"""Note who did what: every form that was sent and done, in words, and who came in and went."""

import logging
from typing import Final

from afterclear.commands.app import App
from afterclear.commands.trail import note, take_in_if_free
from afterclear.desk.door import Session
from afterclear.desk.request import Asked
from afterclear.errors import worded

# what was done, by the route of its form
DEEDS: Final = {
    "/bring": worded("brought files"),
    "/bring/load": worded("loaded all files that waited"),
    "/bring/{number}/load": worded("loaded a file"),
    "/bring/{number}/drop": worded("left a file out"),
    "/loads/{number:int}/back": worded("took a load back"),
    "/loads/{number:int}/otherwise": worded("gave a load another vehicle or zone"),
    "/refused/again": worded("had refused files read again"),
    "/refused/vehicle": worded("named a vehicle"),
    "/refused/meant": worded("said what a wrongly written name means"),
    "/refused/workbook": worded("took refused rows as a workbook"),
    "/bench/cancel": worded("cancelled what was under way"),
    "/maps/{name}": worded("mended a map"),
    "/forget": worded("had a vehicle forgotten"),
    "/forget/finish": worded("had a forgetting finished"),
    "/settings": worded("changed settings"),
    "/judge": worded("had every fix judged"),
    "/decide": worded("decided"),
    "/decide/{number:int}/undo": worded("took a decision back"),
}
# ... without a form of the desk: who came in and went, and what was done at the terminal
OTHER_DEEDS: Final = (
    *(worded("signed in"), worded("signed out"), worded("added a user")),
    *(worded("removed a user"), worded("changed a password")),
)
_LOG: Final = logging.getLogger(__name__)


def note_done(asked: Asked, route: str) -> None:
    """Note that a form was sent and done; the store takes it in when it is free.

    Nothing that fails here is told to the person: what is done is done.
    """
    told, app = asked.told, asked.desk.app
    if told.is_nothing:
        return
    note_deed(app, asked.session, DEEDS.get(route, route), told.about, told.vehicles)
    try:
        if not asked.desk.bench.is_busy:
            take_in_if_free(app)
    except Exception:  # noqa: BLE001 - it is done
        _LOG.exception("the store could not take in what was noted at the desk")


def note_deed(
    app: App, session: Session, did: str, about: str = "", vehicles: tuple[str, ...] = ()
) -> None:
    """Note what somebody did.  A full disk or a bug is told in the log: what is done is done."""
    who = session.user or session.person or "whoever has the key"
    try:
        note(app, who, session.role.name.lower(), did, about, vehicles)
    except Exception:  # noqa: BLE001 - it is done
        _LOG.exception("what was done at the desk could not be noted")
