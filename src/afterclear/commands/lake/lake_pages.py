"""The pages of a lake's fleet: the driver chooses what is shown, workers make vehicles' pages.

The driver reads the rows of some vehicles at a time out of its store and leaves them below the
lake; a worker makes these vehicles' pages and writes them where the run's other pages will be.
Overviews, and rows as files beside the pages, the driver writes itself.  Which files came, what of
them was refused and which sources are silent only a store knows: pages of a lake do not speak of
it, and it has no dossiers.
"""

import secrets
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, Final

import polars as pl

from afterclear.commands.app import App
from afterclear.commands.lake.bucket_job import UNFINISHED, Meter
from afterclear.commands.lake.publishing import OFFERED
from afterclear.commands.pages.kept_pages import made
from afterclear.commands.pages.page_frames import StoreDetails, gather_frames, shown_as
from afterclear.commands.pages.row_files import (
    row_files_linked,
    tables_beside_pages,
    with_row_files,
)
from afterclear.digest.build_digests import VehicleChunk, VehiclePages, build_fleet_digest
from afterclear.digest.common.assess import Setting
from afterclear.digest.common.model import PageHead
from afterclear.digest.input.frames import FleetFrames
from afterclear.digest.output.render import render_overviews
from afterclear.digest.output.write import write_digest
from afterclear.store.engine.database import Connection

_ROWS: Final = "work/pages"  # of vehicles whose pages are to be made, a folder for each task

# Lets the workers do tasks 0 to n - 1, and gives what each told.
Round = Callable[[Callable[[int], dict[str, Any]], int], list[dict[str, Any]]]


@dataclass(frozen=True, slots=True)
class MadePages:
    """Where the pages of a run are until it is published, and how many."""

    folder: Path
    n_pages: int


def make_pages(app: App, con: Connection, lake: Path, until: datetime, work: Round) -> MadePages:
    """Make all pages of a fleet that is judged: ``con`` has its histories and findings."""
    shown = shown_as(app)
    model = build_fleet_digest(_frames(app, con, until), StoreDetails(con))
    folder = lake / "results" / f"{UNFINISHED}pages-{secrets.token_hex(4)}"
    n_tasks = _leave_rows(model.vehicles, lake / _ROWS)
    setting, head = model.vehicles.setting, model.vehicles.head
    told = work(partial(make_vehicle_pages, str(lake), str(folder), setting, head), n_tasks)
    shutil.rmtree(lake / _ROWS)
    linked = {name for one in told for name in one["linked"]}
    overviews = with_row_files(con, render_overviews(model), shown, linked)
    written = write_digest(overviews, folder)
    n_rows = sum(path.suffix == ".csv" for path in written)
    n_pages = sum(one["n_pages"] for one in told) + len(written) - n_rows
    return MadePages(folder, n_pages)


def _frames(app: App, con: Connection, until: datetime) -> FleetFrames:
    """Gather what pages are chosen from, without what only the store of a lake's rows knows."""
    gathered = gather_frames(app, con, until, None, shown_as(app)).frames
    return replace(
        gathered,
        n_rejections=None,
        stale_sources=(),
        has_dossiers=False,  # these name the files that were delivered
        units=app.config.settings.digest.units,
        tables_beside=tables_beside_pages(con) & frozenset(OFFERED),
    )


def _leave_rows(pages: VehiclePages, folder: Path) -> int:
    """Write the rows of vehicles with a page, a folder for some of them; return how many."""
    shutil.rmtree(folder, ignore_errors=True)  # of a run that was killed
    folder.mkdir(parents=True)
    n_tasks = 0
    for n_tasks, chunk in enumerate(pages.chunks(), 1):
        own = folder / str(n_tasks - 1)
        own.mkdir()
        pl.DataFrame({"vehicle_id": chunk.vehicle_ids}).write_parquet(own / ".vehicles")
        for name, rows in chunk.tables.items():
            rows.write_parquet(own / f"{name}.parquet")
    return n_tasks


def make_vehicle_pages(
    lake: str, folder: str, setting: Setting, head: PageHead, number: int
) -> dict[str, Any]:
    """Make the pages of some vehicles and write them; tell how many, and what they link.

    A worker's task: whoever does it again writes the same.
    """
    meter = Meter.begin()
    own = Path(lake) / _ROWS / str(number)
    ids = tuple(pl.read_parquet(own / ".vehicles")["vehicle_id"])
    tables = {file.stem: pl.read_parquet(file) for file in sorted(own.glob("*.parquet"))}
    chunk = VehicleChunk(ids, tables, setting, head)
    pages = [page for vehicle in made(chunk, None) for page in vehicle.files]
    write_digest(pages, Path(folder))
    linked = {name for _, html in pages for name in row_files_linked(html)}
    return {"n_pages": len(pages), "linked": sorted(linked), **meter.used_so_far()}
