"""What every request passes first: host, origin, session, form token, size; and the headers back.

Against a page elsewhere that makes the browser speak to the desk: a foreign name that points here
(DNS rebinding) has a foreign Host; a form elsewhere has a foreign Origin and no token.
"""

import asyncio
import time
from collections.abc import Awaitable, Callable
from functools import cache
from typing import Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import cookie_parser
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from afterclear.desk.door import Door
from afterclear.desk.request import shut_out
from afterclear.errors import AfterclearError, worded
from afterclear.wording.cells import Cells

SIGN_IN: Final = "/sign-in"
OPEN_PATHS = frozenset({"/enter", SIGN_IN, "/desk.css", "/desk.js"})  # all others need a session
DIGESTS = "/pages/"
MOST_FORM_BYTES = 200_000  # of a form without files
_MOST_OPEN_BYTES = 10_000  # ... that anybody may send
_PAUSE_S = 60  # within what is sent
_MOST_S = 3600  # for all that is sent
_MOST_OPEN_S = 10  # ... by anybody
_NOT_IN: Final = worded(
    "You are not signed in any more. Sign in, then go back and send this form again."
)

_OWN_POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; "
)
# digests carry one script, the same on all, and each a style of its own, whose hash is in a
# stricter policy within the page
_DIGEST_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; script-src '{script}'; img-src 'self' data:; "
    "form-action 'none'; base-uri 'none'; "
)
_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}


class Safeguards:
    """Refuse what does not come from a browser that was let in."""

    def __init__(
        self,
        app: ASGIApp,
        door: Door,
        hosts: frozenset[str],
        most_bytes: int,
        cells: Callable[[], Cells],
    ) -> None:
        self._app = app
        self._door = door
        self._hosts = hosts
        self._scheme = "https" if door.is_secure else "http"
        self._most_bytes = most_bytes
        self._cells = cells  # how its pages write now

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it with the reason why not."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        sent = _with_headers(send, scope["path"])
        answer = self._refusal(scope)
        if answer is not None:
            await answer(scope, receive, sent)
            return
        await self._app(scope, limited(receive, *self._most_of(scope)), sent)

    def _refusal(self, scope: Scope) -> Response | None:
        """Answer a request that is refused; None: it is not.  Puts its session into the scope."""
        why = self._why_foreign(scope)
        if why:
            return PlainTextResponse(why, status_code=403)
        if scope["path"] in OPEN_PATHS:
            return None
        cookies = cookie_parser(Headers(scope=scope).get("cookie", ""))
        try:
            session = self._door.session(cookies.get(self._door.cookie_name, ""))
        except AfterclearError as error:  # of the users' file
            return PlainTextResponse(str(error), status_code=503)
        if session is None:
            return self._who_are_you(scope)
        scope["session"] = session
        return None

    def _why_foreign(self, scope: Scope) -> str:
        """Say why a request is not from a page of the desk; empty: it is."""
        headers = Headers(scope=scope)
        if self._door.is_secure and scope["scheme"] != "https":
            return "This desk is reached by https only, through its proxy if it has one."
        if headers.get("host", "").lower() not in self._hosts:
            return "The desk answers only under its own address, which it printed at its start."
        own = {f"{self._scheme}://{host}" for host in self._hosts}
        if scope["method"] not in {"GET", "HEAD"} and headers.get("origin") not in own:
            return "This form does not come from the desk."
        return ""

    def _who_are_you(self, scope: Scope) -> Response:
        if self._door.users is None:
            return PlainTextResponse(
                "You have no key for this desk. Use the address that 'afterclear desk' printed; it "
                "opens once. If that window is gone, start the desk again.",
                status_code=403,
            )
        if scope["method"] == "GET":
            return RedirectResponse(SIGN_IN, status_code=303)
        return shut_out(_NOT_IN, self._cells())

    def _most_of(self, scope: Scope) -> tuple[int, float]:
        """Give how many bytes a request may send, and in how many seconds."""
        if scope["path"] in OPEN_PATHS:
            return _MOST_OPEN_BYTES, _MOST_OPEN_S
        return self._most_bytes if scope["path"] == "/bring" else MOST_FORM_BYTES, _MOST_S


def limited(receive: Receive, most: int, most_s: float) -> Receive:
    """Count what a request sends, whatever length it stated, and wait for no trickle."""
    n_bytes, is_whole, until = 0, False, time.monotonic() + most_s

    async def counted() -> Message:
        nonlocal n_bytes, is_whole
        if is_whole:
            return await receive()  # that the browser is gone may come at any time
        try:
            message = await asyncio.wait_for(
                receive(), max(0, min(_PAUSE_S, until - time.monotonic()))
            )
        except TimeoutError as error:
            raise HTTPException(408, "This came too slowly, or never.") from error
        is_whole = not message.get("more_body", False)
        n_bytes += len(message.get("body", b""))
        if n_bytes > most:
            raise HTTPException(413, f"This is larger than {most:,} bytes, which is the limit.")
        return message

    return counted


@cache
def _digest_policy() -> str:
    from afterclear.digest.output.render import script_of_pages  # noqa: PLC0415 - slow to import

    return _DIGEST_POLICY.format(script=script_of_pages())


def _with_headers(send: Send, path: str) -> Callable[[Message], Awaitable[None]]:
    policy = _digest_policy() if path.startswith(DIGESTS) else _OWN_POLICY

    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            headers.update(_HEADERS)
            headers["Content-Security-Policy"] = policy + "frame-ancestors 'none'"
        await send(message)

    return sent
