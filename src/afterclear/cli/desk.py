"""The command ``desk``."""

import click

from afterclear.cli.frame import with_app
from afterclear.commands.app import App
from afterclear.errors import Stopped


@click.command("desk")
@click.option("--port", default=0, help="Port on this machine (default: a free one).")
@click.option("--no-browser", is_flag=True, help="Print the address, open no browser.")
@with_app
def command(app: App, port: int, *, no_browser: bool) -> None:
    """Open the desk: bring files, look at what was refused, decide, in a browser on this machine.

    It listens on 127.0.0.1 only and lets in the one browser that has the printed address.
    """
    # slow to import, and only wanted here
    from afterclear.desk.serving import serve  # noqa: PLC0415

    try:
        serve(app, port, click.echo, open_browser=not no_browser)
    except Stopped:
        # a request to stop is its normal end
        click.echo("Stopped.")
