"""The command ``schedule``."""

import click

from afterclear.cli.frame import tell_load, with_app
from afterclear.runs.app import App
from afterclear.runs.stopping import Stopped, stoppable
from afterclear.schedule.runner import Heard, keep_timetable


@click.command("schedule")
@with_app
def command(app: App) -> None:
    """Do the jobs of schedule.toml at their times, until stopped by Ctrl-C or a signal."""
    try:
        with stoppable():
            keep_timetable(app, Heard(tell_load, click.echo))
    except Stopped:
        click.echo("Stopped; what was under way is undone and the next start takes it up.")
