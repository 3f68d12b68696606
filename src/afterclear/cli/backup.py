"""The command ``backup``."""

from pathlib import Path

import click

from afterclear.cli.frame import with_app
from afterclear.commands.app import App
from afterclear.commands.upkeep import backup


@click.command("backup")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@with_app
def command(app: App, file: Path) -> None:
    """Write the store, its archive and the config to FILE, and read it back; any time."""
    manifest = backup(app, file)
    click.echo(
        f"{file} written and read back: the store with {manifest.n_loads} loads, "
        f"{len(manifest.archive)} archived files, {len(manifest.config)} settings files."
    )
    if manifest.config_left_out:
        click.echo(
            "Left out, as they look like keys or secrets; keep copies of them elsewhere: "
            f"{', '.join(manifest.config_left_out)}."
        )
