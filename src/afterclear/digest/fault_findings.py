"""Recurring codes and worsening vehicles for the fleet page.  Pure."""

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from afterclear.digest.assess import Assessment, Setting, vehicle_ref
from afterclear.digest.cells import capital
from afterclear.digest.finding_rows import Recurring, Worsening
from afterclear.digest.findings import Findings
from afterclear.digest.model import Fault, VehicleRef
from afterclear.digest.rows import Vehicle

_MOST_ROWS, _MOST_COLUMNS = 15, 10


@dataclass(frozen=True, slots=True)
class RecurringView:
    """A recurring code with its vehicle and what it is about."""

    row: Recurring
    vehicle: VehicleRef
    fault: Fault


@dataclass(frozen=True, slots=True)
class WorseningView:
    """A vehicle whose faults come faster or slower."""

    row: Worsening
    vehicle: VehicleRef


@dataclass(frozen=True, slots=True)
class MatrixCell:
    """How often codes of one family began again on one vehicle."""

    n_episodes: int
    flagged: bool


@dataclass(frozen=True, slots=True)
class Matrix:
    """Vehicles by families: how often codes began, where they did more than once."""

    families: tuple[str, ...]  # most flagged first
    rows: tuple[tuple[VehicleRef, tuple[MatrixCell | None, ...]], ...]
    n_vehicles_left_out: int
    n_families_left_out: int


@dataclass(frozen=True, slots=True)
class FaultFindings:
    """What the fleet page says of recurring codes and worsening vehicles."""

    judged: bool
    recurring: tuple[RecurringView, ...]  # flagged ones, surest first
    n_recurring_judged: int
    matrix: Matrix | None
    worsening: tuple[WorseningView, ...]
    n_too_few: int  # vehicles with too few faults to call a trend
    n_without_trend: int
    n_improving: int


def fault_findings(
    findings: Findings, assessments: Sequence[Assessment], setting: Setting
) -> FaultFindings:
    """Gather what was flagged, and how much was looked at."""
    refs = {a.ref.vehicle_id: a.ref for a in assessments}
    flagged = sorted(
        (row for row in findings.recurring if row.flagged),
        key=lambda r: (r.q_value if r.q_value is not None else 1.0, -r.n_episodes, r.vehicle_id),
    )
    trends = [row.trend for row in findings.worsening]
    worse = [row for row in findings.worsening if row.trend == "worsening"]
    return FaultFindings(
        judged=bool({"recurring", "worsening"} & findings.judged),
        recurring=tuple(
            RecurringView(row, _ref(row.vehicle_id, refs), _fault(row, setting)) for row in flagged
        ),
        n_recurring_judged=len(findings.recurring),
        matrix=_matrix(findings.recurring, refs),
        worsening=tuple(
            WorseningView(row, _ref(row.vehicle_id, refs))
            for row in sorted(worse, key=lambda r: (r.p_value or 0.0, r.vehicle_id))
        ),
        n_too_few=trends.count("too_few"),
        n_without_trend=trends.count("none"),
        n_improving=trends.count("improving"),
    )


def _ref(vehicle_id: str, refs: Mapping[str, VehicleRef]) -> VehicleRef:
    return refs.get(vehicle_id) or vehicle_ref(Vehicle(vehicle_id))


def _fault(row: Recurring, setting: Setting) -> Fault:
    cautions = setting.cautions.get(row.code) or setting.cautions.get(row.family or "", ())
    return Fault(row.ecu, row.code, row.meaning, row.family_label, tuple(cautions))


def _family(row: Recurring) -> str:
    return capital(row.family_label or (row.family or row.code).replace("_", " "))


def _matrix(rows: Sequence[Recurring], refs: Mapping[str, VehicleRef]) -> Matrix | None:
    """Count by vehicle and family; only vehicles and families with something flagged."""
    flagged = [row for row in rows if row.flagged]
    if not flagged:
        return None
    vehicles = _by_weight(flagged, lambda row: row.vehicle_id)
    families = _by_weight(flagged, _family)
    shown_families, shown_vehicles = families[:_MOST_COLUMNS], vehicles[:_MOST_ROWS]
    counts: dict[tuple[str, str], MatrixCell] = {}
    for row in rows:
        key = (row.vehicle_id, _family(row))
        before = counts.get(key, MatrixCell(0, flagged=False))
        counts[key] = MatrixCell(
            before.n_episodes + row.n_episodes, flagged=before.flagged or row.flagged
        )
    return Matrix(
        families=shown_families,
        rows=tuple(
            (_ref(v, refs), tuple(counts.get((v, family)) for family in shown_families))
            for v in shown_vehicles
        ),
        n_vehicles_left_out=len(vehicles) - len(shown_vehicles),
        n_families_left_out=len(families) - len(shown_families),
    )


def _by_weight(rows: Sequence[Recurring], name: Callable[[Recurring], str]) -> tuple[str, ...]:
    weight: dict[str, int] = defaultdict(int)
    for row in rows:
        weight[name(row)] += row.n_episodes
    return tuple(sorted(weight, key=lambda key: (-weight[key], key)))
