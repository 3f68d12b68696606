"""Findings on vehicles in stock -> the stock page's model.  Pure."""

import json
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from afterclear.digest.common import file_names
from afterclear.digest.common.assess import Faults
from afterclear.digest.common.choosing import MOST
from afterclear.digest.common.model import PageHead, VehicleRef
from afterclear.digest.common.roster import Roster
from afterclear.digest.common.stock_state import InStock, in_stock_since, steps_of
from afterclear.digest.input.finding_rows import Stock, StockReason, WorkRow
from afterclear.digest.input.frames import Caution
from afterclear.reasons import StockReason as Reason
from afterclear.reasons import WorkReason
from afterclear.wording.cells import Cells
from afterclear.wording.language import mark
from afterclear.wording.stock import stock_words
from afterclear.wording.stock_steps import Step

VERDICTS: tuple[Literal["hold", "rescan", "ready"], ...] = ("hold", "rescan", "ready")
_REPAIR = "bring_in"
STOCK_WORDS: dict[str, str] = {
    "ready": mark("Ready"),
    "rescan": mark("Scan again"),
    "hold": mark("Hold back"),
}


@dataclass(frozen=True, slots=True)
class StockLine:
    """One vehicle in stock with its verdict and every reason."""

    vehicle: VehicleRef
    dossier: str  # file name relative to the digest's folder
    row: Stock
    in_stock: InStock
    steps: tuple[Step, ...]  # what would make it ready, first things first
    reasons: tuple[StockReason, ...]
    cautions: tuple[Caution, ...]
    last_scan_at: datetime | None
    before: str | None  # verdict of the previous digest; None: not known


@dataclass(frozen=True, slots=True)
class RepairCost:
    """What the repairs cost that would make vehicles ready, in one currency."""

    amount: float
    currency: str
    n: int  # vehicles


@dataclass(frozen=True)
class StockDetails:
    """What the page needs for the lines it shows, by vehicle."""

    since: datetime | None  # the previous digest; None: there was none
    work: Sequence[WorkRow]  # their lines of the work list
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
    days: int  # that all vehicles together have been in stock, as far as known
    n_days: int  # vehicles of which that is known
    many_sites: bool  # at one site only, its name on every line says nothing
    n_to_repair: int
    costs: tuple[RepairCost, ...]  # of those whose repair has a price in the fleet's own orders


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
    cells = Cells(head.units, head.zone, head.language)
    lines = [_line(row, details, roster, before, head, cells) for row in sorted(stock, key=_order)]
    days = [line.in_stock.days for line in lines if line.in_stock.days is not None]
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
        days=sum(days),
        n_days=len(days),
        many_sites=len({line.vehicle.site for line in lines}) > 1,
        n_to_repair=sum(row.kind == _REPAIR for row in details.work),
        costs=repair_costs(details.work),
    )


def repair_costs(work: Sequence[WorkRow]) -> tuple[RepairCost, ...]:
    """Add up the repairs that orders of the same kind give a price for, each currency apart.

    A line that also weighs the chance of an earlier fix has no price of its own.
    """
    priced = [
        row for row in work if row.kind == _REPAIR and not row.attempt_ids and _has_price(row)
    ]
    found: dict[str, list[float]] = defaultdict(list)
    for row in priced:
        found[row.currency or ""].append(row.expected_loss or 0.0)
    return tuple(RepairCost(sum(own), name, len(own)) for name, own in sorted(found.items()))


def _has_price(row: WorkRow) -> bool:
    """Whether the price is the median of orders on the same component, not of any orders."""
    grounds = json.loads(row.cost_grounds or "[]")
    return bool(grounds) and all(name == WorkReason.COST_OF_COMPONENT for name, _ in grounds)


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
    row: Stock,
    details: StockDetails,
    roster: Roster,
    before: Mapping[str, str],
    head: PageHead,
    cells: Cells,
) -> StockLine:
    reasons = details.reasons.get(row.vehicle_id, ())
    return StockLine(
        vehicle=roster.ref(row.vehicle_id),
        dossier=file_names.dossier(row.vehicle_id),
        row=row,
        in_stock=in_stock_since(row, head.as_of, cells),
        steps=steps_of(row, reasons, cells),
        reasons=reasons,
        cautions=details.cautions.get(row.vehicle_id, ()) if row.safety else (),
        last_scan_at=roster.last_scan_at(row.vehicle_id),
        before=before.get(row.vehicle_id),
    )


def _order(row: Stock) -> tuple[bool, float, str]:
    return (not row.safety, row.km_to_rescan or 0.0, row.vehicle_id)
