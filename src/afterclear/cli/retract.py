"""The command ``retract``."""

import click

from afterclear.cli.frame import tell, tell_load, with_app
from afterclear.commands.app import App
from afterclear.commands.intake.retracting import retract
from afterclear.errors import worded


@click.command("retract")
@click.argument("load_ids", nargs=-1, required=True, type=int, metavar="LOAD...")
@with_app
def command(app: App, load_ids: tuple[int, ...]) -> None:
    """Undo loads whole: their rows go, what those had replaced comes back.

    'afterclear export loads' lists the numbers.  Loads that had built on them are read again.
    """
    done = retract(app, load_ids, tell_load)
    tell(
        worded(
            "{files} files retracted: {gone} rows are gone, {back} that they had replaced stand "
            "again, {loads} loads were read again; 'afterclear analyse' is due.",
            files=done.n_files,
            gone=done.n_rows_gone,
            back=done.n_rows_back,
            loads=len(done.again.results),
        )
    )
    if done.exit_code:
        raise SystemExit(done.exit_code)
