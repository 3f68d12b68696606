"""The command ``run``."""

import click

from afterclear.cli.digest import tell_sent
from afterclear.cli.frame import progress, tell_load, tell_sources, tell_try, with_app
from afterclear.cli.words import verdict_lines
from afterclear.commands.app import App
from afterclear.commands.running.accounting import accounted, log_and
from afterclear.commands.running.nightly import run_once


@click.command("run")
@with_app
def command(app: App) -> None:
    """Load every configured source, analyse, and write the digests: for cron."""
    with progress("Rebuilding histories") as bar, accounted(app, "run") as account:
        report = run_once(app, log_and(tell_load), bar, say=tell_try)
        account.add_run(report)
    tell_sources(report.load)
    for line in verdict_lines(report.analysis.verdicts):
        click.echo(line)
    click.echo(f"{report.digest.n_pages} pages written. Open {report.digest.index}")
    if code := max(tell_sent(report.sent), report.load.exit_code):
        raise SystemExit(code)
