"""The command ``init``."""

from pathlib import Path

import click

from afterclear.cli.frame import with_app
from afterclear.commands.app import App
from afterclear.commands.init_and_demo import init


@click.command("init")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@with_app
def command(_: App, folder: Path) -> None:
    """Write a commented config, an inbox and a reports folder into FOLDER."""
    for path in init(folder):
        click.echo(path)
    click.echo(f"Put files into {folder / 'inbox'}, then: cd {folder} && afterclear run")
