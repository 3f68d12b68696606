"""The command ``vacuum``."""

import click

from afterclear.cli.frame import with_app
from afterclear.commands.app import App
from afterclear.commands.upkeep import vacuum


@click.command("vacuum")
@with_app
def command(app: App) -> None:
    """Apply the retention rules of afterclear.toml and write the store's file anew."""
    report = vacuum(app, app.retention)
    retired = report.retired
    click.echo(
        f"Taken out as older than is kept: {retired.archived_files} archived files, "
        f"{retired.refused_rows} refused rows, {retired.superseded_rows} superseded rows, "
        f"{retired.runs} run reports, {retired.deeds} entries of who did what, "
        f"single page sums of {retired.page_sums} digests. "
        f"{report.left_over} left-over files removed. "
        f"The store is {report.bytes_saved / 1e6:.1f} MB smaller."
    )
