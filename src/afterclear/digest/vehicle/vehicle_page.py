"""One vehicle's rows -> its page's model.  Pure."""

import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from functools import lru_cache

from afterclear.catalogue.codes import split_codes
from afterclear.catalogue.component import component_of
from afterclear.digest.common.assess import (
    Assessment,
    Setting,
    VehicleRows,
    action_words,
    cautions_of,
    fault_of,
)
from afterclear.digest.common.model import PageHead, WorkItem
from afterclear.digest.common.rise_words import coming_words
from afterclear.digest.common.stock_state import steps_of
from afterclear.digest.common.worklist_lines import ranked_item
from afterclear.digest.input.finding_rows import StockReason
from afterclear.digest.input.findings_by_page import VehicleFindings
from afterclear.digest.input.frames import Caution
from afterclear.digest.input.row_types import (
    ClearEvent,
    Episode,
    Observation,
    OdometerReading,
    Repair,
    Sighting,
)
from afterclear.digest.vehicle.axis_position import days_of
from afterclear.digest.vehicle.codes_by_scan import scan_roles, untold
from afterclear.digest.vehicle.round_axes import date_ticks, round_step
from afterclear.digest.vehicle.timeline import build_timeline
from afterclear.digest.vehicle.vehicle_model import (
    CuredFault,
    EpisodeView,
    LogLine,
    OdometerChart,
    Reading,
    Tick,
    VehiclePage,
    WorkOrder,
)
from afterclear.wording.cells import Cells, Dash
from afterclear.wording.cures import fault_cures
from afterclear.wording.given_words import given_words
from afterclear.wording.language import mark
from afterclear.wording.stock_steps import Step

_LEAST_KM = 4.0  # shown of a vehicle that was not driven: the labels are whole km

_CLEAR_WORDS: dict[str, str] = {
    "recorded": mark("codes cleared, as recorded"),
    "with_repair": mark("codes cleared with the repair"),
    "counter": mark("codes cleared, worked out from the counter of distance since the clear"),
    "status": mark(
        "codes cleared without a record: the scan after that lists codes as not tested since then"
    ),
    "vanished": mark(
        "stored codes vanished between two scans: cleared without a record, or gone by themselves"
    ),
}
_PRESENCE_WORDS: dict[str, str] = {
    "present": "",
    "sign": mark(" (only a sign)"),
    "permanent": mark(" (permanent code only)"),
    "not_tested": mark(" (not tested since the clear)"),
}
_VISITS: dict[str, str] = {
    "routine": mark("routine"),
    "complaint": mark("after a complaint"),
    "pre_repair": mark("before a repair"),
    "post_repair": mark("after a repair"),
    "intake": mark("at intake"),
}


def build_vehicle_page(
    rows: VehicleRows,
    assessment: Assessment,
    setting: Setting,
    head: PageHead,
    findings: VehicleFindings,
) -> VehiclePage:
    """Put one vehicle's page together."""
    orders = work_orders(rows.repairs)
    numbers = {order.repair_id: order.number for order in orders}
    scans = {row.scan_id for row in rows.observations if row.ecu is not None}
    work = _work(assessment, findings, setting)
    roles = scan_roles(findings.roles)
    log = build_log(rows, orders, setting.cells)
    return VehiclePage(
        head=head,
        ref=assessment.ref,
        vehicle=rows.vehicle,
        work=work,
        cautions=_cautions(assessment, work, setting),
        present=tuple(
            sorted(assessment.present, key=lambda p: (not p.fault.safety, p.onset_high_at))
        ),
        attempts=tuple(reversed(assessment.attempts)),
        timeline=build_timeline(rows, assessment, numbers, setting.cells),
        log=log,
        units=tuple(sorted({reading.unit for line in log for reading in line.readings})),
        orders=orders,
        clears=tuple(rows.clears),
        episodes=tuple(_episodes(rows, setting)),
        never_present=_never_present(rows.sightings, setting.cells),
        odometer=odometer_chart(rows.odometer, setting.cells),
        readings=tuple(rows.odometer),
        readings_unsaid=tuple(readings_unsaid(rows.odometer, log)),
        readings_apart=any(row.line_km != row.reading_km for row in rows.odometer),
        usual=assessment.usual,
        last_scan_at=assessment.last_scan_at,
        n_scans=len(scans),
        estimated=assessment.estimated,
        joined=max(
            (r.read_at for r in rows.odometer if r.set_aside == "lasting_drop"), default=None
        ),
        findings=findings,
        roles=roles,
        leftovers=untold(findings.leftovers, roles),
        stock_further=further_reasons(findings, work),
        steps=_steps(findings, setting.cells),
        cured=tuple(_cured(rows, setting)),
        cures=setting.cures,
        coming=coming_of(assessment.ref.vehicle_id, findings, setting),
        short_lived=setting.short_lived,
    )


