"""Findings on vehicles in stock -> the stock page's model.  Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from afterclear.digest.assess import Assessment, vehicle_ref
from afterclear.digest.finding_rows import Stock, StockReason
from afterclear.digest.findings import Findings
from afterclear.digest.frames import Caution
from afterclear.digest.language import mark
from afterclear.digest.model import PageHead, VehicleRef
from afterclear.digest.rows import Vehicle

VERDICTS: tuple[Literal["hold", "rescan", "ready"], ...] = ("hold", "rescan", "ready")
STOCK_WORDS: dict[str, str] = {
    "ready": mark("Ready"),
    "rescan": mark("Scan again"),
    "hold": mark("Hold back"),
}


@dataclass(frozen=True, slots=True)
class StockLine:
    """One vehicle in stock with its verdict and every reason."""

    vehicle: VehicleRef
    row: Stock
    reasons: tuple[StockReason, ...]
    cautions: tuple[Caution, ...]
    last_scan_at: datetime | None
    before: str | None  # verdict of the digest before; None: not known


@dataclass(frozen=True, slots=True)
class StockPage:
    """The page for who hands vehicles over."""

    head: PageHead
    judged: bool  # the analysis had stock to judge
    hold: tuple[StockLine, ...]
    rescan: tuple[StockLine, ...]
    ready: tuple[StockLine, ...]
    since: datetime | None  # the digest before; None: there was none
    changed: tuple[StockLine, ...]  # another verdict than before
    gone: tuple[VehicleRef, ...]  # in stock before, not now


def build_stock_page(
    findings: Findings,
    assessments: Sequence[Assessment],
    before: Mapping[str, str],
    since: datetime | None,
    head: PageHead,
) -> StockPage:
    """Put the stock page together.

    ``before``: verdicts of the digest before, by vehicle_id; ``since``: its as-of time.
    """
    known = {a.ref.vehicle_id: a for a in assessments}
    lines = [_line(row, findings, known, before) for row in findings.stock]
    lines.sort(key=_order)
    by_verdict = {name: tuple(x for x in lines if x.row.verdict == name) for name in VERDICTS}
    now = {line.row.vehicle_id for line in lines}
    return StockPage(
        head=head,
        judged="stock" in findings.judged,
        hold=by_verdict["hold"],
        rescan=by_verdict["rescan"],
        ready=by_verdict["ready"],
        since=since,
        changed=tuple(x for x in lines if x.before is not None and x.before != x.row.verdict),
        gone=tuple(_ref(vehicle, known) for vehicle in sorted(before.keys() - now)),
    )


def _line(
    row: Stock, findings: Findings, known: Mapping[str, Assessment], before: Mapping[str, str]
) -> StockLine:
    assessment = known.get(row.vehicle_id)
    reasons = sorted(findings.of(row.vehicle_id).stock_reasons, key=lambda r: r.position)
    return StockLine(
        vehicle=_ref(row.vehicle_id, known),
        row=row,
        reasons=tuple(reasons),
        cautions=_cautions(assessment) if assessment and row.safety else (),
        last_scan_at=assessment.last_scan_at if assessment else None,
        before=before.get(row.vehicle_id),
    )


def _ref(vehicle_id: str, known: Mapping[str, Assessment]) -> VehicleRef:
    assessment = known.get(vehicle_id)
    return assessment.ref if assessment else vehicle_ref(Vehicle(vehicle_id))


def _cautions(assessment: Assessment) -> tuple[Caution, ...]:
    faults = [found.fault for found in assessment.present]
    faults += [view.fault for view in assessment.attempts if view.current]
    return tuple(dict.fromkeys(caution for fault in faults for caution in fault.cautions))


def _order(line: StockLine) -> tuple[bool, float, str]:
    return (not line.row.safety, line.row.km_to_rescan or 0.0, line.row.vehicle_id)
