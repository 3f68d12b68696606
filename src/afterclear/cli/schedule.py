"""The command ``schedule``."""

import click

from afterclear.cli.frame import tell_load, with_app
from afterclear.runs.app import App
from afterclear.schedule.runner import keep_timetable


@click.command("schedule")
@with_app
def command(app: App) -> None:
    """Load, analyse and write the digests on the timetable of schedule.toml, until stopped."""
    keep_timetable(app, tell_load, click.echo)
