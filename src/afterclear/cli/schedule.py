"""The command ``schedule``."""

import click

from afterclear.cli.frame import with_app
from afterclear.commands.app import App
from afterclear.config import without_secrets
from afterclear.errors import Stopped
from afterclear.observe.logs import log_to
from afterclear.schedule.runner import Heard, keep_timetable


@click.command("schedule")
@with_app
def command(app: App) -> None:
    """Do the jobs of schedule.toml at their times, in the foreground, until SIGTERM or Ctrl-C."""
    watching = app.config.settings.watching
    if watching.log_file is None:
        log_to(None, watching.log_form, without_secrets)
    try:
        keep_timetable(app, Heard(lambda _: None, lambda text: click.echo(without_secrets(text))))
    except Stopped:
        # a request to stop is the normal end of a timetable
        click.echo("Stopped. What was under way was undone.")
