"""The command ``demo``."""

import click

from afterclear.cli.frame import progress, tell_load, with_app
from afterclear.cli.words import verdict_lines
from afterclear.commands.app import App
from afterclear.commands.init_and_demo import demo, of_the_demo
from afterclear.errors import Stopped


@click.command("demo")
@click.option("--desk", is_flag=True, help="Then open the desk on it.")
@click.option("--no-browser", is_flag=True, help="Print the desk's address, open no browser.")
@with_app
def command(app: App, *, desk: bool, no_browser: bool) -> None:
    """Load the invented sample fleet, judge every fix and write the digests to reports/demo."""
    with progress("Judging the sample fleet") as bar:
        report = demo(app, tell_load, bar, for_desk=desk)
    click.echo()
    click.echo(f"As of {report.analysis.as_of:%d %B %Y, %H:%M} UTC:")
    for line in verdict_lines(report.analysis.verdicts):
        click.echo(f"  {line}")
    click.echo(f"{report.digest.n_pages} pages written. Open {report.digest.index}")
    click.echo(f"To ask it more: afterclear --store {of_the_demo(app).store} vehicle M-106")
    if desk:
        _open_desk(app, open_browser=not no_browser)


def _open_desk(app: App, *, open_browser: bool) -> None:
    # slow to import, and only wanted here
    from afterclear.desk.opening import Opening  # noqa: PLC0415
    from afterclear.desk.serving import serve  # noqa: PLC0415

    try:
        serve(of_the_demo(app), Opening(), click.echo, open_browser=open_browser)
    except Stopped:
        click.echo("Stopped.")
