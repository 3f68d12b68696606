"""What the records of a vehicle do not show, in words.  Pure."""

from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise

from afterclear.digest.common.assess import VehicleRows
from afterclear.digest.dossier.dossier_model import ScanLine, UnitReport
from afterclear.digest.vehicle.vehicle_model import WorkOrder
from afterclear.wording.cells import Cells

_LONG_DAYS = 90  # without any scan or work order: named


def gaps_of(
    rows: VehicleRows,
    scans: Sequence[ScanLine],
    orders: Sequence[WorkOrder],
    reports: Sequence[UnitReport],
    cells: Cells,
) -> tuple[str, ...]:
    """List what a reader might take for known and is not."""
    found = [
        _before(rows, scans, orders, cells),
        _longest(sorted({*(s.at for s in scans), *(o.at for o in orders)}), cells),
        _silent(scans, cells),
        *_not_reported(reports, scans, cells),
        "" if orders else cells.t("No work order is on record."),
        cells.t("Work done elsewhere is on record only where its orders were delivered."),
        cells.t("Wear, bodywork, tyres and whatever no control unit watches are not in a scan."),
    ]
    return tuple(text for text in found if text)


def _before(
    rows: VehicleRows, scans: Sequence[ScanLine], orders: Sequence[WorkOrder], cells: Cells
) -> str:
    times = [*(s.at for s in scans), *(o.at for o in orders)]
    if not times:
        return cells.t("No scan and no work order of this vehicle is on record.")
    first, begun = min(times), rows.vehicle.in_service_on
    if begun is not None and begun < cells.local(first).date():
        return cells.t(
            "Nothing is on record before {day}; the vehicle has been in use since {begun}.",
            day=cells.day(first),
            begun=cells.day(begun),
        )
    return cells.t("Nothing is on record before {day}.", day=cells.day(first))


def _longest(times: Sequence[datetime], cells: Cells) -> str:
    pairs = list(pairwise(times))
    if not pairs:
        return ""
    start, end = max(pairs, key=lambda pair: pair[1] - pair[0])
    days = (end - start).days
    if days < _LONG_DAYS:
        return ""
    return cells.t(
        "The longest time without a scan or a work order: {days} days, from {start} to {end}.",
        days=cells.number(days),
        start=cells.day(start),
        end=cells.day(end),
    )


def _silent(scans: Sequence[ScanLine], cells: Cells) -> str:
    if not scans:
        return ""
    never = sorted({u for s in scans for u in s.silent} - {u for s in scans for u in s.read})
    if not never:
        return ""
    return cells.t("These units never answered: {units}.", units=", ".join(never))


def _not_reported(
    reports: Sequence[UnitReport], scans: Sequence[ScanLine], cells: Cells
) -> list[str]:
    if not scans:
        return []
    found = []
    if not any(r.ecu_vin for r in reports):
        found.append(cells.t("No control unit reported a VIN."))
    if not any(r.monitors_incomplete for r in reports):
        found.append(cells.t("No scan reported self-tests."))
    if not any(r.since_clear_km is not None or r.warmups is not None for r in reports):
        found.append(cells.t("No scan reported how long ago codes were cleared."))
    return found
