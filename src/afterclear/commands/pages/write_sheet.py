"""The workshop sheet of one vehicle by itself, the same as a digest writes beside its pages."""

from dataclasses import replace
from pathlib import Path

from afterclear.commands.app import App
from afterclear.commands.pages.page_frames import gather_frames, shown_as
from afterclear.commands.pages.write_digests import checked, shown_names
from afterclear.digest.build_digests import vehicle_pages
from afterclear.digest.common.file_names import sheet_page
from afterclear.digest.output.render import render_with_sheet
from afterclear.digest.output.write import write_page
from afterclear.errors import UsageError
from afterclear.store.engine.database import open_store
from afterclear.store.queries.called_vehicles import vehicle_called


def write_sheet(app: App, name: str, out: Path | None = None) -> Path:
    """Write one vehicle's sheet and return where it is.

    ``name``: the vehicle's number, plate or VIN; ``out``: None for ``sheets/`` in the reports
    folder, where its links lead to the digest's pages.

    Raises:
        UnknownVehicleError: no row names the vehicle.
        UsageError: nothing was analysed yet; several vehicles have this name; there is nothing to
            do about it.
        ConfigError: tokens are wanted and their key is missing or short.

    """
    with open_store(app.store, read_only=True) as con:
        vehicle_id = vehicle_called(con, name)
        gathered = gather_frames(app, con, app.clock(), None, shown_as(app))
        units = app.config.settings.digest.units
        gathered = replace(gathered, frames=replace(gathered.frames, units=units))
        frames, details, hidden = shown_names(app, con, gathered, public=False)
        page = next(iter(vehicle_pages(frames, details, (vehicle_id,))))
    files = dict(checked(render_with_sheet(page), hidden))
    place = sheet_page(vehicle_id)
    if place not in files:
        raise UsageError(
            f"There is nothing to do about {vehicle_id} by the analysis as of "
            f"{frames.as_of:%d %b %Y}, so it has no sheet."
        )
    path = out or app.reports / place
    path.parent.mkdir(parents=True, exist_ok=True)
    write_page(path, files[place])
    return path
