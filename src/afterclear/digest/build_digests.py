"""Frames of results -> the model of a whole digest.  Pure: no file, no clock."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import polars as pl

from afterclear import __version__
from afterclear.digest.audience.costs import cost_view
from afterclear.digest.audience.fault_findings import fault_findings
from afterclear.digest.audience.fleet import build_fleet_page
from afterclear.digest.audience.fleet_model import FleetPage
from afterclear.digest.audience.garage import build_garage_page
from afterclear.digest.audience.garage_model import GaragePage
from afterclear.digest.audience.linked_vehicles import named_vehicles
from afterclear.digest.audience.shown_vehicles import CommonViews, read_common_views, read_faults
from afterclear.digest.audience.stock import (
    StockDetails,
    StockPage,
    build_stock_page,
    cautions_of_vehicle,
    shown_stock,
)
from afterclear.digest.common import file_names
from afterclear.digest.common.assess import Faults, FleetRows, Setting, assess_vehicle
from afterclear.digest.common.forecast_lines import coming_view
from afterclear.digest.common.model import AttemptView, IndexPage, ListPage, PageHead, VehicleList
from afterclear.digest.common.worklist_lines import Work, ranked_work
from afterclear.digest.dossier.build_dossier import DOSSIER_TABLES, build_dossiers
from afterclear.digest.dossier.dossier_model import Dossier
from afterclear.digest.input.findings_by_page import (
    NOTHING_FOUND,
    Findings,
    VehicleFindings,
    read_findings,
    vehicle_findings,
)
from afterclear.digest.input.frames import (
    CHUNK,
    FRAME_ROWS,
    HISTORY_MARKS,
    HISTORY_TABLES,
    VEHICLE_FINDINGS,
    Details,
    FleetFrames,
    in_chunks,
)
from afterclear.digest.input.rises import rises_of
from afterclear.digest.page_facts import page_facts, shown_with
from afterclear.digest.vehicle.vehicle_model import VehiclePage
from afterclear.digest.vehicle.vehicle_page import build_vehicle_page
from afterclear.finding_tables.cures import by_fault
from afterclear.finding_tables.forecast import is_trusted
from afterclear.finding_tables.parts import is_short_lived
from afterclear.reasons import Urgency
from afterclear.wording.cells import Cells

# tables for a vehicle's own page
PAGE_TABLES = (*FRAME_ROWS, *VEHICLE_FINDINGS)
PAGES = 125  # vehicles whose every row is in memory at once
_OUTLINE_TABLES = (HISTORY_MARKS, *(n for n in PAGE_TABLES if n not in HISTORY_TABLES))
LIST = 1_000  # vehicles one page lists (2,000 took over a second to open); more: several lists


@dataclass(frozen=True)
class VehicleChunk:
    """Some vehicles' rows, and the settings of their pages: the input of one worker."""

    vehicle_ids: tuple[str, ...]
    tables: Mapping[str, pl.DataFrame]
    setting: Setting
    head: PageHead

    @property
    def n_rows(self) -> int:
        """Rows of all tables: what making the pages takes grows with them."""
        return sum(map(len, self.tables.values()))

    def apart(self, n: int) -> Iterator["VehicleChunk"]:
        """Divide the vehicles, in their order, among at most ``n`` chunks of nearly one size."""
        size = -(-len(self.vehicle_ids) // n)
        for start in range(0, len(self.vehicle_ids), size):
            own = self.vehicle_ids[start : start + size]
            theirs = pl.col("vehicle_id").is_in(own)
            yield replace(
                self,
                vehicle_ids=own,
                tables={name: rows.filter(theirs) for name, rows in self.tables.items()},
            )

    def pages(self) -> Iterator[VehiclePage]:
        """Yield pages in the order of the vehicles."""
        found = vehicle_findings(self.tables)
        for rows in FleetRows(self.tables, self.vehicle_ids):
            told = found.get(rows.vehicle.vehicle_id, NOTHING_FOUND)
            # a vehicle without attempts needs no distances in hours
            clock = rows.attempts[0].clock if rows.attempts else "km"
            setting = self.setting.on_clock(clock)
            head = replace(
                self.head,
                hour_km=setting.cells.hour_km,
                is_of_vehicle=True,
                last_record_at=rows.last_record_at(),
            )
            yield build_vehicle_page(rows, assess_vehicle(rows, setting), setting, head, told)


@dataclass(frozen=True)
class VehiclePages:
    """The vehicles' pages, each built when needed, so that few are in memory at once."""

    vehicle_ids: tuple[str, ...]
    details: Details
    setting: Setting
    head: PageHead

    def __len__(self) -> int:
        return len(self.vehicle_ids)

    def chunks(self, wanted: Sequence[str] | None = None) -> Iterator[VehicleChunk]:
        """Yield the rows of the vehicles ``wanted``, some at a time, in order; None: of all."""
        vehicle_ids = self.vehicle_ids if wanted is None else tuple(wanted)
        for start in range(0, len(vehicle_ids), PAGES):
            own = vehicle_ids[start : start + PAGES]
            tables = self.details(own, PAGE_TABLES)
            yield VehicleChunk(own, tables, self.setting, self.head)

    def facts(self, program: str) -> Iterator[Mapping[str, str]]:
        """Yield what vehicles' pages are made from, by vehicle, some vehicles at a time, in order.

        ``program``: a sum of what makes pages.
        """
        shared = shown_with(self.setting, self.head, program)
        for start in range(0, len(self.vehicle_ids), CHUNK):
            own = self.vehicle_ids[start : start + CHUNK]
            yield page_facts(self._outlines(own), own, self.setting, shared)

    def _outlines(self, vehicle_ids: Sequence[str]) -> Mapping[str, pl.DataFrame]:
        """Read vehicles' rows without their histories' long tables, if those have marks."""
        tables = self.details(vehicle_ids, _OUTLINE_TABLES)
        if HISTORY_MARKS in tables:
            return tables
        return {**tables, **self.details(vehicle_ids, HISTORY_TABLES)}

    def __iter__(self) -> Iterator[VehiclePage]:
        """Yield every page in order of vehicle_id."""
        for chunk in self.chunks():
            yield from chunk.pages()


@dataclass(frozen=True)
class DossierPages:
    """The dossiers of the vehicles the stock page shows, each built when needed."""

    vehicle_ids: tuple[str, ...]
    details: Details
    setting: Setting
    head: PageHead

    def __iter__(self) -> Iterator[Dossier]:
        """Yield them in the page's order."""
        for start in range(0, len(self.vehicle_ids), PAGES):
            own = self.vehicle_ids[start : start + PAGES]
            tables = self.details(own, DOSSIER_TABLES)
            yield from build_dossiers(tables, own, self.setting, self.head)


@dataclass(frozen=True)
class ListPages:
    """The pages that list a fleet too large for one, each built when needed."""

    lists: tuple[VehicleList, ...]
    common: CommonViews

    def __iter__(self) -> Iterator[ListPage]:
        """Yield them in order of vehicle_id."""
        start = 0
        for own in self.lists:
            ids = self.common.roster.vehicle_ids[start : start + own.n]
            yield ListPage(self.common.head, own, tuple(self.common.roster.lines(ids)))
            start += own.n


@dataclass(frozen=True)
class DigestModel:
    """All pages of a digest; None: that audience has no page."""

    index: IndexPage
    fleet: FleetPage | None
    garage: GaragePage | None
    stock: StockPage | None
    vehicles: VehiclePages
    lists: ListPages
    dossiers: DossierPages
    urgent: tuple[AttemptView, ...]  # fixes of safety faults that came back lately, still there


def build_fleet_digest(frames: FleetFrames, details: Details) -> DigestModel:
    """Build the model of a digest; rows of single vehicles are read when they are needed.

    Raises:
        ValueError: a table of findings lacks a column its rows need.

    """
    findings = read_findings(frames.findings)
    setting, head = _setting(frames, findings), _head(frames)
    details = _with_people_as_wanted(details, frames)
    common = read_common_views(frames, details, setting, head)
    work = ranked_work(findings.worklist, "fleet", common.roster, details, setting)
    faults = fault_findings(findings, common.roster, details, setting)
    spent = cost_view(findings.costs, common.roster, frames.n_refused_orders)
    coming = coming_view(
        findings.forecast, findings.forecast_parts, findings.forecast_record, common.setting
    )
    fleet = build_fleet_page(frames, common, work, faults, spent, coming)
    garage = build_garage_page(findings, common, spent) if "garage" in frames.audiences else None
    stock = _stock(frames, findings, details, common) if "stock" in frames.audiences else None
    shown_fleet = fleet if "fleet" in frames.audiences else None
    named = named_vehicles([p for p in (shown_fleet, garage, stock) if p], common.roster)
    paged = named if frames.settings.vehicle_pages == "named" else common.roster.vehicle_ids
    lists = _lists(common.roster.vehicle_ids) if len(paged) == len(common.roster) else ()
    return DigestModel(
        index=_index(common, work, (garage, stock), named if lists else paged, lists),
        fleet=shown_fleet,
        garage=garage,
        stock=stock,
        vehicles=VehiclePages(paged, details, setting, head),
        lists=ListPages(lists, common),
        dossiers=DossierPages(
            shown_stock(findings.stock) if stock and frames.has_dossiers else (),
            details,
            setting,
            head,
        ),
        urgent=common.shown(common.choice.urgent),
    )


def vehicle_pages(
    frames: FleetFrames, details: Details, vehicle_ids: tuple[str, ...]
) -> VehiclePages:
    """Give the pages of some vehicles, without the pages of the whole fleet."""
    setting = _setting(frames, read_findings(frames.findings))
    return VehiclePages(
        vehicle_ids, _with_people_as_wanted(details, frames), setting, _head(frames)
    )


def _with_people_as_wanted(details: Details, frames: FleetFrames) -> Details:
    """Leave out who did the work, unless people may be named: what no page has no page can show."""
    if frames.settings.technicians:
        return details

    def without_people(
        vehicle_ids: Sequence[str], tables: Collection[str]
    ) -> Mapping[str, pl.DataFrame]:
        unnamed = pl.lit(None, pl.String).alias("technician")
        return {
            name: rows.with_columns(unnamed) if "technician" in rows.columns else rows
            for name, rows in details(vehicle_ids, tables).items()
        }

    return without_people


def _setting(frames: FleetFrames, findings: Findings) -> Setting:
    return Setting(
        as_of=frames.as_of,
        cells=Cells(frames.units, frames.settings.zone, frames.settings.language),
        settings=frames.settings,
        cautions=frames.cautions,
        part_cautions=frames.part_cautions,
        short_lived=tuple(row for row in findings.parts if is_short_lived(row)),
        cures=by_fault(findings.cures),
        rises=rises_of(
            findings.emerging,
            findings.emerging_points,
            findings.emerging_vehicles,
            frames.said_before,
        ),
        forecast_holds=is_trusted(
            len(findings.forecast_record), sum(row.held for row in findings.forecast_record)
        ),
        grounded=frozenset(
            findings.worklist.filter(pl.col("urgency") == Urgency.DO_NOT_DRIVE)["vehicle_id"]
        ),
    )


def _stock(
    frames: FleetFrames, findings: Findings, details: Details, common: CommonViews
) -> StockPage:
    shown = shown_stock(findings.stock)
    found: dict[str, VehicleFindings] = {}
    for tables in in_chunks(details, shown, ("stock_reasons", "worklist")):
        found |= vehicle_findings(tables)
    safety = {row.vehicle_id for row in findings.stock if row.safety} & set(shown)
    faults: Mapping[str, Faults] = read_faults(
        sorted(safety), details, common.roster, common.setting
    )
    stock_details = StockDetails(
        since=frames.previous_at,
        work=[row for own in found.values() for row in own.work if row.audience == "stock"],
        reasons={
            vehicle: tuple(sorted(own.stock_reasons, key=lambda r: r.position))
            for vehicle, own in found.items()
        },
        cautions={vehicle: cautions_of_vehicle(own) for vehicle, own in faults.items()},
    )
    earlier = frames.said_before
    before = {subject: word for (kind, subject), word in earlier.items() if kind == "stock"}
    return build_stock_page(findings.stock, stock_details, before, common.roster, common.head)


def _head(frames: FleetFrames) -> PageHead:
    return PageHead(
        title=frames.settings.fleet_name,
        fleet_name=frames.settings.fleet_name,
        as_of=frames.as_of,
        units=frames.units,
        zone=frames.settings.zone,
        version=__version__,
        held_below=frames.settings.held_below,
        language=frames.settings.language,
        audiences=frames.audiences,
        public=frames.public,
        has_dossiers=frames.has_dossiers,
        tables=frames.tables_beside,
    )


def _lists(vehicle_ids: tuple[str, ...]) -> tuple[VehicleList, ...]:
    """Divide a fleet too large for one page; a smaller one is on the index itself."""
    if len(vehicle_ids) <= LIST:
        return ()
    parts = [vehicle_ids[start : start + LIST] for start in range(0, len(vehicle_ids), LIST)]
    return tuple(
        VehicleList(file_names.list_page(i), part[0], part[-1], len(part))
        for i, part in enumerate(parts, start=1)
    )


def _index(
    common: CommonViews,
    work: Work,
    others: tuple[GaragePage | None, StockPage | None],
    listed: Collection[str],
    lists: tuple[VehicleList, ...],
) -> IndexPage:
    garage, stock = others
    cells = common.setting.cells
    n_vehicles = len(common.roster)
    return IndexPage(
        head=common.head,
        n_vehicles=n_vehicles,
        vehicles=tuple(common.roster.lines(listed)),
        lists=lists,
        n_without_page=0 if lists else n_vehicles - len(listed),
        n_bring_in=work.n_bring_in,
        n_scan=work.n_scan,
        garage=_garage_line(garage, cells) if garage else "",
        stock=_stock_line(stock, cells) if stock else "",
    )


def _garage_line(page: GaragePage, cells: Cells) -> str:
    looks = len(page.looks)
    return cells.tn("{n} point to look into", "{n} points to look into", looks)


def _stock_line(page: StockPage, cells: Cells) -> str:
    return cells.t("{ready} ready, {rescan} to scan again, {hold} to hold back", **page.n)
