"""The command ``decode``."""

import click

from afterclear.cli.frame import with_app
from afterclear.commands.app import App
from afterclear.commands.queries.decoding import decode_code


@click.command("decode")
@click.argument("text", nargs=-1, required=True)
@with_app
def command(app: App, text: tuple[str, ...]) -> None:
    """Say what each code in TEXT means, what it is about, and what to beware of."""
    for meaning in decode_code(app, " ".join(text)):
        click.echo(f"{meaning.code}: {meaning.text}")
        click.echo(f"  about: {meaning.family}{'' if meaning.certain else ' (place not certain)'}")
        if meaning.points_at:
            click.echo(f"  points at: {meaning.points_at}")
        for caution in meaning.cautions:
            click.echo(f"  CAUTION {caution.title}: {caution.text}")
