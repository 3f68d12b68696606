"""How a browser comes in and goes: by the key, or by a name and a password."""

import logging
import secrets
from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from afterclear.desk.door import Door, Session, is_same
from afterclear.desk.noting import note_deed
from afterclear.desk.request import FOREIGN_FORM, Desk, shut_out, text_of
from afterclear.desk.safeguards import SIGN_IN
from afterclear.errors import UsageError, told_by, worded

FORM_TOKEN: Final = "form_token"  # noqa: S105 - the name of a field
_TOO_OLD: Final = worded("This form is too old. Please type it again.")
_WRONG: Final = worded("Name or password is wrong.")
SIGN_OUT: Final = "/sign-out"
_LOG: Final = logging.getLogger(__name__)


def entrance_routes(door: Door, desk: Desk) -> list[Route]:
    """Give the routes that open and end sessions: by the key, or for users."""
    ways = _Entrance(door, desk)
    if door.users is None:
        return [Route("/enter", ways.enter, methods=["GET"])]
    return [
        Route(SIGN_IN, ways.ask, methods=["GET"]),
        Route(SIGN_IN, ways.sign_in, methods=["POST"]),
        Route(SIGN_OUT, ways.leave, methods=["POST"]),
    ]


class _Entrance:
    def __init__(self, door: Door, desk: Desk) -> None:
        self._door = door
        self._desk = desk
        self._before = f"{door.cookie_name}_before"  # a cookie of who is not in yet

    async def enter(self, request: Request) -> Response:
        cookie = self._door.enter(request.query_params.get("key", ""))
        if cookie is None:
            return PlainTextResponse(
                "This key has been used, or is none. Start the desk again.", status_code=403
            )
        return self._let_in(cookie)

    async def ask(self, request: Request) -> Response:
        return self._page(request)

    async def sign_in(self, request: Request) -> Response:
        async with request.form(max_files=0, max_fields=10) as form:
            said = {name: value for name, value in form.items() if isinstance(value, str)}
        # there is no session yet: the token stands in a cookie, which only our pages set
        if not is_same(said.get(FORM_TOKEN) or "-", request.cookies.get(self._before, "")):
            return self._page(request, _TOO_OLD, 403)
        address = request.client.host if request.client else ""
        name, password = said.get("name", "").strip(), said.get("password", "")
        try:
            cookie = await run_in_threadpool(self._door.sign_in, name, password, address)
        except UsageError as error:
            return self._page(request, told_by(error), 429)
        if cookie is None:
            # at most as many lines as tries are looked at
            _LOG.warning("a wrong name or password", extra={"facts": {"address": address}})
            return self._page(request, _WRONG, 403)
        await self._note(self._door.session(cookie), "signed in", address)
        return self._let_in(cookie)

    async def leave(self, request: Request) -> Response:
        session: Session = request.scope["session"]
        async with request.form(max_files=0, max_fields=10) as form:
            if not session.is_own_form(str(form.get(FORM_TOKEN, ""))):
                return shut_out(FOREIGN_FORM, self._desk.cells)
        await self._note(session, "signed out")
        self._door.leave(request.cookies.get(self._door.cookie_name, ""))
        answer = RedirectResponse(SIGN_IN, status_code=303)
        answer.delete_cookie(self._door.cookie_name, secure=True, httponly=True, samesite="strict")
        return answer

    async def _note(self, session: Session | None, did: str, about: str = "") -> None:
        if session is not None:
            await run_in_threadpool(note_deed, self._desk.app, session, did, about)

    def _page(self, request: Request, problem: str = "", status: int = 200) -> Response:
        token = request.cookies.get(self._before) or secrets.token_urlsafe(24)
        facts = {"session": None, "bench": None, "token": token, "problem": problem}
        text = text_of("sign_in.html", self._desk.cells, **facts)
        answer = HTMLResponse(text, status_code=status)
        self._set(answer, self._before, token)
        return answer

    def _let_in(self, cookie: str) -> Response:
        # no redirect: with one, a browser that comes from elsewhere sends no strict cookie
        answer = HTMLResponse(text_of("go_in.html", self._desk.cells))
        self._set(answer, self._door.cookie_name, cookie)
        return answer

    def _set(self, answer: Response, name: str, value: str) -> None:
        secure = self._door.is_secure
        answer.set_cookie(name, value, httponly=True, samesite="strict", path="/", secure=secure)