def _episodes(rows: VehicleRows, setting: Setting) -> Iterator[EpisodeView]:
    """Show episodes, each with the one it goes on from where a clear in between did not end it."""
    stayed = {(a.ecu, a.code, a.returned_at) for a in rows.attempts if a.stayed}
    first: dict[tuple[str, str], tuple[Episode, int]] = {}
    for row in sorted(rows.episodes, key=lambda e: e.onset_high_at):
        key = (row.ecu, row.code)
        if key in first and (*key, row.onset_high_at) in stayed:
            first[key] = (first[key][0], first[key][1] + row.n_scans)
        else:
            first[key] = (row, row.n_scans)
        yield EpisodeView(row, fault_of(row, setting), *first[key])


def _cured(rows: VehicleRows, setting: Setting) -> Iterator[CuredFault]:
    """Say of each component with a fault now what cured such faults in the fleet."""
    seen: set[str] = set()
    for row in sorted(rows.episodes, key=lambda e: e.onset_high_at):
        component = component_of(row.family or "")
        if row.ended_by != "open" or component in seen:
            continue
        seen.add(component)
        lines = fault_cures(setting.cures.get(component, ()), setting.cells)
        if lines:
            yield CuredFault(fault_of(row, setting), lines)


def _work(assessment: Assessment, findings: VehicleFindings, setting: Setting) -> WorkItem | None:
    rows = [row for row in findings.work if row.audience in {"fleet", "stock"} and row.rank]
    return ranked_item(rows[0], assessment.ref, setting) if rows else None


def _steps(findings: VehicleFindings, cells: Cells) -> tuple[Step, ...]:
    """Return what would make a vehicle in stock ready."""
    if findings.stock is None:
        return ()
    reasons = sorted(findings.stock_reasons, key=lambda row: row.position)
    return steps_of(findings.stock, reasons, cells)


def further_reasons(findings: VehicleFindings, work: WorkItem | None) -> tuple[StockReason, ...]:
    """Return the reasons of the stock audit that what is to be done does not give."""
    given = [] if work is None else json.loads(work.facts.grounds)
    rows = findings.stock_reasons
    return tuple(row for row in rows if [row.reason, json.loads(row.facts)] not in given)


def _cautions(
    assessment: Assessment, work: WorkItem | None, setting: Setting
) -> tuple[Caution, ...]:
    """Collect the cautions of work to do, or of faults there although set aside; and of rises.

    A sold vehicle has no work to do here.
    """
    if work is not None:
        now = work.cautions
    else:
        now = () if assessment.ref.sold else cautions_of(p.fault for p in assessment.present)
    rises = setting.rises.next.get(assessment.ref.vehicle_id, ())
    return (*now, *_others(now, (row.fault for row, _ in rises), setting))


def _others(
    now: tuple[Caution, ...], components: Iterable[str], setting: Setting
) -> Iterable[Caution]:
    """Give the cautions of components that do not stand there already, each once."""
    found = (each for component in components for each in setting.cautions_of(component))
    return (each for each in dict.fromkeys(found) if each not in now)


def coming_of(vehicle_id: str, findings: VehicleFindings, setting: Setting) -> tuple[str, ...]:
    """Say what to expect of a vehicle in the next 90 days."""
    p_any = findings.forecast.p_any if findings.forecast and setting.forecast_holds else None
    return coming_words(p_any, setting.rises.next.get(vehicle_id, ()), setting.cells)


def work_orders(repairs: Sequence[Repair]) -> tuple[WorkOrder, ...]:
    """Gather the lines of each work order, numbered in order of time."""
    by_id: dict[str, list[Repair]] = defaultdict(list)
    for repair in repairs:
        by_id[repair.repair_id].append(repair)
    ordered = sorted(by_id.values(), key=lambda lines: lines[0].repaired_at)
    return tuple(_work_order(i, lines) for i, lines in enumerate(ordered, start=1))


