"""Tables of findings -> rows by page and by vehicle.  Pure."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from afterclear.digest.input.finding_rows import (
    FINDING_ROWS,
    Decision,
    HabitWork,
    QualityWork,
    RecurringCode,
    RepeatPrice,
    Stock,
    StockReason,
    WorkRow,
)
from afterclear.digest.input.frames import VEHICLE_FINDINGS
from afterclear.digest.input.row_frames import read_rows
from afterclear.digest.input.row_types import required_columns
from afterclear.finding_tables.costs import Cost
from afterclear.finding_tables.cures import Cure
from afterclear.finding_tables.emerging import Emerging, EmergingPoint, EmergingVehicle
from afterclear.finding_tables.forecast import Forecast, ForecastPart, ForecastQuarter
from afterclear.finding_tables.interventions import Intervention
from afterclear.finding_tables.parts import Claim, Part
from afterclear.finding_tables.recurrence import Worsening
from afterclear.finding_tables.roles import EchoWork, Leftover, Role
from afterclear.finding_tables.sites import ComparedGroup, Process, ProcessCost, Quarter


@dataclass(frozen=True)
class VehicleFindings:
    """The findings of one vehicle."""

    recurring: tuple[RecurringCode, ...] = ()
    worsening: Worsening | None = None
    roles: tuple[Role, ...] = ()  # of the scans kept, earliest first
    stock: Stock | None = None
    stock_reasons: tuple[StockReason, ...] = ()
    work: tuple[WorkRow, ...] = ()
    leftovers: tuple[Leftover, ...] = ()
    echo_work: tuple[EchoWork, ...] = ()
    costs: tuple[Cost, ...] = ()  # of its work orders, by currency
    decisions: tuple[Decision, ...] = ()
    forecast: Forecast | None = None  # of the next 90 days; None: nothing to expect


NOTHING_FOUND = VehicleFindings()

# of tables with rows for most vehicles, the columns that select and order what pages show
SLIM: dict[str, dict[str, pl.DataType]] = {
    "recurring": {
        **dict.fromkeys(("vehicle_id", "ecu", "code", "family", "family_label"), pl.String()),
        "n_episodes": pl.Int64(),
        "q_value": pl.Float64(),
        "flagged": pl.Boolean(),
    },
    "worklist": {
        **dict.fromkeys(
            (
                *("vehicle_id", "audience", "kind", "codes", "urgency", "site", "currency"),
                "cost_grounds",
            ),
            pl.String(),
        ),
        "rank": pl.Int64(),
        "safety": pl.Boolean(),
        "usual_cost": pl.Float64(),
    },
    "worklist_set_aside": {"audience": pl.String()},
}
_ROWS = (
    *("parts", "holders", "held_by_quarter", "process", "process_costs", "stock"),
    *("quality_work", "habit_work", "failed_parts", "repeat_prices", "costs", "cures"),
    "interventions",
    *("forecast", "forecast_parts", "forecast_record"),
    *("emerging", "emerging_points", "emerging_vehicles"),
)


@dataclass(frozen=True)
class Findings:
    """Every finding on the audiences' pages.

    Small tables are rows, large ones stay frames with at least the columns of ``SLIM``.
    """

    recurring: pl.DataFrame
    worklist: pl.DataFrame
    worklist_set_aside: pl.DataFrame
    claims: pl.DataFrame
    parts: tuple[Part, ...]
    holders: tuple[ComparedGroup, ...]
    held_by_quarter: tuple[Quarter, ...]
    process: tuple[Process, ...]
    process_costs: tuple[ProcessCost, ...]
    stock: tuple[Stock, ...]
    quality_work: tuple[QualityWork, ...]
    habit_work: tuple[HabitWork, ...]
    failed_parts: tuple[Claim, ...]
    costs: tuple[Cost, ...]
    cures: tuple[Cure, ...]
    emerging: tuple[Emerging, ...]
    emerging_points: tuple[EmergingPoint, ...]
    emerging_vehicles: tuple[EmergingVehicle, ...]
    interventions: tuple[Intervention, ...]
    forecast: tuple[Forecast, ...]  # of the fleet and its components
    forecast_parts: tuple[ForecastPart, ...]
    forecast_record: tuple[ForecastQuarter, ...]
    repeat_prices: tuple[RepeatPrice, ...]


def read_findings(frames: Mapping[str, pl.DataFrame]) -> Findings:
    """Return the tables for the audiences' pages.

    Raises:
        ValueError: a table lacks a column its rows need.

    """
    _check(frames, _REQUIRED | {name: tuple(types) for name, types in SLIM.items()})
    rows: dict[str, Any] = {  # by field
        name: tuple(read_rows(frames[name], FINDING_ROWS[name])) for name in _ROWS
    }
    rows |= {
        name: frames[name].select(pl.col(column).cast(kind) for column, kind in types.items())
        for name, types in SLIM.items()
    }
    return Findings(claims=frames["claims"], **rows)


def vehicle_findings(tables: Mapping[str, pl.DataFrame]) -> Mapping[str, VehicleFindings]:
    """Collect the findings of each of some vehicles from the complete tables.

    Raises:
        ValueError: a table lacks a column its rows need.

    """
    wanted = {name: tables[name] for name in VEHICLE_FINDINGS if name in tables}
    _check(wanted, _REQUIRED)
    return _by_vehicle(
        {
            name: list(read_rows(wanted[name], FINDING_ROWS[name])) if name in wanted else []
            for name in VEHICLE_FINDINGS
        }
    )


_REQUIRED = {name: required_columns(kind) for name, kind in FINDING_ROWS.items()}


def _check(frames: Mapping[str, pl.DataFrame], required: Mapping[str, tuple[str, ...]]) -> None:
    missing = [
        f"{name}.{column}"
        for name, columns in required.items()
        if name in frames
        for column in columns
        if column not in frames[name].columns
    ]
    if missing:
        raise ValueError(f"The tables of findings lack these columns: {', '.join(missing)}.")


def _by_vehicle(rows: Mapping[str, list[object]]) -> dict[str, VehicleFindings]:
    grouped = {name: _grouped(found) for name, found in rows.items()}
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
            costs=_own(grouped, "costs", vehicle),
            forecast=next(iter(_own(grouped, "forecast", vehicle)), None),
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
