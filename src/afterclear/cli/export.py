"""The command ``export``."""

import sys
from pathlib import Path

import click

from afterclear.cli.frame import shown, with_app
from afterclear.commands.app import App
from afterclear.commands.queries.exporting import Format, export_file, export_text


@click.command("export")
@click.argument("table")
@click.option(
    "--format",
    "form",
    type=click.Choice(["csv", "parquet", "jsonl"]),
    default="csv",
    show_default=True,
)
@click.option(
    "-o", "--output", type=click.Path(path_type=Path, dir_okay=False), help="File to write."
)
@with_app
def command(app: App, table: str, form: Format, output: Path | None) -> None:
    """Take TABLE out of the store: attempts, episodes, scans, ... (a wrong name lists all)."""
    if output is not None:
        click.echo(f"{export_file(app, table, form, output)} rows written to {output}", err=True)
    elif form == "parquet":
        raise click.UsageError("Parquet needs a file: add -o FILE.")
    else:
        text = export_text(app, table, form)
        # a file or a program gets every sign as it is; a terminal would obey some
        click.echo(shown(text) if is_terminal() else text, nl=False)


def is_terminal() -> bool:
    """Tell whether a person reads what is printed."""
    return sys.stdout.isatty()
