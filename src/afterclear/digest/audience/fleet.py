"""Chosen rows -> the fleet page's model.  Pure."""

from datetime import timedelta

import polars as pl

from afterclear.digest.audience.costs import CostView
from afterclear.digest.audience.fault_findings import FaultFindings
from afterclear.digest.audience.fleet_model import FleetPage
from afterclear.digest.audience.sections import section_views
from afterclear.digest.audience.shown_vehicles import CommonViews, year_tallies
from afterclear.digest.common.assess import Setting
from afterclear.digest.common.cure_lines import cures_view
from afterclear.digest.common.forecast_lines import ComingView
from afterclear.digest.common.model import DataNotes, LoadLine, SetAside
from afterclear.digest.common.rise_lines import rises_view
from afterclear.digest.common.roster import Roster
from afterclear.digest.common.worklist_lines import Work
from afterclear.digest.input.frames import FleetFrames
from afterclear.digest.sheet.not_again import not_again

_NAMED = 20  # vehicles not scanned that are named; the index lists all


def build_fleet_page(
    frames: FleetFrames,
    common: CommonViews,
    work: Work,
    faults: FaultFindings,
    spent: CostView | None,
    coming: ComingView | None,
) -> FleetPage:
    """Put the fleet page together."""
    choice, setting = common.choice, common.setting
    return FleetPage(
        head=common.head,
        n_vehicles=len(common.roster),
        work=work,
        changes=common.changes,
        tallies=common.tallies,
        year=year_tallies(frames.year),
        failed=common.shown(choice.failed),
        n_failed=choice.failed.n,
        failed_again=common.shown(choice.failed_again),
        n_failed_again=choice.failed_again.n,
        n_failed_before=frames.n_failed_before,
        on_watch=common.shown(choice.on_watch),
        n_on_watch=choice.on_watch.n,
        unchecked=common.shown(choice.unchecked),
        n_unchecked=choice.unchecked.n,
        costs=common.costs,
        n_failed_without_cost=choice.n_without_cost,
        look_back_days=setting.settings.look_back_days,
        quiet_days=setting.settings.quiet_days,
        notes=_data_notes(frames, common.roster, setting),
        faults=faults,
        sections=section_views(frames.findings, common.roster, setting.cells),
        cures=cures_view(setting),
        coming=coming,
        rises=rises_view(setting, common.roster),
        not_again=not_again(setting),
        n_set_aside=_n_set_aside(frames),
        spent=spent,
    )


def _n_set_aside(frames: FleetFrames) -> int:
    """Count the lines that a person's decision took off the list."""
    return frames.findings["worklist_set_aside"].filter(pl.col("audience") == "fleet").height


def _data_notes(frames: FleetFrames, roster: Roster, setting: Setting) -> DataNotes:
    quiet = roster.quiet_since(setting.as_of - timedelta(days=setting.settings.quiet_days))
    never = roster.never_scanned()
    aside = frames.set_aside.sort("n", "set_aside", descending=[True, False])
    return DataNotes(
        n_rejections=frames.n_rejections,
        loads_with_refusals=_loads_with_refusals(frames.loads),
        stale_sources=frames.stale_sources,
        set_aside=tuple(SetAside(*row) for row in aside.iter_rows()),
        quiet=tuple((roster.ref(vehicle), at) for vehicle, at in quiet[:_NAMED]),
        n_quiet=len(quiet),
        never_scanned=tuple(map(roster.ref, never[:_NAMED])),
        n_never_scanned=len(never),
        n_scans=frames.n_scans,
        n_partial=frames.n_partial,
    )


def _loads_with_refusals(loads: pl.DataFrame) -> tuple[LoadLine, ...]:
    if loads.is_empty() or "rows_rejected" not in loads.columns:
        return ()
    refused = loads.filter(pl.col("rows_rejected") > 0)
    return tuple(
        LoadLine(
            file_name=row["file_name"],
            source=row["source"],
            at=row.get("finished_at"),
            n_read=row["rows_read"],
            n_refused=row["rows_rejected"],
        )
        for row in refused.iter_rows(named=True)
    )
