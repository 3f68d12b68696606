"""The command ``lake-fill``."""

from pathlib import Path

import click

from afterclear.cli.frame import with_app
from afterclear.commands.app import App
from afterclear.commands.lake.filling_lake import fill_lake


@click.command("lake-fill")
@click.argument("lake", type=click.Path(path_type=Path, file_okay=False))
@click.option(
    "--buckets",
    type=click.IntRange(1, 100_000),
    help="Of a new lake: into how many its vehicles are divided, one a million scan rows.",
)
@with_app
def command(app: App, lake: Path, buckets: int | None) -> None:
    """Put the store's rows into LAKE, a folder of Parquet by vehicle bucket and month."""
    done = fill_lake(app, lake, buckets)
    click.echo(
        f"{done.n_rows} rows in {done.n_buckets} buckets, {done.n_pieces} pieces: "
        f"{done.n_written} written, the others are as they were"
    )
