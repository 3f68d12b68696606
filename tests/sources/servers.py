"""Real servers on this machine: web (plain and TLS), SFTP, S3-compatible, IMAP.

Each yields its port (or address) and stops with the block.  Libraries from the registries; none
of our own code is in them but the faults a test asks for.
"""

import asyncio
import base64
import imaplib
import logging
import socket
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import asyncssh
import trustme
from moto.server import ThreadedMotoServer

USER, PASSWORD = "yard", "pa ss/w:rd%21"


@dataclass
class Faults:
    """What a server does wrong, and what it was asked."""

    answers: list[int] = field(default_factory=list)  # status codes of the next answers
    cut_after: int | None = None  # bytes after which the next file breaks off
    redirect_to: str | None = None  # of the next answers, until taken away
    promises: int | None = None  # bytes that HEAD says a file has; its GET promises none
    drips: bool = False  # a byte now and then, for ever
    asked: list[tuple[str, str, str | None]] = field(default_factory=list)


class _Handler(SimpleHTTPRequestHandler):
    """Files of a folder behind a login."""

    def __init__(self, faults: Faults, *args: object, directory: str) -> None:
        self.faults = faults
        super().__init__(*args, directory=directory)  # type: ignore[arg-type]

    def _stopped(self) -> bool:
        login = self.headers.get("Authorization")
        self.faults.asked.append((self.command, self.path, login))
        wanted = "Basic " + base64.b64encode(f"{USER}:{PASSWORD}".encode()).decode()
        if self.faults.answers and (code := self.faults.answers.pop(0)) != 200:
            self.send_error(code)
        elif login != wanted:
            self.send_error(401)
        elif self.faults.redirect_to:
            self.send_response(302)
            self.send_header("Location", self.faults.redirect_to)
            if self.faults.redirect_to.startswith("/"):
                self.faults.redirect_to = None
            self.end_headers()
        else:
            return False
        return True

    def do_HEAD(self) -> None:
        if self._stopped():
            return
        if self.faults.promises is None:
            super().do_HEAD()
            return
        self.send_response(200)
        self.send_header("Content-Length", str(self.faults.promises))
        self.send_header("ETag", '"one"')
        self.end_headers()

    def _without_promise(self) -> None:
        self.send_response(200)
        self.end_headers()
        self.close_connection = True
        with suppress(OSError):
            if self.faults.drips:
                while True:
                    self.wfile.write(b"x")
                    time.sleep(0.05)
            self.wfile.write(Path(self.translate_path(self.path)).read_bytes())

    def do_GET(self) -> None:
        if self._stopped():
            return
        if self.faults.promises is not None and not self.path.endswith("/"):
            self._without_promise()
            return
        if self.faults.cut_after is None or self.path.endswith("/"):
            super().do_GET()
            return
        content = Path(self.translate_path(self.path)).read_bytes()
        self.send_response(200)
        self.send_header("Content-Length", str(len(content)))
        self.end_headers()
        self.wfile.write(content[: self.faults.cut_after])
        self.faults.cut_after = None
        self.close_connection = True

    def log_message(self, *_: object) -> None:
        """Stay quiet."""


@contextmanager
def web_server(
    folder: Path, certificate: trustme.LeafCert | None = None
) -> Iterator[tuple[int, Faults]]:
    faults = Faults()
    handler = partial(_Handler, faults, directory=str(folder))
    with ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        if certificate is not None:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            certificate.configure_cert(context)
            server.socket = context.wrap_socket(server.socket, server_side=True)
            server.handle_error = lambda *_: None  # type: ignore[method-assign]
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            yield server.server_address[1], faults
        finally:
            server.shutdown()
            thread.join()


