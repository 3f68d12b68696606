"""What work cost over a period, as the audiences' pages show it.  Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from afterclear.digest.common.model import VehicleRef
from afterclear.digest.common.roster import Roster
from afterclear.finding_tables.costs import NOT_TIED, Cost

_DEAREST = 5  # of each kind and currency; the export has all


@dataclass(frozen=True, slots=True)
class CostLine:
    """One row; of a vehicle with its name."""

    row: Cost
    vehicle: VehicleRef | None

    @property
    def share_came_back(self) -> float | None:
        """The share of the amount that went to fixes that came back; None: not above zero."""
        return self.row.amount_came_back / self.row.amount if self.row.amount > 0 else None


@dataclass(frozen=True, slots=True)
class CostView:
    """The costs of one period; currencies stay apart."""

    days: int
    to_at: datetime
    fleet: tuple[CostLine, ...]
    vehicles: tuple[CostLine, ...]  # the dearest of each currency
    faults: tuple[CostLine, ...]
    sites: tuple[CostLine, ...]  # all
    n_refused: int  # rows of work orders that were refused: no amount here counts them


def cost_view(rows: Iterable[Cost], roster: Roster, n_refused: int) -> CostView | None:
    """Show the costs; None: no order lies in the period."""
    found = list(rows)
    if not found:
        return None
    most_used = sorted((r for r in found if r.kind == "fleet"), key=lambda r: -r.n_orders)
    places = {row.currency: place for place, row in enumerate(most_used)}
    found.sort(key=lambda row: (places.get(row.currency, len(places)), *_by_amount(row)))
    lines = {
        kind: [
            CostLine(row, roster.ref(row.vehicle_id) if row.vehicle_id else None)
            for row in found
            if row.kind == kind
        ]
        for kind in ("fleet", "vehicle", "fault", "site")
    }
    return CostView(
        days=found[0].days,
        to_at=found[0].to_at,
        fleet=tuple(lines["fleet"]),
        vehicles=_dearest(lines["vehicle"]),
        faults=_with_untied(lines["fault"]),
        sites=tuple(lines["site"]),
        n_refused=n_refused,
    )


def _with_untied(lines: Sequence[CostLine]) -> tuple[CostLine, ...]:
    """List the dearest faults, and what is tied to none whatever it is."""
    untied = [line for line in lines if line.row.fault == NOT_TIED and line.row.n_orders]
    return (*_dearest(line for line in lines if line.row.fault != NOT_TIED), *untied)


def _dearest(lines: Iterable[CostLine]) -> tuple[CostLine, ...]:
    shown: dict[str | None, list[CostLine]] = {}
    for line in lines:
        if line.row.n_orders:
            shown.setdefault(line.row.currency, []).append(line)
    return tuple(line for own in shown.values() for line in own[:_DEAREST])


def _by_amount(row: Cost) -> tuple[str, float, str]:
    return row.currency or "", -row.amount, row.vehicle_id or row.site or row.fault or ""
