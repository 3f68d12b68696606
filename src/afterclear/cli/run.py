"""The command ``run``."""

import click

from afterclear.cli.frame import progress, tell_load, with_app
from afterclear.cli.words import verdict_lines
from afterclear.runs.app import App
from afterclear.runs.whole import run_once


@click.command("run")
@with_app
def command(app: App) -> None:
    """Load every configured source, analyse, and write the digests: for cron."""
    with progress("Rebuilding histories") as bar:
        report = run_once(app, tell_load, bar)
    for source in report.load.out_of_reach:
        click.echo(f"out of reach: {source}", err=True)
    for line in verdict_lines(report.analysis.verdicts):
        click.echo(line)
    click.echo(f"{report.digest.n_pages} pages written. Open {report.digest.index}")
    if report.load.exit_code:
        raise SystemExit(report.load.exit_code)
