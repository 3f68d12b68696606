"""The command ``forget``."""

import click

from afterclear.cli.frame import with_app
from afterclear.runs.app import App
from afterclear.runs.care import forget

_REMAINS = """What remains: in the ledger, how many rows each file had and the hash of its bytes,
so that the same file is not loaded again.  Not erased, because this program does not know where
they are: backups made before, digests and exports written before, the delivered files in their
folders, and the logs of other programs.  A source that delivers the vehicle in a new file brings
it back."""


@click.command("forget")
@click.argument("what", type=click.Choice(["vehicle"]))
@click.argument("vehicle_id")
@click.option("--yes", is_flag=True, help="Do not ask.")
@with_app
def command(app: App, what: str, vehicle_id: str, *, yes: bool) -> None:
    """Erase a vehicle's data from the store and the archive: forget vehicle VEHICLE_ID."""
    if not yes and not click.confirm(f"Erase {what} {vehicle_id} for good?"):
        click.echo("Nothing was erased.")
        return
    done = forget(app, vehicle_id)
    click.echo(
        f"{done.n_rows} rows and {done.n_history_rows} rows of history erased; "
        f"{done.files_rewritten} archived files rewritten without it, {done.files_erased} erased "
        f"whole; {done.n_loads_renamed} ledger lines lost their file name."
    )
    click.echo(_REMAINS)
