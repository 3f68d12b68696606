"""One vehicle's rows -> its dossier.  Pure.

Technicians and prices are left out: a dossier goes to buyers.
"""

import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import TypeVar

import polars as pl

from afterclear.catalogue.codes import split_codes
from afterclear.catalogue.vin import difference, read_vin
from afterclear.digest.common.assess import FleetRows, Setting, VehicleRows, vehicle_ref
from afterclear.digest.common.model import PageHead
from afterclear.digest.common.stock_state import in_stock_since, steps_of
from afterclear.digest.dossier.dossier_gaps import gaps_of
from afterclear.digest.dossier.dossier_model import (
    ClearLine,
    Dossier,
    OddReading,
    OdometerNow,
    OrderLine,
    RecordFile,
    ScanLine,
    SelfTests,
    SourceFile,
    UnitReport,
    VinLine,
)
from afterclear.digest.input.finding_rows import StockReason
from afterclear.digest.input.findings_by_page import (
    NOTHING_FOUND,
    VehicleFindings,
    vehicle_findings,
)
from afterclear.digest.input.frames import Caution
from afterclear.digest.input.row_frames import read_rows
from afterclear.digest.input.row_types import OdometerReading
from afterclear.digest.vehicle.vehicle_model import LogLine, WorkOrder
from afterclear.digest.vehicle.vehicle_page import build_log, work_orders
from afterclear.reasons import StockReason as Reason
from afterclear.wording.cells import Cells
from afterclear.wording.facts import written

DOSSIER_TABLES = (
    *("vehicles", "attempts", "observations", "sightings", "clear_events", "repairs", "odometer"),
    *("stock", "stock_reasons", "record_files", "unit_reports"),
)
_LASTING_DROP = "lasting_drop"
_Row = TypeVar("_Row", RecordFile, UnitReport)


@dataclass(frozen=True)
class Cited:
    """The files a vehicle's records were read from, numbered in order of their loads."""

    files: tuple[SourceFile, ...] = ()
    numbers: Mapping[tuple[str, str], tuple[int, ...]] = field(default_factory=dict)

    def of(self, kind: str, record_id: str) -> tuple[int, ...]:
        """Return the numbers of a record's files."""
        return self.numbers.get((kind, record_id), ())


@dataclass(frozen=True)
class _Known:
    """What is known of one vehicle."""

    rows: VehicleRows
    findings: VehicleFindings
    cited: Cited
    reports: Sequence[UnitReport]
    setting: Setting


def build_dossiers(
    tables: Mapping[str, pl.DataFrame],
    vehicle_ids: Iterable[str],
    setting: Setting,
    head: PageHead,
    made_at: datetime | None = None,
) -> Iterator[Dossier]:
    """Yield the dossier of each vehicle; ``tables``: their rows of ``DOSSIER_TABLES``."""
    found = vehicle_findings(tables)
    files = _by_vehicle(tables, "record_files", RecordFile)
    reports = _by_vehicle(tables, "unit_reports", UnitReport)
    for rows in FleetRows(tables, vehicle_ids):
        name = rows.vehicle.vehicle_id
        known = _Known(
            rows,
            found.get(name, NOTHING_FOUND),
            cite(files.get(name, ())),
            reports.get(name, ()),
            setting.on_clock(rows.attempts[0].clock if rows.attempts else "km"),
        )
        yield _dossier(known, head, made_at)


def _by_vehicle(
    tables: Mapping[str, pl.DataFrame], name: str, kind: type[_Row]
) -> dict[str, list[_Row]]:
    found: dict[str, list[_Row]] = defaultdict(list)
    for row in read_rows(tables[name], kind) if name in tables else ():
        found[row.vehicle_id].append(row)
    return found


def cite(records: Sequence[RecordFile]) -> Cited:
    """Give the files of a vehicle's records numbers, in order of their loads."""
    loads = {row.load_id: row for row in sorted(records, key=lambda row: row.load_id)}
    numbers = {load_id: number for number, load_id in enumerate(loads, start=1)}
    cited: dict[tuple[str, str], list[int]] = defaultdict(list)
    for row in sorted(records, key=lambda row: row.load_id):
        cited[row.kind, row.record_id].append(numbers[row.load_id])
    return Cited(
        tuple(SourceFile(numbers[i], row.file_name, row.sha256) for i, row in loads.items()),
        {key: tuple(dict.fromkeys(found)) for key, found in cited.items()},
    )


