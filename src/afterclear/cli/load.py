"""The command ``load``."""

from pathlib import Path

import click

from afterclear.cli.frame import as_instant, tell, tell_load, tell_sources, tell_try, with_app
from afterclear.commands.app import App
from afterclear.commands.intake.loading import Whose, load_paths, load_sources
from afterclear.commands.running.accounting import accounted, log_and
from afterclear.errors import worded
from afterclear.plain import check_zone


def known_zone(_: click.Context, __: click.Parameter, value: str | None) -> str | None:
    """Take the name of a time zone from an option."""
    try:
        return value and check_zone(value)
    except ValueError as error:
        raise click.BadParameter(str(error)) from error


@click.command("load")
@click.argument("paths", nargs=-1, type=click.Path(path_type=Path))
@click.option("--vehicle", help="Whose files these are, for bus logs that name no vehicle.")
@click.option("--begun", help="When a bus log with a relative clock began (ISO 8601).")
@click.option(
    "--zone", default="UTC", callback=known_zone, help="Zone of times without an offset (UTC)."
)
@with_app
def command(
    app: App, paths: tuple[Path, ...], vehicle: str | None, begun: str | None, zone: str
) -> None:
    """Load files or folders at PATHS; without PATHS, every configured source."""
    with accounted(app, "load") as account:
        if paths:
            whose = Whose(zone, vehicle, as_instant(begun))
            report = load_paths(app, paths, whose, log_and(tell_load))
        else:
            report = load_sources(app, log_and(tell_load), say=tell_try)
        account.add_load(report)
    tell_sources(report)
    if report.rows_rejected:
        tell(
            worded(
                "{n} rows were refused; 'afterclear rejections' lists them.", n=report.rows_rejected
            ),
            err=True,
        )
    if report.exit_code:
        raise SystemExit(report.exit_code)
