"""The command ``export``."""

import sys
from pathlib import Path

import click

from afterclear.cli.frame import shown, with_app
from afterclear.commands.app import App
from afterclear.commands.queries.exporting import (
    FORMATS,
    Format,
    export_file,
    export_text,
)


@click.command("export")
@click.argument("table")
@click.option("--format", "form", type=click.Choice(FORMATS), default="csv", show_default=True)
@click.option(
    "-o", "--output", type=click.Path(path_type=Path, dir_okay=False), help="File to write."
)
@with_app
def command(app: App, table: str, form: Format, output: Path | None) -> None:
    """Take TABLE out of the store: attempts, episodes, scans, ... (a wrong name lists all)."""
    if output is not None:
        click.echo(f"{export_file(app, table, form, output)} rows written to {output}", err=True)
        return
    match form:
        case "csv" | "jsonl":
            tell_text(export_text(app, table, form))
        case _:
            raise needs_file(form)


def tell_text(text: str) -> None:
    """Print rows: a file or a program gets every sign as it is; a terminal would obey some."""
    click.echo(shown(text) if is_terminal() else text, nl=False)


def needs_file(form: str) -> click.UsageError:
    """Say that a form that is not text needs a file."""
    return click.UsageError(f"--format {form} needs a file: add -o FILE.")


def is_terminal() -> bool:
    """Tell whether a person reads what is printed."""
    return sys.stdout.isatty()
