"""Real servers on this machine: SMTP with certificates of our own, and a receiver of webhooks."""

import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword


@dataclass
class Box:
    """What a mail server took, and how it is to answer."""

    letters: list[EmailMessage] = field(default_factory=list)
    recipients: list[str] = field(default_factory=list)
    answers: list[str] = field(default_factory=list)  # replies to the next letters, then 250
    refused: str | None = None  # a recipient it does not know

    async def handle_RCPT(  # noqa: N802  (aiosmtpd's own name)
        self, _server: Any, _session: Any, envelope: Any, address: str, _options: Any
    ) -> str:
        if address == self.refused:
            return "550 no such mailbox"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, _server: Any, _session: Any, envelope: Any) -> str:  # noqa: N802
        if self.answers:
            return self.answers.pop(0)
        letter = message_from_bytes(envelope.content, policy=policy.default)
        assert isinstance(letter, EmailMessage)
        self.letters.append(letter)
        self.recipients += envelope.rcpt_tos
        return "250 OK"


@dataclass(frozen=True)
class Server:
    """A running mail server."""

    port: int
    box: Box
    ca_file: Path


def _check(_server: Any, _session: Any, _envelope: Any, _how: str, told: LoginPassword) -> Any:
    known = told.login == b"post" and told.password == b"secret word"
    return AuthResult(success=known, handled=False)  # the server itself answers a wrong one


def free_port() -> int:
    """Find a port nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@contextmanager
def mail_server(folder: Path, *, login: bool = False) -> Iterator[Server]:
    """Run a server that takes mail after STARTTLS only."""
    authority = trustme.CA()
    ca_file = folder / "authority.pem"
    authority.cert_pem.write_to_path(str(ca_file))
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("localhost", "127.0.0.1").configure_cert(context)
    box = Box()
    controller = Controller(
        box,
        hostname="127.0.0.1",
        port=free_port(),
        tls_context=context,
        require_starttls=True,
        auth_required=login,
        authenticator=_check if login else None,
    )
    controller.start()
    try:
        yield Server(controller.port, box, ca_file)
    finally:
        controller.stop()


@dataclass
class Receiver:
    """A receiver of webhooks: what came, and how it answers."""

    port: int = 0
    taken: list[tuple[bytes, dict[str, str]]] = field(default_factory=list)
    answers: list[int] = field(default_factory=list)  # statuses of the next posts, then 204


@contextmanager
def hook_server() -> Iterator[Receiver]:
    """Run a receiver."""
    receiver = Receiver()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            receiver.taken.append((body, dict(self.headers.items())))
            status = receiver.answers.pop(0) if receiver.answers else 204
            self.send_response(status)
            if 300 <= status < 400:
                self.send_header("Location", f"http://127.0.0.1:{receiver.port}/elsewhere")
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    receiver.port = server.server_address[1]
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield receiver
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
