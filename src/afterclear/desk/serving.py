"""Serve the desk on this machine until it is stopped."""

import socket
import threading
import webbrowser
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import uvicorn

from afterclear.commands.app import App
from afterclear.commands.scheduler_state import hold_desk
from afterclear.desk.bench import Bench
from afterclear.desk.door import Door
from afterclear.desk.request import Desk
from afterclear.desk.routes import desk_site
from afterclear.desk.uploads import Uploads
from afterclear.errors import UsageError

ADDRESS = "127.0.0.1"
_MB = 1_000_000
_PATIENCE_S = 2  # for requests that are under way when it is stopped
_MOST_AT_ONCE = 64  # connections


def serve(app: App, port: int, say: Callable[[str], None], *, open_browser: bool) -> None:
    """Serve until a signal; what was brought and not loaded is gone afterwards.

    ``port``: 0 takes a free one.

    Raises:
        UsageError: the port is taken, or a desk of this garage is open already.

    """
    with hold_desk(app) as folder, closing(_listening(port)) as listening:
        port = listening.getsockname()[1]
        door, bench, uploads = Door(port), Bench(app), Uploads(folder)
        hosts = frozenset({f"{ADDRESS}:{port}", f"localhost:{port}"})
        most = int(app.config.settings.limits.max_file_mb * _MB)
        site = desk_site(Desk(app, bench, uploads), door, hosts, most)
        address = f"http://{ADDRESS}:{port}/enter?key={door.key}"
        say(f"The desk is at {address}\nThe address opens once. Ctrl-C ends it.")
        if open_browser:
            _open(address, uploads.own_page(_forward(address)))
        config = uvicorn.Config(
            site,
            log_config=None,
            access_log=False,
            server_header=False,
            limit_concurrency=_MOST_AT_ONCE,
            timeout_graceful_shutdown=_PATIENCE_S,
        )
        try:
            uvicorn.Server(config).run(sockets=[listening])
        finally:
            bench.stop()
            uploads.drop_all()


def _open(address: str, page: Path | None) -> None:
    """Open the browser by a file only its owner reads: who is on the machine sees its arguments."""
    place = page.as_uri() if page is not None else address
    # some browsers keep whoever opens them waiting
    threading.Thread(target=webbrowser.open, args=(place,), daemon=True).start()


def _forward(address: str) -> str:
    return (
        f'<!DOCTYPE html><meta http-equiv="refresh" content="0;url={address}">'
        f'<a href="{address}">Open the desk</a>'
    )


def _listening(port: int) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((ADDRESS, port))
        listening.listen()  # whoever is quicker than the server waits instead of being refused
    except OSError as error:
        listening.close()
        raise UsageError(
            f"Port {port} of this machine is taken; another desk may be open. Choose another one "
            "with --port, or leave --port out."
        ) from error
    return listening
