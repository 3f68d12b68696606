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
    exported,
    form_of,
)

_PART = 1 << 20  # signs told at a time


@click.command("export")
@click.argument("table")
@click.option(
    "--format",
    "form",
    type=click.Choice(FORMATS),
    help="Else as the file's name ends; csv where it does not say.",
)
@click.option(
    "-o", "--output", type=click.Path(path_type=Path, dir_okay=False), help="File to write."
)
@with_app
def command(app: App, table: str, form: Format | None, output: Path | None) -> None:
    """Take TABLE out of the store: attempts, episodes, scans, ... (a wrong name lists all)."""
    if output is not None:
        rows = export_file(app, table, form_of(output, form), output)
        click.echo(f"{rows} rows written to {output}", err=True)
        return
    match form or "csv":
        case "csv" | "jsonl" as form:
            with exported(app, table, form) as rows_file:
                _tell_file(rows_file)
        case other:
            raise needs_file(other)


def _tell_file(place: Path) -> None:
    with place.open(encoding="utf-8", newline="") as file:
        while part := file.read(_PART):
            tell_text(part)


def tell_text(text: str) -> None:
    """Print rows: a file or a program gets every sign as it is; a terminal would obey some."""
    click.echo(shown(text) if is_terminal() else text, nl=False)


def needs_file(form: str) -> click.UsageError:
    """Say that a form that is not text needs a file."""
    return click.UsageError(f"--format {form} needs a file: add -o FILE.")


def is_terminal() -> bool:
    """Whether a person reads what is printed."""
    return sys.stdout.isatty()
