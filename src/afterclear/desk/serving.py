"""Serve the desk on this machine until it is stopped."""

import socket
import webbrowser
from collections.abc import Callable
from contextlib import closing

import uvicorn

from afterclear.commands.app import App
from afterclear.desk.bench import Bench
from afterclear.desk.door import Door
from afterclear.desk.request import Desk
from afterclear.desk.routes import desk_site
from afterclear.desk.uploads import Uploads
from afterclear.errors import UsageError

ADDRESS = "127.0.0.1"
_MB = 1_000_000


def serve(app: App, port: int, say: Callable[[str], None], *, open_browser: bool) -> None:
    """Serve until a signal; what was brought and not loaded is gone afterwards.

    ``port``: 0 takes a free one.

    Raises:
        UsageError: the port is taken.

    """
    uploads = Uploads(app.store.with_name(f"{app.store.name}.desk"))
    door = Door()
    with closing(_listening(port)) as listening:
        port = listening.getsockname()[1]
        hosts = frozenset({f"{ADDRESS}:{port}", f"localhost:{port}"})
        most = int(app.config.settings.limits.max_file_mb * _MB)
        site = desk_site(Desk(app, Bench(), uploads), door, hosts, most)
        address = f"http://{ADDRESS}:{port}/enter?key={door.key}"
        say(f"The desk is at {address}\nThe address opens once. Ctrl-C ends it.")
        if open_browser:
            webbrowser.open(address)
        server = uvicorn.Server(
            uvicorn.Config(site, log_config=None, access_log=False, server_header=False)
        )
        try:
            server.run(sockets=[listening])
        finally:
            uploads.drop_all()


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
