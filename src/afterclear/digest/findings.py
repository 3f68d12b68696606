"""Tables of findings -> rows by page and by vehicle.  Pure."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Protocol, TypeVar

import polars as pl

from afterclear.digest.finding_rows import (
    FINDING_ROWS,
    Claim,
    Decision,
    EchoWork,
    Holder,
    Leftover,
    Part,
    Process,
    ProcessCost,
    Quarter,
    Recurring,
    Role,
    Stock,
    StockReason,
    WorkRow,
    Worsening,
)
from afterclear.digest.rows import read_rows, required_columns


class _OfVehicle(Protocol):
    @property
    def vehicle_id(self) -> str: ...


Row = TypeVar("Row")
Owned = TypeVar("Owned", bound=_OfVehicle)


@dataclass(frozen=True)
class VehicleFindings:
    """What the findings say of one vehicle."""

    recurring: tuple[Recurring, ...] = ()
    worsening: Worsening | None = None
    roles: tuple[Role, ...] = ()  # of the scans kept, earliest first
    stock: Stock | None = None
    stock_reasons: tuple[StockReason, ...] = ()
    work: tuple[WorkRow, ...] = ()
    leftovers: tuple[Leftover, ...] = ()
    echo_work: tuple[EchoWork, ...] = ()
    decisions: tuple[Decision, ...] = ()


_NOTHING = VehicleFindings()


@dataclass(frozen=True)
class Findings:
    """Every finding, as rows; ``judged`` says which tables there were at all."""

    judged: frozenset[str] = frozenset()
    recurring: tuple[Recurring, ...] = ()
    worsening: tuple[Worsening, ...] = ()
    parts: tuple[Part, ...] = ()
    claims: tuple[Claim, ...] = ()
    holders: tuple[Holder, ...] = ()
    held_by_quarter: tuple[Quarter, ...] = ()
    process: tuple[Process, ...] = ()
    process_costs: tuple[ProcessCost, ...] = ()
    stock: tuple[Stock, ...] = ()
    stock_reasons: tuple[StockReason, ...] = ()
    worklist: tuple[WorkRow, ...] = ()
    worklist_set_aside: tuple[WorkRow, ...] = ()
    by_vehicle: Mapping[str, VehicleFindings] = field(default_factory=dict)

    def of(self, vehicle_id: str) -> VehicleFindings:
        """Give what is said of one vehicle."""
        return self.by_vehicle.get(vehicle_id, _NOTHING)


def read_findings(frames: Mapping[str, pl.DataFrame]) -> Findings:
    """Turn the tables into rows; a table that is not there says nothing.

    Raises:
        ValueError: a table lacks a column its rows need.

    """
    _check(frames)
    rows: dict[str, list[object]] = {
        name: list(read_rows(frames[name], kind)) if name in frames else []
        for name, kind in FINDING_ROWS.items()
    }
    kept: dict[str, object] = {
        name: tuple(rows[name])
        for name in FINDING_ROWS
        if name not in {"roles", "leftovers", "echo_work", "decisions"}
    }
    return Findings(judged=frozenset(frames), by_vehicle=_by_vehicle(rows), **kept)  # type: ignore[arg-type]


def _check(frames: Mapping[str, pl.DataFrame]) -> None:
    missing = [
        f"{name}.{column}"
        for name, kind in FINDING_ROWS.items()
        if name in frames
        for column in required_columns(kind)
        if column not in frames[name].columns
    ]
    if missing:
        raise ValueError(f"The tables of findings lack these columns: {', '.join(missing)}.")


def _by_vehicle(rows: Mapping[str, list[object]]) -> dict[str, VehicleFindings]:
    names = (
        *("recurring", "roles", "stock_reasons", "worklist"),
        *("leftovers", "echo_work", "decisions", "worsening", "stock"),
    )
    grouped = {name: _grouped(rows[name]) for name in names}
    vehicles = sorted({vehicle for found in grouped.values() for vehicle in found})
    return {
        vehicle: VehicleFindings(
            recurring=_own(grouped, "recurring", vehicle),
            worsening=next(iter(_own(grouped, "worsening", vehicle)), None),
            roles=_own(grouped, "roles", vehicle),
            stock=next(iter(_own(grouped, "stock", vehicle)), None),
            stock_reasons=_own(grouped, "stock_reasons", vehicle),
            work=_own(grouped, "worklist", vehicle),
            leftovers=_own(grouped, "leftovers", vehicle),
            echo_work=_own(grouped, "echo_work", vehicle),
            decisions=tuple(
                row for row in _own(grouped, "decisions", vehicle) if row.undone_at is None
            ),
        )
        for vehicle in vehicles
    }


def _grouped(rows: Iterable[object]) -> dict[str, list[object]]:
    found: dict[str, list[object]] = defaultdict(list)
    for row in rows:
        found[row.vehicle_id].append(row)  # type: ignore[attr-defined]
    return found


def _own(grouped: Mapping[str, Mapping[str, list[object]]], name: str, vehicle: str) -> tuple:  # type: ignore[type-arg]
    return tuple(grouped[name].get(vehicle, ()))
