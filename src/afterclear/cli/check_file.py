"""The command ``check-file``."""

from pathlib import Path

import click

from afterclear.cli.frame import tell, with_app
from afterclear.cli.load import known_zone
from afterclear.cli.words import refused_line
from afterclear.commands.app import App
from afterclear.commands.intake.mapping import Asked, MapCheck, check_file


@click.command("check-file")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--zone", default="UTC", callback=known_zone, help="Zone of times without an offset.")
@with_app
def command(app: App, file: Path, zone: str) -> None:
    """Say whether FILE has the plain layout, or a map's, and which rows have not.

    Nothing is stored; whose VINs and plates stand there, and what the store holds already, is not
    looked at.
    """
    checks = list(check_file(app, file, Asked(rows=0, zone=zone)))
    if not checks:
        tell(f"{file.name}: there is no file in it.")
        raise SystemExit(3)
    for check in checks:
        _tell(check)
    if not all(_fits(check) for check in checks):
        raise SystemExit(3)


def _fits(check: MapCheck) -> bool:
    return bool(
        check.reader and check.preview and not check.reason and not check.preview.rejections
    )


def _tell(check: MapCheck) -> None:
    if check.reader is None or check.preview is None or check.reason:
        more = " 'afterclear map-check' suggests a map." if check.suggestion else ""
        tell(f"{check.name}: does not fit. {check.reason or 'Nothing reads it.'}{more}")
        return
    rows = ", ".join(f"{n} rows of {table}" for table, n, _ in check.preview.tables)
    refused = check.preview.rejections
    if not refused:
        tell(f"{check.name}: fits. {rows}, read by {check.reader}")
        return
    tell(f"{check.name}: does not fit. {len(refused)} of its rows would be refused:")
    for rejection in refused:
        tell(f"  {refused_line(rejection)}")
