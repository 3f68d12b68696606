"""Since when a vehicle is in stock, and what would make it ready.  Pure."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from afterclear.digest.input.finding_rows import Stock, StockReason
from afterclear.reasons import StockReason as Reason
from afterclear.wording.cells import Cells
from afterclear.wording.stock_steps import Found, LastScan, Step, steps_to_ready


@dataclass(frozen=True, slots=True)
class InStock:
    """How long a vehicle has been in stock, and what that was taken from."""

    since: date | None  # None: nothing says so
    days: int | None
    by_purchase: bool  # the day it was bought; otherwise when a list first named it as stock


def in_stock_since(row: Stock, as_of: datetime, cells: Cells) -> InStock:
    """Return since when a vehicle is in stock.

    The day it was bought, unless an earlier list had it in the fleet: then, as where no day is
    given, when a list first named it as stock.
    """
    by_purchase = row.acquired_on is not None and not row.was_elsewhere
    since = row.acquired_on
    if not by_purchase:
        since = cells.local(row.listed_at).date() if row.listed_at else None
    days = (cells.local(as_of).date() - since).days if since else None
    if days is None or days < 0:  # listed after the instant the pages are made for
        return InStock(None, None, by_purchase)
    return InStock(since, days, by_purchase)


def steps_of(row: Stock, reasons: Sequence[StockReason], cells: Cells) -> tuple[Step, ...]:
    """Return what would make a vehicle ready."""
    found = [
        Found(Reason(reason.reason), json.loads(reason.facts), reason.km_to_rescan)
        for reason in reasons
        if reason.weight != "note"
    ]
    last = None
    if row.last_scan_id is not None and row.last_scan_at is not None:
        driven = row.driven_km or 0.0
        last = LastScan(row.last_scan_id, row.last_scan_at, row.shown_km, driven, row.read_at)
    return steps_to_ready(found, last, cells)
