"""The command ``digest``."""

import click

from afterclear.cli.frame import with_app
from afterclear.runs.app import App
from afterclear.runs.pages import digest


@click.command("digest")
@with_app
def command(app: App) -> None:
    """Write the fleet digest with a page per vehicle under reports/."""
    report = digest(app)
    click.echo(f"{report.n_pages} pages written. Open {report.index}")