def _work_order(order_number: int, lines: Sequence[Repair]) -> WorkOrder:
    first = lines[0]
    costs = [cost for line in lines for cost in (line.part_cost, line.labour_cost) if cost]
    return WorkOrder(
        number=order_number,
        repair_id=first.repair_id,
        at=first.repaired_at,
        km=next((line.km for line in lines if line.km is not None), None),
        site=first.site,
        technician=first.technician,
        codes=tuple(dict.fromkeys(c for line in lines for c in split_codes(line.codes or ""))),
        lines=tuple(lines),
        cost=sum(costs) if costs else None,
        currency=next((line.currency for line in lines if line.currency), None),
    )


def build_log(rows: VehicleRows, orders: Sequence[WorkOrder], cells: Cells) -> tuple[LogLine, ...]:
    """List everything that happened to the vehicle in order: the chart as a table."""
    lines = [
        *_scan_lines(rows, cells),
        *_clear_lines(rows.clears, cells),
        *(_order_line(order, cells) for order in orders),
    ]
    return tuple(sorted(lines, key=_log_order))


def _log_order(line: LogLine) -> tuple[datetime, int, str]:
    """Order by time; an inferred clear was before the scan it is inferred from."""
    rank = {"scan": 1, "repair": 2, "clear": 3, "gone": 3}
    is_inferred = bool(line.when) and not line.is_after_scan
    return line.at, 0 if is_inferred else rank[line.kind], line.name


def _scan_lines(rows: VehicleRows, cells: Cells) -> Iterable[LogLine]:
    codes: dict[tuple[str, str], list[Sighting]] = defaultdict(list)
    for sighting in rows.sightings:
        codes[sighting.scan_id, sighting.ecu].append(sighting)
    scans: dict[str, list[Observation]] = defaultdict(list)
    for row in rows.observations:
        if row.ecu is not None:
            scans[row.scan_id].append(row)
    for scan_id, units in scans.items():
        first = units[0]
        readings = [_reading(row, codes.get((scan_id, row.ecu or ""), ()), cells) for row in units]
        scope = cells.t("full scan") if first.scan_scope == "full" else cells.t("partial scan")
        visit = cells.t(_VISITS[first.visit_reason]) if first.visit_reason in _VISITS else ""
        memory = cells.t("active codes only") if first.memory == "active_only" else ""
        text = ", ".join(part for part in (scope, visit, memory) if part)
        ordered = sorted(readings, key=lambda r: (r.kind == "clean", r.unit))
        yield LogLine(first.seen_at, first.km, "scan", scan_id, text, tuple(ordered))


def _reading(row: Observation, found: Sequence[Sighting], cells: Cells) -> Reading:
    if not row.answered or not found:
        return _without_code(row.ecu, row.memory, cells, answered=row.answered)
    text = ", ".join(s.code + _presence(s, cells) for s in found)
    present = any(s.presence == "present" for s in found)
    return Reading(cells.unit_name(row.ecu), "code" if present else "sign", text)


@lru_cache(256)
def _without_code(
    ecu: str | None, memory: str | None, cells: Cells, *, answered: bool | None
) -> Reading:
    """Most readings are these, and the same again in each scan."""
    unit = cells.unit_name(ecu)
    if not answered:
        return Reading(unit, "no_answer", cells.t("did not answer"))
    if memory == "active_only":
        return Reading(unit, "momentary", cells.t("no code active at that moment"))
    return Reading(unit, "clean", cells.t("no code"))


def _never_present(sightings: Sequence[Sighting], cells: Cells) -> tuple[str, ...]:
    """List codes that no scan showed as present, with what they were read as."""
    present = {(s.ecu, s.code) for s in sightings if s.presence == "present"}
    others = (s for s in sightings if (s.ecu, s.code) not in present)
    return tuple(sorted({s.code + _presence(s, cells) for s in others}))


def _presence(sighting: Sighting, cells: Cells) -> str:
    words = _PRESENCE_WORDS[sighting.presence]
    return cells.t(words) if words else ""


