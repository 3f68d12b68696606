"""The command ``reassign``."""

import click

from afterclear.cli.frame import tell, tell_load, with_app
from afterclear.cli.load import known_zone
from afterclear.cli.words import read_again_line
from afterclear.commands.app import App
from afterclear.commands.intake.retracting import Otherwise, reassign
from afterclear.errors import UsageError


@click.command("reassign")
@click.argument("load_id", type=int, metavar="LOAD")
@click.option("--vehicle", help="Whose file it is, for files that name no vehicle.")
@click.option("--zone", callback=known_zone, help="Zone of times without an offset.")
@with_app
def command(app: App, load_id: int, vehicle: str | None, zone: str | None) -> None:
    """Put a load under another vehicle or zone: its file is read again with it.

    Loads that had built on it are read again, too.
    """
    if not vehicle and not zone:
        raise UsageError("Say what is otherwise: --vehicle ID, --zone ZONE, or both.")
    report = reassign(app, load_id, Otherwise(vehicle or None, zone), tell_load)
    tell(read_again_line(len(report.results)))
    if report.exit_code:
        raise SystemExit(report.exit_code)
