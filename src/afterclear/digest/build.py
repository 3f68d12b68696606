"""Frames of results -> the model of a whole digest.  Pure: no file, no clock."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta

from afterclear import __version__
from afterclear.digest.assess import Assessment, FleetRows, Setting, assess_vehicle
from afterclear.digest.cells import Cells
from afterclear.digest.findings import Findings, read_findings
from afterclear.digest.fleet import build_fleet_page, returned_at
from afterclear.digest.fleet_model import FleetPage
from afterclear.digest.frames import HistoryFrames, check_frames
from afterclear.digest.garage import build_garage_page
from afterclear.digest.garage_model import GaragePage
from afterclear.digest.model import AttemptView, IndexPage, PageHead, VehicleLine
from afterclear.digest.stock import StockPage, build_stock_page
from afterclear.digest.vehicle import build_vehicle_page
from afterclear.digest.vehicle_model import VehiclePage


@dataclass(frozen=True)
class VehiclePages:
    """The vehicles' pages, each made when it is asked for, so that few live at once."""

    rows: FleetRows
    setting: Setting
    head: PageHead
    findings: Findings

    def __len__(self) -> int:
        return len(self.rows.vehicle_ids)

    def __iter__(self) -> Iterator[VehiclePage]:
        """Yield every page in order of vehicle_id."""
        for rows in self.rows:
            assessment = assess_vehicle(rows, self.setting)
            own = self.findings.of(rows.vehicle.vehicle_id)
            yield build_vehicle_page(
                rows,
                assessment,
                self.setting,
                self.head,
                own,
                ranked="worklist" in self.findings.judged,
            )


@dataclass(frozen=True)
class DigestModel:
    """All pages of a digest; None: that audience was not asked for."""

    index: IndexPage
    fleet: FleetPage | None
    garage: GaragePage | None
    stock: StockPage | None
    vehicles: VehiclePages
    urgent: tuple[AttemptView, ...]  # fixes of safety faults that came back lately, still there


def build_digest(frames: HistoryFrames) -> DigestModel:
    """Work out everything a digest says.

    Raises:
        ValueError: a frame lacks a column its rows need.

    """
    check_frames(frames)
    findings = read_findings(frames.findings)
    setting = Setting(
        as_of=frames.as_of,
        cells=Cells(frames.units, frames.settings.zone, frames.settings.language),
        settings=frames.settings,
        cautions=frames.cautions,
    )
    head = _head(frames)
    rows = FleetRows(frames)
    assessments = [
        assess_vehicle(rows.read(vehicle_id, judged_only=True), setting)
        for vehicle_id in rows.vehicle_ids
    ]
    fleet = build_fleet_page(frames, assessments, setting, head, findings)
    garage, stock = None, None
    if "garage" in frames.audiences:
        garage = build_garage_page(frames, assessments, findings, setting, head)
    if "stock" in frames.audiences:
        before = {
            subject: word
            for (kind, subject), word in frames.previous_marks.items()
            if kind == "stock"
        }
        stock = build_stock_page(findings, assessments, before, frames.previous_at, head)
    return DigestModel(
        index=_index(fleet, garage, stock, assessments, setting),
        fleet=fleet if "fleet" in frames.audiences else None,
        garage=garage,
        stock=stock,
        vehicles=VehiclePages(rows, setting, head, findings),
        urgent=_urgent(fleet, setting),
    )


def _urgent(fleet: FleetPage, setting: Setting) -> tuple[AttemptView, ...]:
    since = setting.as_of - timedelta(days=setting.settings.urgent_days)
    return tuple(
        view
        for view in fleet.failed
        if view.fault.safety and view.present and view.current and returned_at(view) >= since
    )


def _head(frames: HistoryFrames) -> PageHead:
    return PageHead(
        title=frames.settings.fleet_name or "Fleet",
        fleet_name=frames.settings.fleet_name,
        as_of=frames.as_of,
        units=frames.units,
        zone=frames.settings.zone,
        version=__version__,
        held_below=frames.settings.held_below,
        language=frames.settings.language,
        audiences=frames.audiences,
        public=frames.public,
    )


def _index(
    fleet: FleetPage,
    garage: GaragePage | None,
    stock: StockPage | None,
    assessments: list[Assessment],
    setting: Setting,
) -> IndexPage:
    return IndexPage(
        head=fleet.head,
        vehicles=tuple(_line(assessment) for assessment in assessments),
        n_bring_in=sum(item.action == "bring_in" for item in fleet.work),
        n_scan=sum(item.action == "scan" for item in fleet.work),
        garage=_garage_line(garage, setting.cells) if garage else "",
        stock=_stock_line(stock, setting.cells) if stock else "",
    )


def _garage_line(page: GaragePage, cells: Cells) -> str:
    looks = len(page.looks)
    return cells.tn("{n} thing to look into", "{n} things to look into", looks)


def _stock_line(page: StockPage, cells: Cells) -> str:
    if not page.judged:
        return cells.t("stock was not judged")
    return cells.t(
        "{ready} ready, {rescan} to scan again, {hold} to hold back",
        ready=len(page.ready),
        rescan=len(page.rescan),
        hold=len(page.hold),
    )


def _line(assessment: Assessment) -> VehicleLine:
    def n(outcome: str) -> int:
        return sum(view.row.outcome == outcome for view in assessment.attempts)

    return VehicleLine(
        vehicle=assessment.ref,
        n_present=len(assessment.present),
        safety=any(found.fault.safety for found in assessment.present),
        n_held=n("held"),
        n_on_watch=n("on_watch"),
        n_unchecked=n("unchecked"),
        n_came_back=n("came_back"),
        last_scan_at=assessment.last_scan_at,
    )
