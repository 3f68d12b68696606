"""The command ``analyse``."""

import click

from afterclear.cli.frame import as_instant, progress, tell, with_app
from afterclear.cli.words import verdict_lines
from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.app import App
from afterclear.errors import worded


@click.command("analyse")
@click.option("--full", is_flag=True, help="Rebuild all vehicles, not only the changed ones.")
@click.option("--as-of", help="Leave out what happened after this time (ISO 8601).")
@with_app
def command(app: App, as_of: str | None, *, full: bool) -> None:
    """Rebuild what changed since the last run and judge every fix attempt."""
    with progress("Rebuilding histories") as bar:
        report = analyse(app, full=full, as_of=as_instant(as_of), progress=bar)
    tell(
        worded(
            "{n} vehicles rebuilt, as of {at}",
            n=report.vehicles_rebuilt,
            at=f"{report.as_of:%Y-%m-%d %H:%M}",
        )
    )
    for line in (*verdict_lines(report.verdicts), *report.changes):
        tell(line)
