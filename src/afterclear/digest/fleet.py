"""Assessments of all vehicles -> the fleet page's model.  Pure."""

from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import polars as pl

from afterclear.digest.assess import Assessment, Setting, scan_counts
from afterclear.digest.cells import Dash
from afterclear.digest.changes import changes_since
from afterclear.digest.fault_findings import fault_findings
from afterclear.digest.findings import Findings
from afterclear.digest.fleet_model import FleetPage
from afterclear.digest.frames import HistoryFrames
from afterclear.digest.model import (
    AttemptView,
    ComebackCost,
    DataNotes,
    LoadLine,
    PageHead,
    SetAside,
    Tally,
)
from afterclear.digest.ranked import ranked_work
from afterclear.digest.worklist import build_worklist

_FAR = datetime.max.replace(tzinfo=UTC)
_DEAREST = 5  # work orders named under a cost; the rest is in the table of come-backs


def build_fleet_page(
    frames: HistoryFrames,
    assessments: Sequence[Assessment],
    setting: Setting,
    head: PageHead,
    findings: Findings,
) -> FleetPage:
    """Put the fleet page together."""
    attempts = [view for a in assessments for view in a.attempts]
    came_back = [view for view in attempts if view.row.outcome == "came_back"]
    look_back = setting.as_of - timedelta(days=setting.settings.look_back_days)
    failed = [view for view in came_back if returned_at(view) >= look_back]
    costs, n_without = costs_of(failed)
    ranked = "worklist" in findings.judged
    if ranked:
        refs = {a.ref.vehicle_id: a.ref for a in assessments}
        work = ranked_work(findings.worklist, "fleet", refs, setting)
    else:
        work = build_worklist(assessments, setting)
    return FleetPage(
        head=head,
        n_vehicles=len(assessments),
        work=work,
        cautions=tuple(dict.fromkeys(caution for item in work for caution in item.cautions)),
        changes=changes_since(frames, attempts, assessments, setting),
        tallies=tallies_of(attempts),
        failed=tuple(sorted(failed, key=_failed_order)),
        n_failed_before=len(came_back) - len(failed),
        watched=tuple(sorted((v for v in attempts if v.due is not None), key=_due_order)),
        unchecked=tuple(
            sorted(
                (v for v in attempts if v.row.outcome == "unchecked" and v.current),
                key=lambda v: (not v.fault.safety, -v.row.attempted_at.timestamp()),
            )
        ),
        costs=costs,
        n_failed_without_cost=n_without,
        look_back_days=setting.settings.look_back_days,
        quiet_days=setting.settings.quiet_days,
        notes=_data_notes(frames, assessments, setting),
        faults=fault_findings(findings, assessments, setting),
        ranked=ranked,
        n_set_aside=sum(row.audience == "fleet" for row in findings.worklist_set_aside),
    )


def returned_at(view: AttemptView) -> datetime:
    """Say when a fix came back."""
    return view.row.returned_at or view.row.attempted_at


def _failed_order(view: AttemptView) -> tuple[bool, bool, bool, float]:
    at = -returned_at(view).timestamp()
    return (not view.present, not view.current, not view.fault.safety, at)


def _due_order(view: AttemptView) -> tuple[bool, datetime]:
    due = view.due
    if due is None or isinstance(due.on, Dash):
        return (True, _FAR)
    return (False, due.on)


def tallies_of(attempts: Sequence[AttemptView]) -> tuple[Tally, ...]:
    """Count attempts by kind and verdict."""
    counted = Counter((view.row.kind, view.row.outcome) for view in attempts)
    return tuple(
        Tally(
            kind,
            held=counted[kind, "held"],
            on_watch=counted[kind, "on_watch"],
            unchecked=counted[kind, "unchecked"],
            came_back=counted[kind, "came_back"],
        )
        for kind in ("repair", "clear_only")
    )


def costs_of(failed: Sequence[AttemptView]) -> tuple[tuple[ComebackCost, ...], int]:
    """Add up the work orders whose fault came back, each once however many codes it was for.

    A return that is more likely a new fault than the old one is not held against the repair.
    """
    orders: dict[tuple[str, str], AttemptView] = {}
    for view in failed:
        row = view.row
        if row.kind == "repair" and (row.p_same_fault is None or row.p_same_fault >= 0.5):  # noqa: PLR2004
            orders.setdefault((row.vehicle_id, row.repair_id or row.attempt_id), view)
    by_currency: dict[str, list[AttemptView]] = {}
    for view in orders.values():
        if view.row.cost is not None:
            by_currency.setdefault(view.row.currency or "", []).append(view)
    costs = tuple(
        ComebackCost(
            currency=currency,
            total=sum(view.row.cost or 0.0 for view in views),
            n_repairs=len(views),
            largest=tuple(sorted(views, key=lambda v: -(v.row.cost or 0.0))[:_DEAREST]),
        )
        for currency, views in sorted(by_currency.items())
    )
    return costs, sum(view.row.cost is None for view in orders.values())


def _data_notes(
    frames: HistoryFrames, assessments: Sequence[Assessment], setting: Setting
) -> DataNotes:
    quiet_before = setting.as_of - timedelta(days=setting.settings.quiet_days)
    watched = [a for a in assessments if not a.ref.sold]
    quiet = [
        (a.ref, a.last_scan_at)
        for a in watched
        if a.last_scan_at is not None and a.last_scan_at < quiet_before
    ]
    n_scans, n_partial = scan_counts(frames.observations)
    return DataNotes(
        n_rejections=frames.n_rejections,
        loads_with_refusals=_loads_with_refusals(frames.loads),
        stale_sources=frames.stale_sources,
        set_aside=_set_aside(frames.odometer),
        quiet=tuple(sorted(quiet, key=lambda pair: pair[1])),
        never_scanned=tuple(a.ref for a in watched if a.last_scan_at is None),
        n_scans=n_scans,
        n_partial=n_partial,
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


def _set_aside(odometer: pl.DataFrame) -> tuple[SetAside, ...]:
    counted = (
        odometer.filter(pl.col("set_aside").is_not_null())
        .group_by("set_aside")
        .agg(pl.len().alias("n"), pl.col("vehicle_id").n_unique().alias("vehicles"))
        .sort("n", "set_aside", descending=[True, False])
    )
    return tuple(SetAside(*row) for row in counted.iter_rows())
