"""The command ``sheet``."""

from pathlib import Path

import click

from afterclear.cli.frame import with_app
from afterclear.commands.app import App
from afterclear.commands.pages.write_sheet import write_sheet


@click.command("sheet")
@click.argument("vehicle_id")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Where to (default: sheets/ in the reports folder).",
)
@with_app
def command(app: App, vehicle_id: str, out: Path | None) -> None:
    """Write the sheet that VEHICLE_ID takes into the workshop: one side of A4, to be filled in.

    It has what was tried before and with which part, what not to fit, which check tells the causes
    apart and what to read. A plate or VIN does as well, whatever its capitals and blanks.
    """
    click.echo(f"Open {write_sheet(app, vehicle_id, out)}")
