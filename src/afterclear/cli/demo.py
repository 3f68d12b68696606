"""The command ``demo``."""

import click

from afterclear.cli.frame import progress, tell_load, with_app
from afterclear.cli.words import verdict_lines
from afterclear.commands.app import App
from afterclear.commands.init_and_demo import demo


@click.command("demo")
@with_app
def command(app: App) -> None:
    """Load the invented sample fleet, judge every fix and write the digests to reports/demo."""
    with progress("Judging the sample fleet") as bar:
        report = demo(app, tell_load, bar)
    click.echo()
    click.echo(f"As of {report.analysis.as_of:%d %B %Y, %H:%M} UTC:")
    for line in verdict_lines(report.analysis.verdicts):
        click.echo(f"  {line}")
    click.echo(f"{report.digest.n_pages} pages written. Open {report.digest.index}")
    store = report.digest.index.parent / "demo.duckdb"
    click.echo(f"To ask it more: afterclear --store {store} vehicle M-106")