@contextmanager
def sftp_server(folder: Path, known_hosts: Path) -> Iterator[int]:
    """Serve a folder; write the server's key to ``known_hosts``."""
    logging.getLogger("asyncssh").setLevel(logging.CRITICAL)
    key = asyncssh.generate_private_key("ssh-ed25519")

    callers: list[asyncssh.SSHServerConnection] = []

    class Login(asyncssh.SSHServer):
        def connection_made(self, conn: asyncssh.SSHServerConnection) -> None:
            callers.append(conn)

        def password_auth_supported(self) -> bool:
            return True

        def validate_password(self, username: str, password: str) -> bool:
            return (username, password) == (USER, PASSWORD)

    loop = asyncio.new_event_loop()

    async def listen() -> asyncssh.SSHAcceptor:
        return await asyncssh.listen(
            "127.0.0.1",
            0,
            server_factory=Login,
            server_host_keys=[key],
            sftp_factory=lambda channel: asyncssh.SFTPServer(channel, chroot=str(folder)),
        )

    acceptor = loop.run_until_complete(listen())
    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    port = acceptor.get_port()
    known_hosts.write_bytes(b"[127.0.0.1]:%d " % port + key.export_public_key())

    async def close() -> None:
        acceptor.close()
        await acceptor.wait_closed()
        for caller in callers:
            caller.abort()
            await caller.wait_closed()
        await asyncio.sleep(0.05)  # transports close in the loop's next turns

    try:
        yield port
    finally:
        asyncio.run_coroutine_threadsafe(close(), loop).result(10)
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        loop.close()


@contextmanager
def s3_server() -> Iterator[str]:
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    try:
        host, port = server.get_host_and_port()
        yield f"http://{host}:{port}"
    finally:
        server.stop()


def free_port() -> int:
    with socket.socket() as place:
        place.bind(("127.0.0.1", 0))
        return int(place.getsockname()[1])


@contextmanager
def imap_server() -> Iterator[int]:
    port = free_port()
    words = ["--host", "127.0.0.1", "--port", str(port), "--no-tls", "--no-service", "admin"]
    words += ["--no-service", "managesieve", "dict", "--demo-data"]
    words += ["--demo-user", USER, "--demo-password", PASSWORD]
    command = [sys.executable, "-c", "from pymap.main import main; main()", *words]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as child:
        try:
            _wait_for(lambda: socket.create_connection(("127.0.0.1", port), 1).close())
            yield port
        finally:
            child.terminate()


@contextmanager
def in_tls(port: int, certificate: trustme.LeafCert) -> Iterator[int]:
    """Put TLS before a plain server: yield the port that speaks it."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    certificate.configure_cert(context)
    ear = socket.create_server(("127.0.0.1", 0))

    def pass_on(one: socket.socket, other: socket.socket) -> None:
        with suppress(OSError):
            while data := one.recv(1 << 16):
                other.sendall(data)
        for end in (one, other):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def serve() -> None:
        with suppress(OSError):
            while True:
                caller, _ = ear.accept()
                try:
                    safe = context.wrap_socket(caller, server_side=True)
                except OSError:
                    caller.close()
                    continue
                behind = socket.create_connection(("127.0.0.1", port))
                ways = [
                    threading.Thread(target=pass_on, args=ends)
                    for ends in ((safe, behind), (behind, safe))
                ]
                for way in ways:
                    way.start()
                for way in ways:
                    way.join()
                safe.close()
                behind.close()

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield ear.getsockname()[1]
    finally:
        with suppress(OSError):
            ear.shutdown(socket.SHUT_RDWR)
        ear.close()
        thread.join()


def put_mail(port: int, *messages: bytes) -> None:
    with imaplib.IMAP4("127.0.0.1", port) as client:
        client.login(USER, PASSWORD)
        for message in messages:
            assert client.append("INBOX", None, None, message)[0] == "OK"  # type: ignore[arg-type]


def _wait_for(ready: Callable[[], object]) -> None:
    give_up_at = time.monotonic() + 30
    while True:
        try:
            ready()
        except OSError:
            if time.monotonic() > give_up_at:
                raise
            time.sleep(0.05)
        else:
            return
