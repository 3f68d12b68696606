"""Frames of results -> the model of a whole digest.  Pure: no file, no clock."""

from collections.abc import Iterator
from dataclasses import dataclass

from afterclear import __version__
from afterclear.digest.assess import Assessment, FleetRows, Setting, assess_vehicle
from afterclear.digest.cells import Cells
from afterclear.digest.fleet import build_fleet_page
from afterclear.digest.frames import HistoryFrames, check_frames
from afterclear.digest.model import FleetPage, IndexPage, PageHead, VehicleLine
from afterclear.digest.vehicle import build_vehicle_page
from afterclear.digest.vehicle_model import VehiclePage


@dataclass(frozen=True)
class VehiclePages:
    """The vehicles' pages, each made when it is asked for, so that few live at once."""

    rows: FleetRows
    setting: Setting
    head: PageHead

    def __len__(self) -> int:
        return len(self.rows.vehicle_ids)

    def __iter__(self) -> Iterator[VehiclePage]:
        """Yield every page in order of vehicle_id."""
        for vehicle_rows in self.rows:
            assessment = assess_vehicle(vehicle_rows, self.setting)
            yield build_vehicle_page(vehicle_rows, assessment, self.setting, self.head)


@dataclass(frozen=True)
class DigestModel:
    """All pages of a digest."""

    index: IndexPage
    fleet: FleetPage
    vehicles: VehiclePages


def build_digest(frames: HistoryFrames) -> DigestModel:
    """Work out everything a digest says.

    Raises:
        ValueError: a frame lacks a column its rows need.

    """
    check_frames(frames)
    setting = Setting(
        as_of=frames.as_of,
        cells=Cells(frames.units, frames.settings.zone),
        settings=frames.settings,
        cautions=frames.cautions,
    )
    head = _head(frames)
    rows = FleetRows(frames)
    assessments = [
        assess_vehicle(rows.read(vehicle_id, judged_only=True), setting)
        for vehicle_id in rows.vehicle_ids
    ]
    fleet = build_fleet_page(frames, assessments, setting, head)
    return DigestModel(
        index=_index(fleet, assessments, head),
        fleet=fleet,
        vehicles=VehiclePages(rows, setting, head),
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
    )


def _index(fleet: FleetPage, assessments: list[Assessment], head: PageHead) -> IndexPage:
    return IndexPage(
        head=head,
        vehicles=tuple(_line(assessment) for assessment in assessments),
        n_bring_in=sum(item.action == "bring_in" for item in fleet.work),
        n_scan=sum(item.action == "scan" for item in fleet.work),
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
