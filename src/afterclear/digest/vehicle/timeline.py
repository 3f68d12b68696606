"""One vehicle's rows -> the picture of its history, as places on an axis.  Pure numbers.

The axis is the odometer line in km; where most scans have none, days since 1970.
"""

from collections.abc import Sequence
from dataclasses import replace

from afterclear.digest.common.assess import Assessment, VehicleRows
from afterclear.digest.input.mileage import Line
from afterclear.digest.input.row_types import Observation
from afterclear.digest.vehicle.axis_position import Axis
from afterclear.digest.vehicle.lanes import build_lanes
from afterclear.digest.vehicle.round_axes import date_ticks, distance_ticks
from afterclear.digest.vehicle.vehicle_model import Flag, Lane, Tick, TimeLine
from afterclear.wording.cells import Cells, Dash

_LEAST = {"km": 200.0, "date": 20.0}  # a single visit still gets an axis with places on it
_AHEAD = 0.35  # the axis is drawn out for a fix on watch by up to this share of itself


def build_timeline(
    rows: VehicleRows, assessment: Assessment, order_numbers: dict[str, int], cells: Cells
) -> TimeLine | Dash:
    """Lay out the picture; a dash if nothing was ever read."""
    scans = [row for row in rows.observations if row.ecu is not None]
    if not scans and not rows.repairs:
        return Dash(cells.t("no scan has read a control unit of this vehicle"))
    axis = _axis_of(scans, assessment.line)
    lanes = build_lanes(rows, assessment, axis, cells)
    flags = _flags(rows, order_numbers, axis)
    low, high = _range(lanes, flags, _LEAST[axis.kind])
    if low is None or high is None:
        return Dash(cells.t("nothing here has an odometer reading or a date"))
    ticks = _ticks(axis, low, high, cells)
    n_scans = len({row.scan_id for row in scans})
    placed = {row.scan_id for row in scans if axis.place(row.km, row.seen_at) is not None}
    return TimeLine(
        axis=axis.kind,
        axis_name=_axis_name(axis, estimated=assessment.estimated, cells=cells),
        low=low,
        high=high,
        ticks=ticks,
        flags=flags,
        lanes=tuple(_from(low, lane) for lane in lanes),
        n_scans=n_scans,
        n_not_drawn=n_scans - len(placed),
        summary=_summary(lanes, flags, n_scans, cells),
    )


def _axis_of(scans: Sequence[Observation], line: Line) -> Axis:
    with_km = sum(row.km is not None for row in scans)
    return Axis("km" if 2 * with_km >= len(scans) and (with_km or line.km) else "date", line)


def _flags(rows: VehicleRows, numbers: dict[str, int], axis: Axis) -> tuple[Flag, ...]:
    places: dict[int, float] = {}
    for repair in rows.repairs:
        at = axis.place(repair.km, repair.repaired_at)
        if at is not None:
            places.setdefault(numbers[repair.repair_id], at)
    return tuple(Flag(at, number) for number, at in sorted(places.items()))


def _range(
    lanes: Sequence[Lane], flags: Sequence[Flag], least: float
) -> tuple[float, float] | tuple[None, None]:
    places = [flag.at for flag in flags]
    targets: list[float] = []
    for lane in lanes:
        places += [mark.at for mark in lane.marks]
        places += [clear.at for clear in lane.clears if clear.recorded]
        for code in lane.codes:
            places += [place for span in code.spans for place in (span.first, span.last)]
            places += [growth.verdict_at for growth in code.growths]
            targets += [growth.target for growth in code.growths if growth.target is not None]
    if not places:
        return None, None
    low, high = min(places), max(places)
    if high - low < least:
        low, high = low - least / 2, low + least / 2
    reach = high + _AHEAD * (high - low)
    return low, max([high, *(target for target in targets if target <= reach)])


def _from(low: float, lane: Lane) -> Lane:
    """Leave out clears inferred before the first scan; the table has them."""
    return replace(lane, clears=tuple(clear for clear in lane.clears if clear.at >= low))


def _ticks(axis: Axis, low: float, high: float, cells: Cells) -> tuple[Tick, ...]:
    if axis.kind == "date":
        return date_ticks(low, high, cells)
    return distance_ticks(low, high, axis.line, cells)


def _axis_name(axis: Axis, *, estimated: bool, cells: Cells) -> str:
    if axis.kind == "date":
        return cells.t("date")
    if cells.hour_km is not None:
        return cells.t("engine hours")
    if estimated:
        return cells.t("{units}, estimated", units=cells.unit)
    return cells.t("{units} on the odometer", units=cells.units)


def _none_present(lane: Lane, cells: Cells) -> str:
    """Say that a lane has no code; a permanent one or a sign is a code, but none present."""
    if any(mark.kind == "sign" for mark in lane.marks):
        return cells.t("no code present")
    return cells.t("no code")


def _summary(lanes: Sequence[Lane], flags: Sequence[Flag], n_scans: int, cells: Cells) -> str:
    """Describe the chart in words, for people who cannot see it."""
    scans = cells.tn("{n} scan", "{n} scans", n_scans)
    orders = cells.tn("{n} work order", "{n} work orders", len(flags))
    parts = [f"{scans}, {orders}."]
    for lane in lanes:
        n_present = sum(span.is_open for code in lane.codes for span in code.spans)
        codes = ", ".join(code.code for code in lane.codes) or _none_present(lane, cells)
        now = cells.tn("; {n} present now", "; {n} present now", n_present) if n_present else ""
        parts.append(f"{lane.name}: {codes}{now}.")
    return " ".join(parts)
