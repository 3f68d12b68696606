"""The dossier of one vehicle, written when a person asks for it."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from afterclear import __version__
from afterclear.commands.app import App
from afterclear.commands.pages.page_frames import StoreDetails, analysed, shown_as
from afterclear.deliver.paper import NO_SANDBOX, has_no_sandbox, print_pages
from afterclear.digest.common import file_names
from afterclear.digest.common.assess import Setting
from afterclear.digest.common.model import PageHead
from afterclear.digest.dossier.build_dossier import DOSSIER_TABLES, build_dossiers
from afterclear.digest.output.render import render_dossier
from afterclear.digest.output.write import write_digest
from afterclear.errors import UsageError
from afterclear.store.engine.database import open_store
from afterclear.store.queries.called_vehicles import vehicle_called
from afterclear.wording.cells import Cells


@dataclass(frozen=True, slots=True)
class DossierReport:
    """Where a dossier is."""

    vehicle_id: str
    page: Path
    paper: Path | None = None
    notice: str | None = None  # what a person should know of the printing


def write_dossier(
    app: App, name: str, out: Path | None = None, *, pdf: bool = False
) -> DossierReport:
    """Write one vehicle's dossier; ``name``: its number, plate or VIN.

    Raises:
        UnknownVehicleError: no row names the vehicle.
        UsageError: several vehicles have this name, nothing was analysed yet, ``out`` is no HTML
            file, or names are to be hidden.
        ConfigError: no browser prints.

    """
    if out is not None and out.suffix != ".html":
        raise UsageError(
            f"A dossier is written as a page: give --out a name that ends in .html, not {out.name}."
            " With --pdf it is printed beside it."
        )
    if app.config.settings.privacy.pseudonyms:
        raise UsageError(
            "A dossier names its vehicle and the files it rests on, so none is written while "
            "pseudonyms is on under [privacy]."
        )
    with open_store(app.store, read_only=True) as con:
        vehicle_id = vehicle_called(con, name)
        as_of = analysed(con).as_of
        tables = StoreDetails(con)([vehicle_id], DOSSIER_TABLES)
    setting = _setting(app, as_of)
    head = _head(app, as_of)
    (dossier,) = build_dossiers(tables, [vehicle_id], setting, head, app.clock())
    page = out or app.reports / Path(file_names.dossier(vehicle_id)).name
    (written,) = write_digest({page.name: render_dossier(dossier)}, page.parent)
    papers = print_pages([written]) if pdf else ()
    notice = NO_SANDBOX if papers and has_no_sandbox() else None
    return DossierReport(vehicle_id, written, next(iter(papers), None), notice)


def _setting(app: App, as_of: datetime) -> Setting:
    shown = shown_as(app)
    cells = Cells(app.config.settings.digest.units, shown.zone, shown.language)
    return Setting(as_of=as_of, cells=cells, settings=shown, cautions={})


def _head(app: App, as_of: datetime) -> PageHead:
    shown = shown_as(app)
    return PageHead(
        title=shown.fleet_name,
        fleet_name=shown.fleet_name,
        as_of=as_of,
        units=app.config.settings.digest.units,
        zone=shown.zone,
        version=__version__,
        held_below=shown.held_below,
        language=shown.language,
        audiences=(),
    )
