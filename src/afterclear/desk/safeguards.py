"""What every request passes first: host, origin, session, form token, size; and the headers back.

Against a page elsewhere that makes the browser speak to the desk: a foreign name that points here
(DNS rebinding) has a foreign Host; a form elsewhere has a foreign Origin and no token.
"""

from collections.abc import Awaitable, Callable

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import cookie_parser
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from afterclear.desk.door import Door

OPEN_PATHS = frozenset({"/enter", "/desk.css"})  # all others need a session
DIGESTS = "/pages/"
MOST_FORM_BYTES = 200_000  # of a form without files

_OWN_POLICY = "default-src 'none'; style-src 'self'; form-action 'self'; base-uri 'none'; "
# digests carry style and script within, and a stricter policy of their own that names both
_DIGEST_POLICY = (
    "default-src 'none'; style-src 'self' 'unsafe-inline'; script-src 'self' 'unsafe-inline'; "
    "img-src 'self' data:; form-action 'none'; base-uri 'none'; "
)
_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}


class Safeguards:
    """Refuse what does not come from the one browser that has the key."""

    def __init__(self, app: ASGIApp, door: Door, hosts: frozenset[str], most_bytes: int) -> None:
        self._app = app
        self._door = door
        self._hosts = hosts
        self._most_bytes = most_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it with the reason why not."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        sent = _with_headers(send, scope["path"])
        why = self._why_not(scope)
        if why:
            await PlainTextResponse(why, status_code=403)(scope, receive, sent)
            return
        await self._app(scope, _limited(receive, self._most_of(scope)), sent)

    def _why_not(self, scope: Scope) -> str:
        """Say why a request is refused; empty: it is not.  Puts its session into the scope."""
        headers = Headers(scope=scope)
        if headers.get("host", "") not in self._hosts:
            return "The desk answers only under its own address, which it printed at its start."
        origin = headers.get("origin")
        if scope["method"] != "GET" and origin not in {f"http://{host}" for host in self._hosts}:
            return "This form does not come from the desk."
        if scope["path"] in OPEN_PATHS:
            return ""
        cookies = cookie_parser(headers.get("cookie", ""))
        session = self._door.session(cookies.get(self._door.cookie_name, ""))
        if session is None:
            return (
                "You have no key for this desk. Use the address that 'afterclear desk' printed; it "
                "opens once. If that window is gone, start the desk again."
            )
        scope["session"] = session
        return ""

    def _most_of(self, scope: Scope) -> int:
        return self._most_bytes if scope["path"] == "/bring" else MOST_FORM_BYTES


def _limited(receive: Receive, most: int) -> Receive:
    """Count what a request sends, whatever length it stated."""
    n_bytes = 0

    async def counted() -> Message:
        nonlocal n_bytes
        message = await receive()
        n_bytes += len(message.get("body", b""))
        if n_bytes > most:
            raise HTTPException(413, f"This is larger than {most:,} bytes, which is the limit.")
        return message

    return counted


def _with_headers(send: Send, path: str) -> Callable[[Message], Awaitable[None]]:
    policy = _DIGEST_POLICY if path.startswith(DIGESTS) else _OWN_POLICY

    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            headers.update(_HEADERS)
            headers["Content-Security-Policy"] = policy + "frame-ancestors 'none'"
        await send(message)

    return sent
