"""The command ``export``."""

from pathlib import Path

import click

from afterclear.cli.frame import with_app
from afterclear.runs.app import App
from afterclear.runs.exporting import Format, export_file, export_text


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
        click.echo(export_text(app, table, form), nl=False)
