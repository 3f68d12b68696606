"""Findings on vehicles in stock -> the stock page's model.  Pure."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from afterclear.digest.common.assess import Faults
from afterclear.digest.common.choosing import MOST
from afterclear.digest.common.model import PageHead, VehicleRef
from afterclear.digest.common.roster import Roster
from afterclear.digest.input.finding_rows import Stock, StockReason
from afterclear.digest.input.frames import Caution
from afterclear.reasons import StockReason as Reason
from afterclear.wording.cells import Cells
from afterclear.wording.language import mark
from afterclear.wording.stock import stock_words

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
    before: str | None  # verdict of the previous digest; None: not known


@dataclass(frozen=True)
class StockDetails:
    """What the page needs for the lines it shows, by vehicle."""

    since: datetime | None  # the previous digest; None: there was none
    reasons: Mapping[str, tuple[StockReason, ...]]  # most weighty first
    cautions: Mapping[str, tuple[Caution, ...]]


@dataclass(frozen=True, slots=True)
class StockPage:
    """The page for people who hand vehicles over."""

    head: PageHead
    n: Mapping[str, int]  # vehicles by verdict; the first of each are shown
    hold: tuple[StockLine, ...]
    rescan: tuple[StockLine, ...]
    ready: tuple[StockLine, ...]
    since: datetime | None  # the previous digest; None: there was none
    changed: tuple[StockLine, ...]  # another verdict than before: the first of them
    n_changed: int
    gone: tuple[VehicleRef, ...]  # in stock before, not now: the first of them
    n_gone: int


def build_stock_page(
    stock: Sequence[Stock],
    details: StockDetails,
    before: Mapping[str, str],
    roster: Roster,
    head: PageHead,
) -> StockPage:
    """Put the stock page together.

    ``before``: verdicts of the previous digest, by vehicle_id.
    """
    lines = [_line(row, details, roster, before) for row in sorted(stock, key=_order)]
    now = {row.vehicle_id for row in stock}
    changed = [x for x in lines if x.before is not None and x.before != x.row.verdict]
    gone = sorted(before.keys() - now)
    return StockPage(
        head=head,
        n={name: sum(x.row.verdict == name for x in lines) for name in VERDICTS},
        **{name: tuple(x for x in lines if x.row.verdict == name)[:MOST] for name in VERDICTS},
        since=details.since,
        changed=tuple(changed[:MOST]),
        n_changed=len(changed),
        gone=tuple(map(roster.ref, gone[:MOST])),
        n_gone=len(gone),
    )


def shown_stock(stock: Sequence[Stock]) -> tuple[str, ...]:
    """Name the vehicles of which the page shows a line with its reasons."""
    ordered = sorted(stock, key=_order)
    return tuple(
        row.vehicle_id
        for name in VERDICTS
        for row in [row for row in ordered if row.verdict == name][:MOST]
    )


def stock_reason(row: StockReason, cells: Cells) -> str:
    """Return one reason of a vehicle's audit."""
    return stock_words(Reason(row.reason), json.loads(row.facts), cells)


def cautions_of_vehicle(found: Faults) -> tuple[Caution, ...]:
    """Collect the cautions of present faults and of past work, each once."""
    faults = [present.fault for present in found.present]
    faults += [view.fault for view in found.attempts if view.current]
    return tuple(dict.fromkeys(caution for fault in faults for caution in fault.cautions))


def _line(
    row: Stock, details: StockDetails, roster: Roster, before: Mapping[str, str]
) -> StockLine:
    return StockLine(
        vehicle=roster.ref(row.vehicle_id),
        row=row,
        reasons=details.reasons.get(row.vehicle_id, ()),
        cautions=details.cautions.get(row.vehicle_id, ()) if row.safety else (),
        last_scan_at=roster.last_scan_at(row.vehicle_id),
        before=before.get(row.vehicle_id),
    )


def _order(row: Stock) -> tuple[bool, float, str]:
    return (not row.safety, row.km_to_rescan or 0.0, row.vehicle_id)
