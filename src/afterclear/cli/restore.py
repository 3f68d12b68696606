"""The command ``restore``."""

from pathlib import Path

import click

from afterclear.cli.check import tell_findings
from afterclear.cli.frame import with_app
from afterclear.commands.app import App
from afterclear.commands.upkeep import restore


@click.command("restore")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False, exists=True))
@click.option(
    "--replace",
    is_flag=True,
    help="Put a store that is there aside, as .before-restore (-2, ...).",
)
@with_app
def command(app: App, file: Path, *, replace: bool) -> None:
    """Bring back the store of a backup FILE, after reading all of it through."""
    manifest, report = restore(app, file, replacing=replace)
    click.echo(
        f"The store of {manifest.made_at[:16]} is back: {manifest.n_loads} loads, "
        f"{len(manifest.archive)} archived files."
    )
    tell_findings(report)