def _clear_lines(clears: Sequence[ClearEvent], cells: Cells) -> Iterable[LogLine]:
    together: dict[tuple[object, ...], list[ClearEvent]] = defaultdict(list)
    for clear in clears:
        key = (clear.cleared_at, clear.origin, clear.reason, *_within(clear, cells))
        together[key].append(clear)
    for events in together.values():
        first = events[0]
        units = ", ".join(map(cells.unit_name, dict.fromkeys(e.ecu for e in events)))
        reason = f" ({given_words(first.reason, cells.words)})" if first.reason else ""
        text = f"{units}: {cells.t(_CLEAR_WORDS[first.origin])}{reason}"
        when, distance = _within(first, cells)
        is_after = first.cleared_at == first.cleared_low_at
        yield LogLine(
            first.cleared_at, first.km_high, "gone" if first.origin == "vanished" else "clear",
            "", text, (), when, distance, is_after,
            km_low=first.km_low,
        )  # fmt: skip


def _within(clear: ClearEvent, cells: Cells) -> tuple[str, str]:
    """Return the days and distances between which an inferred clear lies; otherwise nothing."""
    if clear.origin not in {"counter", "status", "vanished"}:
        return "", ""
    days = [cells.day(clear.cleared_low_at), cells.day(clear.cleared_high_at or clear.cleared_at)]
    if clear.cleared_low_at is None:
        when = cells.t("by {day}, the first scan", day=days[1])
    elif days[0] == days[1]:
        when = days[1]
    else:
        when = cells.t("between {low} and {high}", low=days[0], high=days[1])
    ends = [cells.distance(km) for km in (clear.km_low, clear.km_high) if km is not None]
    if len(ends) == len(set(ends)) == 2:  # noqa: PLR2004  (a low end and a high one, apart)
        return when, cells.t("{low} to {high}", low=ends[0], high=ends[1])
    return when, ""


def _order_line(order: WorkOrder, cells: Cells) -> LogLine:
    done = "; ".join(
        ": ".join(
            part
            for part in (
                action_words(r.action, cells),
                " ".join(word for word in (r.part_family, r.position, r.part_number) if word),
            )
            if part
        )
        for r in order.lines
    )
    text = ", ".join(part for part in (done, order.site, order.technician) if part)
    return LogLine(order.at, order.km, "repair", order.repair_id, text, ())


def readings_unsaid(
    readings: Iterable[OdometerReading], log: Iterable[LogLine]
) -> Iterator[OdometerReading]:
    """Yield the readings that the log does not show as they were read."""
    shown = {(line.kind, line.name, line.km) for line in log if not line.when}
    for row in readings:
        name = "" if row.origin == "clear" else row.origin_id  # a clear has no name
        is_used = row.set_aside is None and row.line_km == row.reading_km
        if not is_used or (row.origin, name, row.line_km) not in shown:
            yield row


def odometer_chart(readings: Sequence[OdometerReading], cells: Cells) -> OdometerChart | Dash:
    """Lay out the readings over time in the reader's unit, and the line through them."""
    if not readings:
        return Dash(cells.t("no odometer reading"))
    scale = cells.km_per_unit
    line = [(days_of(r.read_at), r.line_km / scale) for r in readings if r.line_km is not None]
    points = [(days_of(r.read_at), r.reading_km / scale, r.set_aside) for r in readings]
    kept = [(day, km) for day, km, cause in points if cause is None]
    aside = [(day, km) for day, km, cause in points if cause is not None]
    if not kept:
        return Dash(cells.t("no odometer reading could be used"))
    days = [day for day, _ in (*kept, *aside)]
    low, high = min(days), max(days)
    if high <= low:
        return Dash(cells.t("all odometer readings are of one moment"))
    return OdometerChart(
        line=tuple(line),
        kept=tuple(kept),
        aside=tuple(aside),
        day_ticks=date_ticks(low, high, cells),
        km_ticks=_km_ticks([km for _, km in (*kept, *line)], cells),
        summary=cells.t(
            "{used} readings used, {aside} set aside.",
            used=cells.number(len(kept)),
            aside=cells.number(len(aside)),
        ),
    )


def _km_ticks(values: Sequence[float], cells: Cells) -> tuple[Tick, ...]:
    low, high = min(values), max(values)
    step = round_step(max(high - low, _LEAST_KM), 4)
    first, last = int(low // step), int(-(-high // step))
    if first == last:  # a vehicle that was not driven, at a round value
        first, last = max(first - 1, 0), last + 1
    return tuple(Tick(i * step, cells.number(i * step), "") for i in range(first, last + 1))
