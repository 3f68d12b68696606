"""The command ``replay``."""

import click

from afterclear.cli.frame import tell, tell_load, with_app
from afterclear.cli.words import read_again_line
from afterclear.commands.app import App
from afterclear.commands.intake.replaying import replay
from afterclear.errors import worded


@click.command("replay")
@click.argument("load_ids", nargs=-1, type=int)
@click.option("--all", "everything", is_flag=True, help="Every load, from the first on.")
@with_app
def command(app: App, load_ids: tuple[int, ...], *, everything: bool) -> None:
    """Read archived files again: loads LOAD_IDS or, without, all that refused something."""
    report = replay(app, load_ids, tell_load, everything=everything)
    if not report.n_asked:
        tell(worded("No load refused anything, so nothing was read again; --all reads all again."))
        return
    tell(read_again_line(report.n_asked, report.n_depending))
    if report.load.exit_code:
        raise SystemExit(report.load.exit_code)
