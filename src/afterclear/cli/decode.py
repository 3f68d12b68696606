"""The command ``decode``."""

import click

from afterclear.cli.frame import tell, with_app
from afterclear.commands.app import App
from afterclear.commands.queries.decoding import NoCode, decode_code
from afterclear.errors import RefusedFileError, UsageError


@click.command("decode")
@click.argument("text", nargs=-1, required=True)
@with_app
def command(app: App, text: tuple[str, ...]) -> None:
    """Say what each code in TEXT means, what it is about, and what to beware of."""
    said = decode_code(app, " ".join(text))
    for meaning in said:
        if isinstance(meaning, NoCode):
            tell(f"afterclear: {meaning.why}", err=True)
            continue
        click.echo(f"{meaning.code}: {meaning.text}")
        click.echo(f"  about: {meaning.family}{'' if meaning.certain else ' (place not certain)'}")
        if meaning.points_at:
            click.echo(f"  points at: {meaning.points_at}")
        for words in meaning.cured:
            click.echo(f"  in this fleet: {words}")
        for caution in meaning.cautions:
            click.echo(f"  CAUTION {caution.title}: {caution.text}")
    n_refused = sum(isinstance(meaning, NoCode) for meaning in said)
    if n_refused == len(said):
        raise SystemExit(UsageError.exit_code)  # nothing was done
    if n_refused:
        raise SystemExit(RefusedFileError.exit_code)  # some input was refused
