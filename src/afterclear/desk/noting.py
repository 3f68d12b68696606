"""Note who did what: every form that was sent and done, in words, and who came in and went."""

import logging
from typing import Final

from afterclear.commands.app import App
from afterclear.commands.trail import note, take_in_if_free
from afterclear.desk.door import Session
from afterclear.desk.request import Asked

# what was done, by the route of its form
DEEDS: Final = {
    "/bring": "brought files",
    "/bring/load": "loaded all files that waited",
    "/bring/{number}/load": "loaded a file",
    "/bring/{number}/drop": "left a file out",
    "/loads/{number:int}/back": "took a load back",
    "/loads/{number:int}/otherwise": "gave a load another vehicle or zone",
    "/refused/again": "had refused files read again",
    "/refused/vehicle": "named a vehicle",
    "/refused/meant": "said what a wrongly written name means",
    "/refused/workbook": "took refused rows as a workbook",
    "/bench/cancel": "cancelled what was under way",
    "/maps/{name}": "mended a map",
    "/forget": "had a vehicle forgotten",
    "/forget/finish": "had a forgetting finished",
    "/settings": "changed settings",
    "/judge": "had every fix judged",
    "/decide": "decided",
    "/decide/{number:int}/undo": "took a decision back",
}
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
        _LOG.exception("the desk: the store could not take in what was noted")


def note_deed(
    app: App, session: Session, did: str, about: str = "", vehicles: tuple[str, ...] = ()
) -> None:
    """Note what somebody did.  A full disk or a bug is told in the log: what is done is done."""
    who = session.user or session.person or "whoever has the key"
    try:
        note(app, who, session.role.name.lower(), did, about, vehicles)
    except Exception:  # noqa: BLE001 - it is done
        _LOG.exception("the desk: could not note that %s %s", who, did)
