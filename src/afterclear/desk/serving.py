"""Serve the desk, on this machine or to those who have a password, until it is stopped."""

import errno
import socket
import threading
import webbrowser
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import uvicorn

from afterclear.commands.app import App
from afterclear.commands.scheduler_state import hold_desk, users_file
from afterclear.commands.trail import take_in_if_free
from afterclear.desk.door import Door
from afterclear.desk.long_work.bench import Bench
from afterclear.desk.long_work.timetable import Timetable
from afterclear.desk.opening import THIS_MACHINE, Opening, check_opening
from afterclear.desk.request import Desk
from afterclear.desk.routes import desk_site
from afterclear.desk.safeguards import Safeguards
from afterclear.desk.uploads import Uploads
from afterclear.desk.users import Users
from afterclear.errors import UsageError

_MB = 1_000_000
_PATIENCE_S = 2  # for requests that are under way when it is stopped
_MOST_AT_ONCE = 64  # connections


def serve(app: App, opening: Opening, say: Callable[[str], None], *, open_browser: bool) -> None:
    """Serve until a signal; what was brought and not loaded is gone afterwards.

    Raises:
        UsageError: the port is taken, a desk of this garage is open already, or others would be
            let in without users or TLS.

    """
    users = Users(users_file(app)) if opening.listen else None
    check_opening(opening, users.all() if users else ())
    with hold_desk(app) as folder, closing(_listening(opening)) as listening:
        port = listening.getsockname()[1]
        door, bench, uploads = Door(port, users, clock=app.clock), Bench(app), Uploads(folder)
        most = int(app.config.settings.limits.max_file_mb * _MB)
        timetable = Timetable(app)
        desk = Desk(app, bench, uploads, timetable.follow if opening.schedule else _nothing)
        site = desk_site(desk, door, opening.hosts(port), most)
        if opening.listen:
            say(f"The desk is at {opening.shown(port)}\nCtrl-C ends it.")
        else:
            address = f"http://{THIS_MACHINE}:{port}/enter?key={door.key}"
            say(f"The desk is at {address}\nThe address opens once. Ctrl-C ends it.")
            if open_browser:
                _open(address, uploads.own_page(_forward(address)))
        take_in_if_free(app)
        if opening.schedule:
            timetable.begin()
        try:
            uvicorn.Server(_config(site, opening)).run(sockets=[listening])
        finally:
            timetable.stop()
            desk.judge.stop()
            bench.stop()
            uploads.drop_all()
            desk.readings.let_go()
            take_in_if_free(app)


def _nothing(_: App) -> None:
    """Nobody keeps the timetable."""


def _config(site: Safeguards, opening: Opening) -> uvicorn.Config:
    return uvicorn.Config(
        site,
        log_config=None,
        access_log=False,
        server_header=False,
        limit_concurrency=_MOST_AT_ONCE,
        timeout_graceful_shutdown=_PATIENCE_S,
        ssl_certfile=opening.certificate,
        ssl_keyfile=opening.key,
        proxy_headers=bool(opening.proxy),
        forwarded_allow_ips=opening.proxy,
    )


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


def _listening(opening: Opening) -> socket.socket:
    family = socket.AF_INET6 if ":" in opening.address else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((opening.address, opening.port))
        listening.listen()  # whoever is quicker than the server waits instead of being refused
    except OSError as error:
        listening.close()
        raise UsageError(_why_not(opening, error)) from error
    return listening


def _why_not(opening: Opening, error: OSError) -> str:
    if error.errno == errno.EADDRINUSE:
        return (
            f"Port {opening.port} of this machine is taken; another desk may be open. Choose "
            "another one with --port, or leave --port out."
        )
    return f"The desk cannot listen on {opening.address}, port {opening.port}: {error.strerror}."
