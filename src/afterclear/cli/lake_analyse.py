"""The command ``lake-analyse``."""

from pathlib import Path

import click

from afterclear.cli.frame import as_instant, progress, tell, with_app
from afterclear.cli.words import counted, verdict_lines
from afterclear.commands.app import App
from afterclear.commands.lake.analysing_lake import HERE, analyse_lake
from afterclear.commands.lake.publishing import PAGES


@click.command("lake-analyse")
@click.argument("lake", type=click.Path(path_type=Path, file_okay=False, exists=True))
@click.option(
    "--engine",
    default=HERE,
    show_default=True,
    help="Who builds the buckets: 'here' one after another; local[2], spark://HOST:7077, k8s://...",
)
@click.option("--pages", is_flag=True, help="Make the digest and the vehicles' pages, too.")
@click.option("--as-of", help="Leave out what happened after this time (ISO 8601).")
@with_app
def command(app: App, lake: Path, engine: str, as_of: str | None, *, pages: bool) -> None:
    """Judge the fleet in LAKE, its histories bucket by bucket, and put the exports there."""
    with progress("Building buckets") as bar:
        report = analyse_lake(app, lake, engine, as_of=as_instant(as_of), pages=pages, progress=bar)
    click.echo(
        f"{report.n_built} of {report.n_buckets} buckets built, as of {report.as_of:%Y-%m-%d %H:%M}"
    )
    for line in verdict_lines(report.verdicts):
        tell(line)
    click.echo(f"Exports: {report.run}")
    if report.n_pages:
        click.echo(f"{counted(report.n_pages, 'page')}: {report.run / PAGES / 'index.html'}")
