"""Which page answers which address, and who may ask for it.

Each needs a session, but those of ``OPEN_PATHS``.  Users with the role ``DECIDE`` do the daily
work, all of which can be undone; what cannot, and what concerns others, needs ``ADMIN``.
"""

import logging
import re
from collections.abc import Awaitable, Callable
from contextlib import nullcontext
from pathlib import Path
from typing import Final

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from afterclear.commands.machine_words import machine_words
from afterclear.desk.door import Door, Session
from afterclear.desk.entrance import FORM_TOKEN, entrance_routes
from afterclear.desk.noting import note_done
from afterclear.desk.pages import bringing, deciding, forgetting, home, loads, maps, settings, trail
from afterclear.desk.request import FOREIGN_FORM, MOST_FILES, Asked, Desk, text_of
from afterclear.desk.safeguards import DIGESTS, Safeguards
from afterclear.desk.turn import Turn
from afterclear.desk.users import Role
from afterclear.errors import AfterclearError, StoreInUseError, UsageError, told_by, worded

Page = Callable[[Asked], Response]

PAGES: Final[tuple[tuple[str, str, Role, Page], ...]] = (
    ("GET", "/", Role.READ, home.home),
    ("GET", "/find", Role.READ, home.find),
    ("GET", "/bench", Role.READ, home.bench),
    ("GET", "/bench/lines", Role.READ, home.bench_lines),
    ("POST", "/bench/cancel", Role.DECIDE, home.cancel),
    ("GET", "/bring", Role.DECIDE, bringing.bring),
    ("POST", "/bring", Role.DECIDE, bringing.keep),
    ("POST", "/bring/load", Role.DECIDE, bringing.load_all),
    ("GET", "/bring/{number}", Role.DECIDE, bringing.look),
    ("POST", "/bring/{number}/load", Role.DECIDE, bringing.load),
    ("POST", "/bring/{number}/drop", Role.DECIDE, bringing.drop),
    ("GET", "/maps", Role.DECIDE, maps.maps),
    ("GET", "/maps/{name}", Role.DECIDE, maps.one_map),
    ("POST", "/maps/{name}", Role.DECIDE, maps.mend),
    ("GET", "/loads", Role.READ, loads.loads),
    ("POST", "/loads/{number:int}/back", Role.DECIDE, loads.take_back),
    ("POST", "/loads/{number:int}/otherwise", Role.DECIDE, loads.put_otherwise),
    ("POST", "/refused/again", Role.DECIDE, loads.read_again),
    ("POST", "/refused/workbook", Role.DECIDE, loads.workbook),
    ("POST", "/refused/vehicle", Role.DECIDE, loads.name_vehicle),
    ("POST", "/refused/meant", Role.DECIDE, loads.mend_name),
    ("POST", "/judge", Role.DECIDE, loads.judge),
    ("GET", "/refused", Role.READ, loads.refused),
    ("GET", "/decide", Role.READ, deciding.work),
    ("POST", "/decide", Role.DECIDE, deciding.decide_on),
    ("POST", "/decide/{number:int}/undo", Role.DECIDE, deciding.undo_one),
    ("GET", "/forget", Role.ADMIN, forgetting.ask),
    ("POST", "/forget", Role.ADMIN, forgetting.forget_one),
    ("POST", "/forget/finish", Role.ADMIN, forgetting.finish),
    ("GET", "/settings", Role.ADMIN, settings.settings),
    ("POST", "/settings", Role.ADMIN, settings.change),
    ("GET", "/trail", Role.ADMIN, trail.who_did_what),
)
_WRONG = 400  # statuses from here on
_MOST_FIELDS = 5_000
_OWN_FILES: Final = {"desk.css": "text/css", "desk.js": "text/javascript"}
_NEED_NO_STORE: Final = frozenset({"/", "/find", "/settings", "/trail"})
_NOR_BELOW: Final = ("/bring", "/bench", "/maps")  # nor does anything below these
_TEXT_AREAS: Final = frozenset({"text", "was"})  # fields of them, and what they were
_ENDS: Final = re.compile(r"[\r\n\t]")
_CONTROL: Final = re.compile(r"[\x00-\x1f\x7f]")
_NEED_NO_TURN: Final = frozenset({"/bench", "/bench/lines"})  # nor a look at the store
_TURN_WITHIN_S: Final = 10.0  # a person waits
_FEWER: Final = worded("Bring fewer files at once, or packed into an archive.")
_SENT_WRONG: Final = {
    408: worded("What was sent came too slowly, or never."),
    413: worded("What was sent is larger than is taken at once."),
}
_NOT_YET: Final = worded("Somebody's file is being looked at. Try again in a moment.")
_IN_USE: Final = worded("The store is being written just now. Look again in a moment.")
_FAILED: Final = worded("The program failed here; this is its own fault, and the log has it.")
_LOG: Final = logging.getLogger(__name__)


def desk_site(desk: Desk, door: Door, hosts: frozenset[str], most_bytes: int) -> Safeguards:
    """Put pages, digests and safeguards together.

    ``hosts``: what a browser may call it, as ``127.0.0.1:8000``.  ``most_bytes``: of files brought
    at once.
    """
    desk.most_bytes = most_bytes
    desk.app.reports.mkdir(parents=True, exist_ok=True)
    site = Starlette(
        routes=[
            *entrance_routes(door, desk),
            *(Route(f"/{name}", _own_file(name), methods=["GET"]) for name in _OWN_FILES),
            *(
                Route(path, _answered(desk, role, page), methods=[m])
                for m, path, role, page in PAGES
            ),
            Mount(DIGESTS, StaticFiles(directory=desk.app.reports, html=True)),
        ],
        exception_handlers={status: _not_taken(desk) for status in (400, 408, 413)},
    )
    return Safeguards(site, door, hosts, most_bytes, lambda: desk.cells)