def _dossier(known: _Known, head: PageHead, made_at: datetime | None) -> Dossier:
    rows, cells = known.rows, known.setting.cells
    audit = known.findings.stock
    orders = work_orders(rows.repairs)
    log = build_log(rows, orders, cells)
    reasons = sorted(known.findings.stock_reasons, key=lambda r: r.position)
    scans = _scans(rows, log, known.cited)
    odd = odd_readings(rows.odometer, reasons, orders)
    return Dossier(
        head=replace(head, hour_km=cells.hour_km),
        ref=vehicle_ref(rows.vehicle),
        vehicle=rows.vehicle,
        made_at=made_at,
        cautions=_cautions(known),
        audit=audit,
        in_stock=in_stock_since(audit, known.setting.as_of, cells) if audit else None,
        reasons=reasons,
        steps=steps_of(audit, reasons, cells) if audit else (),
        vins=_vins(known),
        odometer=odometer_now(rows.odometer),
        odd_readings=odd,
        uncounted_km=_uncounted(odd),
        has_drop=any(o.row.set_aside == _LASTING_DROP for o in odd),
        scans=scans,
        orders=tuple(OrderLine(o, known.cited.of("repair", o.repair_id)) for o in orders),
        clears=_clears(known, log, orders),
        self_tests=_self_tests(known.reports, cells),
        gaps=gaps_of(rows, scans, orders, known.reports, cells),
        files=known.cited.files,
        vehicle_files=known.cited.of("vehicle", rows.vehicle.vehicle_id),
    )


def _cautions(known: _Known) -> tuple[Caution, ...]:
    """Gather the cautions of every code the dossier names, in the order they were first seen."""
    of_code, rows = known.setting.cautions, known.rows
    scanned = [s.code for s in rows.sightings]
    named = [c for line in rows.repairs for c in split_codes(line.codes or "")]
    found = (caution for code in (*scanned, *named) for caution in of_code.get(code, ()))
    return tuple(dict.fromkeys(found))


def odometer_now(readings: Sequence[OdometerReading]) -> OdometerNow | None:
    """Return the last reading that fits the others, as shown and as joined."""
    fitting = [r for r in readings if r.set_aside in {None, _LASTING_DROP}]
    if not fitting:
        return None
    last = max(fitting, key=lambda r: r.read_at)
    joined = last.line_km is not None and round(last.line_km) != round(last.reading_km)
    return OdometerNow(last, joined)


def odd_readings(
    readings: Sequence[OdometerReading],
    reasons: Sequence[StockReason],
    orders: Sequence[WorkOrder],
) -> tuple[OddReading, ...]:
    """Return the readings that do not fit, each with the one before and the order that explains."""
    replaced = {
        facts["after_on"]: facts["replaced_on"]
        for r in reasons
        if r.reason == Reason.ODOMETER_CLUSTER_REPLACED
        for facts in [json.loads(r.facts)]
    }
    by_time = {f"{o.at:%Y-%m-%dT%H:%M:%S}": o.repair_id for o in orders}
    ordered = sorted(readings, key=lambda r: r.read_at)
    return tuple(
        OddReading(
            row,
            ordered[i - 1] if i else None,
            by_time.get(replaced.get(f"{row.read_at:%Y-%m-%dT%H:%M:%S}", "")),
        )
        for i, row in enumerate(ordered)
        if row.set_aside is not None
    )


def _uncounted(odd: Sequence[OddReading]) -> float | None:
    """Return what new instruments may have shown before their first reading; None: not known.

    Nothing is counted between the last reading of the old one and the first of the new.
    """
    drops = [o for o in odd if o.row.set_aside == _LASTING_DROP]
    if not drops or any(o.order_id is None for o in drops):
        return None
    return sum(o.row.reading_km for o in drops)


