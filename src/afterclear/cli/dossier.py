"""The command ``dossier``."""

from pathlib import Path

import click

from afterclear.cli.frame import with_app
from afterclear.commands.app import App
from afterclear.commands.pages.dossiers import write_dossier


@click.command("dossier")
@click.argument("vehicle_id")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The page to write (default: one named for the vehicle, under reports/).",
)
@click.option("--pdf", is_flag=True, help="Print it as a PDF beside the page; needs Chromium.")
@with_app
def command(app: App, vehicle_id: str, out: Path | None, *, pdf: bool) -> None:
    """Write what the records show of VEHICLE_ID: one page to print and sign.

    It has the verdict with its reasons, identification numbers, the odometer as shown and as
    joined, every scan, work order and clear with the SHA-256 of its file, and what the records do
    not show.  A plate or VIN does as well, whatever its capitals and blanks.
    """
    written = write_dossier(app, vehicle_id, out, pdf=pdf)
    if written.paper:
        click.echo(f"Printed {written.paper}")
    if written.notice:
        click.echo(written.notice, err=True)
    click.echo(f"Dossier of {written.vehicle_id} written. Open {written.page}")