def _not_taken(desk: Desk) -> Callable[[Request, Exception], Response]:
    """Answer in a page, with a way on, where what was sent is too much or comes too slowly."""

    def answer(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)  # noqa: S101 - one with a status
        why = _SENT_WRONG.get(error.status_code) or error.detail
        fewer = _FEWER if request.url.path == "/bring" else ""
        text = worded("{why} {fewer}", why=why, fewer=fewer)
        session = request.scope.get("session")
        page = text_of("problem.html", desk.cells, session=session, bench=desk.bench, text=text)
        return HTMLResponse(page, error.status_code)

    return answer


def _own_file(name: str) -> Callable[[Request], Awaitable[Response]]:
    text = (Path(__file__).parent / "templates" / name).read_text(encoding="utf-8")

    async def answer(_: Request) -> Response:
        return Response(text, media_type=_OWN_FILES[name])

    return answer


def _answered(desk: Desk, role: Role, page: Page) -> Callable[[Request], Awaitable[Response]]:
    async def answer(request: Request) -> Response:
        session: Session = request.scope["session"]
        if session.role < role:  # before anything it sends is read
            text = worded(
                "{user} may not do this; it needs the role {role}.",
                user=session.user,
                role=role.name.lower(),
            )
            return Asked(desk, session).page("problem.html", status=403, text=text)
        async with request.form(max_files=MOST_FILES, max_fields=_MOST_FIELDS) as form:
            if request.method != "GET" and not session.is_own_form(str(form.get(FORM_TOKEN, ""))):
                return Asked(desk, session).page(
                    "problem.html", status=403, text=FOREIGN_FORM, sign_in=bool(session.user)
                )
            asked = _asked(desk, session, request, form)
            if request.url.path in _NEED_NO_TURN:
                return await run_in_threadpool(_page_or_problem, page, asked, request)
            return await _in_turn(page, asked, request)

    return answer


def _asked(desk: Desk, session: Session, request: Request, form: FormData) -> Asked:
    fields = form.multi_items()
    typed = {name: value for name, value in fields if isinstance(value, str)}
    return Asked(
        desk=desk,
        session=session,
        path={name: str(value) for name, value in request.path_params.items()},
        query=dict(request.query_params),
        form=typed | ({"by": session.user} if session.user else {}),  # nobody signs for another
        chosen=tuple(str(value) for name, value in fields if name == "chosen"),
        codes=tuple(str(value) for name, value in fields if name == "code"),
        files=tuple(value for _, value in fields if isinstance(value, UploadFile)),
    )


def _check_signs(asked: Asked) -> None:
    """Refuse what nobody types: such a sign ends a word of a command, or a line of the log.

    Answers about a file may hold a heading or a word of it, whatever that is.
    """
    boxes = [*(("chosen", box) for box in asked.chosen), *(("code", box) for box in asked.codes)]
    fields = [*asked.form.items(), *boxes]
    for name, text in fields:
        typed = _ENDS.sub("", text) if name in _TEXT_AREAS else text
        if _CONTROL.search(typed) and not name.startswith(bringing.ANSWER):
            raise UsageError(
                worded("The field {name!r} has a control character in it. Type it anew.", name=name)
            )


# what pages use of the store belongs to the process, not to a thread
TURN: Final = Turn()


async def _in_turn(page: Page, asked: Asked, request: Request) -> Response:
    """Answer when it is this page's turn; one that waits holds no thread of those who need none."""
    async with TURN.within(_TURN_WITHIN_S) as is_its_turn:
        if not is_its_turn:
            return asked.page("problem.html", status=503, text=_NOT_YET)
        return await run_in_threadpool(_page_or_problem, page, asked, request)


def _page_or_problem(page: Page, asked: Asked, request: Request) -> Response:
    """Answer, or say in a page what was wrong; nothing was changed then."""
    path = request.url.path
    try:
        _check_signs(asked)
        if not asked.desk.app.store.exists() and not _needs_no_store(path):
            return asked.page("nothing_yet.html")
        # a file that is looked at may take a while: the store is not held open meanwhile
        is_quick = request.method == "GET" and not path.startswith(_NOR_BELOW)
        readings = asked.desk.readings
        if not is_quick:
            readings.let_go()
        with readings.reading() if is_quick else nullcontext():
            answer = page(asked)
        if request.method == "POST" and answer.status_code < _WRONG:
            note_done(asked, _route(request))
        return answer  # noqa: TRY300 - what fails above is told below
    except StoreInUseError:
        return asked.page("problem.html", status=503, text=_IN_USE)
    except AfterclearError as error:
        return asked.page("problem.html", status=400, text=told_by(error))
    except Exception as error:  # noqa: BLE001 - a person waits for words
        if isinstance(error, OSError) and (text := machine_words(error)):
            return asked.page("problem.html", status=507, text=worded("Not done: {why}.", why=text))
        _LOG.exception("a page of the desk broke", extra={"facts": {"page": _route(request)}})
        return asked.page("problem.html", status=500, text=_FAILED)


def _route(request: Request) -> str:
    """Give the form of an address, without the vehicle or file it is about."""
    return str(request.scope["route"].path)


def _needs_no_store(path: str) -> bool:
    return path in _NEED_NO_STORE or path.startswith(_NOR_BELOW)