def _scans(rows: VehicleRows, log: Sequence[LogLine], cited: Cited) -> tuple[ScanLine, ...]:
    shown = {r.origin_id: r for r in rows.odometer if r.origin == "scan"}
    present = {(s.scan_id, s.code, s.ecu) for s in rows.sightings if s.presence == "present"}
    n_present: dict[str, int] = defaultdict(int)
    for scan_id, _, _ in present:
        n_present[scan_id] += 1
    lines = []
    for line in log:
        if line.kind != "scan":
            continue
        reading = shown.get(line.name)
        lines.append(
            ScanLine(
                scan_id=line.name,
                at=line.at,
                scope=line.text,
                shown_km=reading.reading_km if reading else None,
                line_km=line.km,
                aside=reading.set_aside if reading else None,
                read=tuple(sorted(r.unit for r in line.readings if r.kind != "no_answer")),
                silent=tuple(sorted(r.unit for r in line.readings if r.kind == "no_answer")),
                codes=tuple(
                    f"{r.unit}: {r.text}" for r in line.readings if r.kind in {"code", "sign"}
                ),
                n_present=n_present[line.name],
                files=cited.of("scan", line.name),
            )
        )
    return tuple(lines)


def _clears(
    known: _Known, log: Sequence[LogLine], orders: Sequence[WorkOrder]
) -> tuple[ClearLine, ...]:
    cells = known.setting.cells
    now = max((r.line_km for r in known.rows.odometer if r.line_km is not None), default=None)
    lines = []
    for line in log:
        if line.kind not in {"clear", "gone"}:
            continue
        lines.append(
            ClearLine(
                when=line.when or cells.moment(line.at),
                text=line.text,
                order=_order_of(line, orders, cells),
                is_inferred=bool(line.when),
                since=_driven_since(line, now, cells),
                files=known.cited.of("clear", f"{line.at:%Y-%m-%dT%H:%M:%S}"),
            )
        )
    return tuple(lines)


def _order_of(line: LogLine, orders: Sequence[WorkOrder], cells: Cells) -> str | None:
    """Name the order of a clear: of its day, or the one the histories placed an inferred clear at.

    Beside an audit that speaks of "the work of 13 Oct" a dossier must not say that there was none.
    """
    day = cells.day(line.at)
    fits = (o for o in orders if (o.at == line.at if line.when else cells.day(o.at) == day))
    return next((o.repair_id for o in fits), None)


def _driven_since(line: LogLine, now: float | None, cells: Cells) -> str:
    """Say how far the vehicle went since a clear; from the ends of its place if it is inferred."""
    if now is None or line.km is None:
        return ""
    least, most = (
        None if km is None else cells.distance(max(now - km, 0.0))
        for km in (line.km, line.km_low if line.when else line.km)
    )
    if most is None:
        return cells.t("at least {distance}", distance=least)
    return least if least == most else cells.t("{low} to {high}", low=least, high=most)


def _vins(known: _Known) -> tuple[VinLine, ...]:
    """Group the control units by the identification number they reported last."""
    last = {r.ecu: r for r in known.reports if r.ecu_vin}  # reports come in order of time
    by_vin: dict[str, list[UnitReport]] = defaultdict(list)
    for report in last.values():
        by_vin[report.ecu_vin or ""].append(report)
    newest = known.setting.as_of.year + 1
    own = known.rows.vehicle.vin
    return tuple(
        VinLine(
            vin=vin,
            units=tuple(sorted(known.setting.cells.unit_name(r.ecu) for r in found)),
            scan_ids=tuple(sorted({r.scan_id for r in found})),
            differs=own is not None
            and difference(read_vin(vin, newest), read_vin(own, newest)) != "same",
        )
        for vin, found in sorted(by_vin.items(), key=lambda pair: -len(pair[1]))
    )


def _self_tests(reports: Sequence[UnitReport], cells: Cells) -> SelfTests | None:
    """Return what the last scan that read any self-test says of them."""
    told = [r for r in reports if r.monitors_incomplete is not None]
    if not told:
        return None
    last = [r for r in told if r.scan_id == told[-1].scan_id]
    names = sorted({n for r in last for n in (r.monitors_incomplete or "").split()} - {"none"})
    return SelfTests(
        told[-1].scan_id, told[-1].seen_at, tuple(written([n], "monitors", cells) for n in names)
    )
