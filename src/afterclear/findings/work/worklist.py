"""What to do first: one ranked list for each audience, a line for each vehicle and visit.

Rows of the store -> ``work_items`` -> lines: vehicles to bring in before those to scan, the most
urgent first (``urgency``), of these safety, then expected loss: the chance that a fault is not
fixed times the cost of its come-back.  People's decisions are applied.
"""

import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache
from itertools import islice
from typing import Any, Final

import polars as pl

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.findings.common.facts_json import as_json
from afterclear.findings.common.rows_by_vehicle import ByVehicle
from afterclear.findings.common.rule_files import WorklistRules
from afterclear.findings.common.tables import keep
from afterclear.findings.roles.role_facts import FactBook
from afterclear.findings.work.decided import Decided, Matter, decision_on, decision_reason
from afterclear.findings.work.urgency import Asked, UrgencyRule, most_urgent, urgency_of
from afterclear.findings.work.work_cost import ComeBackCosts, Order
from afterclear.findings.work.work_items import (
    Item,
    ItemRules,
    Reason,
    Row,
    VehicleWork,
    items_of,
    reason,
)
from afterclear.findings.work.work_queries import FOR_COSTS, PROOF_KM, VEHICLES, WORK_ROWS
from afterclear.reasons import Fact, StockReason, Urgency, WorkReason
from afterclear.store.engine.database import Connection, query
from afterclear.store.queries.results import naive

_ALL_UNITS: Final = "all units"
_HOLD: Final = reason(WorkReason.HOLD)
_LINES_AT_ONCE: Final = 10_000


@dataclass(frozen=True, slots=True)
class _Line:
    """One line, before ranking."""

    vehicle_id: str
    audience: str
    site: str | None
    items: tuple[Item, ...]
    decided: Decided | None


def build_worklist(
    con: Connection,
    catalogue: Catalogue,
    rules: WorklistRules,
    urgency: tuple[UrgencyRule, ...],
    as_of: datetime,
) -> None:
    """Rank what there is to do for fleet, garage and stock; replace the table."""
    book = FactBook(catalogue)
    desk = _Desk(
        con,
        catalogue,
        book,
        rules,
        ItemRules(
            label=book.label,
            now=naive(as_of),
            quiet_days=rules.quiet_days,
            silent_scans=rules.silent_scans,
            proof_km=dict(query(con, PROOF_KM).iter_rows()),
            urgency=urgency,
        ),
    )
    keep(con, "worklist", _ranked(_lines(desk)))


def _lines(desk: "_Desk") -> pl.DataFrame:
    """Put all lines together, in frames as they come: Python rows would be large."""
    frames = [pl.DataFrame(schema=_WORKLIST | _ORDER)]
    lines = desk.lines()
    while some := [desk.row(line) for line in islice(lines, _LINES_AT_ONCE)]:
        frames.append(pl.DataFrame(some, schema=_WORKLIST | _ORDER))
    return pl.concat(frames)


class _Desk:
    """The store's rows, turned into lines."""

    def __init__(
        self,
        con: Connection,
        catalogue: Catalogue,
        book: FactBook,
        rules: WorklistRules,
        items: ItemRules,
    ) -> None:
        self._catalogue, self._book = catalogue, book
        self._rules, self._items = rules, items
        self._said = cache(self._told)
        self._costs = ComeBackCosts((Order(*r) for r in query(con, FOR_COSTS).iter_rows()), rules)
        self._rows = {name: ByVehicle(query(con, sql)) for name, sql in WORK_ROWS.items()}
        self._vehicles = query(con, VEHICLES)
        self._stock = {r["vehicle_id"]: r for r in query(con, "FROM store.stock").to_dicts()}
        self._decisions = defaultdict(list)
        for row in query(con, _DECISIONS).iter_rows():
            self._decisions[row[1]].append(Decided(*row))

    def _told(self, family: str, code: str, ecu: str) -> Row:
        """Look up once what applies to every row of a fault."""
        return {
            "unit": self._book.unit(ecu),
            "cautions": tuple(c.id for c in self._catalogue.cautions(family, code, ecu)),
            "evidence_km": self._catalogue.min_distance_after_clear_km(family),
        }

    def _work(self, vehicle: Row) -> VehicleWork:
        """Collect one vehicle's rows, with their units' names and the cautions of work on them."""
        of: dict[str, list[Row]] = {}
        for name, rows in self._rows.items():
            of[name] = rows.of(vehicle["vehicle_id"])
            for row in of[name]:
                row.update(self._said(row["family"] or "", row["code"] or "", row["ecu"]))
        return VehicleWork(
            open_faults=of["open"],
            roles={(r["ecu"], r["code"]): r for r in of["roles"]},
            attempts=of["attempts"],
            related=of["related"],
            leftovers={(r["ecu"], r["code"]): r for r in of["leftovers"]},
            silent=of["silent"],
            km_now=vehicle["km_now"],
        )

    def lines(self) -> Iterator[_Line]:
        """Lines of all audiences, vehicle by vehicle; decided matters on lines of their own."""
        for vehicle in self._vehicles.iter_rows(named=True):
            stocked = vehicle["stock_status"] == "in_stock"
            items = list(items_of(self._work(vehicle), self._items))
            if stocked:
                yield from self._grouped("stock", vehicle, self._with_audit(vehicle, items))
                items = [item for item in items if item.site is not None]
            else:
                yield from self._grouped("fleet", vehicle, items)
            yield from self._grouped("garage", vehicle, items)

    def _grouped(self, audience: str, vehicle: Row, items: Sequence[Item]) -> Iterator[_Line]:
        groups: dict[tuple[str | None, Decided | None], list[Item]] = defaultdict(list)
        for item in items:
            site = (item.site or vehicle["site"]) if audience == "garage" else vehicle["site"]
            groups[site, self._decided(item, vehicle)].append(item)
        for (site, decided), grouped in groups.items():
            yield _Line(vehicle["vehicle_id"], audience, site, tuple(grouped), decided)

    def _decided(self, item: Item, vehicle: Row) -> Decided | None:
        decisions = self._decisions.get(vehicle["vehicle_id"], ())
        return decision_on(item.matter, decisions, self._items.now, vehicle["km_now"])

    def _with_audit(self, vehicle: Row, items: list[Item]) -> list[Item]:
        """Put the verdict of the stock audit before the work it asks for."""
        audit = self._stock.get(vehicle["vehicle_id"])
        if audit is None or audit["verdict"] == "ready":
            return items
        km = audit["km_to_rescan"] or 0.0
        scan = reason(WorkReason.SCAN_IN_FULL, after_km=km if km > 0 else None)
        deed = _HOLD if audit["verdict"] == "hold" else scan
        began = audit["last_full_scan_at"] or self._items.now
        deciding = json.loads(audit["deciding"])
        # a unit of another vehicle is traced in papers: no scan tells where it comes from
        foreign_only = not items and {name for name, _ in deciding} == {StockReason.VIN_DIFFERS}
        verdict = Item(
            Matter(vehicle["vehicle_id"], None, None, (), began, None),
            "scan",
            deed,
            tuple(as_json(said) for said in deciding),
            "",
            "",
            0.0,
            () if foreign_only else (_ALL_UNITS,),
            km,
            vehicle["site"],
            (),
            (),
            None,
        )
        # the audit gives the reason; its full scan covers the scans these ask for
        trimmed = [
            replace(item, grounds=())
            if item.kind == "repair"
            else replace(item, grounds=(), deed=deed, units_to_scan=(), after_km=km)
            for item in items
        ]
        return [verdict, *trimmed]

    def row(self, line: _Line) -> dict[str, Any]:
        """Put a line together from its items, the most urgent first."""
        costs = [self._costs.of(i.component, line.vehicle_id, line.site) for i in line.items]
        loss = [i.p_not_fixed * c.amount for i, c in zip(line.items, costs, strict=True)]
        order = sorted(range(len(loss)), key=lambda n: self._pressing(line.items[n], loss[n]))
        items = [line.items[n] for n in order]
        dearest = max(range(len(costs)), key=lambda n: (loss[n], -n))
        bring_in = any(i.kind == "repair" for i in items)
        deeds = list(dict.fromkeys(i.deed for i in items))
        after = _after_km(items, bring_in=bring_in)
        units = list(dict.fromkeys(u for i in items for u in i.units_to_scan))
        units = [_ALL_UNITS] if _ALL_UNITS in units else units
        cautions = list(dict.fromkeys(c for i in items for c in i.cautions))
        urgency = most_urgent(map(self._urgency, items))
        return {
            "vehicle_id": line.vehicle_id,
            "audience": line.audience,
            "rank": None,
            "deeds": _listed(deeds),
            # (all reasons of the line, item by item: what follows from an attempt refers to that
            # attempt)
            "grounds": _listed(
                g for grounds in dict.fromkeys(i.grounds for i in items) for g in grounds
            ),
            "looks": _listed(self._looks(items, units, after)),
            "safety": bool(cautions),
            "attempt_ids": " ".join(dict.fromkeys(a for i in items for a in i.matter.attempt_ids)),
            "kind": "bring_in" if bring_in else "scan",
            "site": line.site,
            "units_to_scan": json.dumps(units),
            "after_km": round(after),
            "p_not_fixed": max(i.p_not_fixed for i in items),
            "expected_loss": round(sum(loss), 2),
            "currency": costs[dearest].currency,
            "cost_grounds": _listed(
                dict.fromkeys(costs[n].basis for n in order if line.items[n].component)
            ),
            "codes": json.dumps(list(dict.fromkeys(c for i in items for c in i.codes))),
            "cautions": " ".join(cautions),
            "urgency": urgency,
            "since_at": naive(items[0].matter.began_at),
            "meaning": items[0].meaning,
            "usual_cost": round(
                sum(c.amount for i, c in zip(line.items, costs, strict=True) if i.kind == "repair"),
                2,
            ),
            "decision": decision_reason(line.decided) if line.decided else None,
            "note": line.decided.note if line.decided else None,
            "_urgency_rank": tuple(Urgency).index(urgency),
            "_no_hold": deeds[0] != _HOLD,
            "_caution_rank": self._caution_rank(cautions),
        }

    def _looks(self, items: Sequence[Item], units: Sequence[str], after: float) -> Iterator[Reason]:
        """Say which units to scan, and when; those that need further to drive by themselves."""
        is_scan = all(item.kind != "repair" for item in items)
        far = [i for i in items if i.after_km > after] if is_scan and after > 0 else []
        near = {u for i in items for u in i.units_to_scan if i not in far}
        late = [u for u in units if u not in near and u != _ALL_UNITS]
        yield self._look(items, [u for u in units if u not in late], after)
        if late:
            yield self._look(far, late, max(i.after_km for i in far))

    def _look(self, items: Sequence[Item], units: Sequence[str], after: float) -> Reason:
        """Say which units to scan, and when: the proof the next verdict needs."""
        if not units and items[0].grounds:
            return reason(WorkReason.TRACE_UNIT)
        labels = [self._items.label(self._book.unit(u)) for u in units if u != _ALL_UNITS]
        named: dict[str, Fact] = (
            {"unit": labels[0]} if len(labels) == 1 else {"units": labels} if labels else {}
        )
        if any(item.kind == "repair" for item in items):
            return reason(WorkReason.SCAN_AROUND_WORK, **named, again_km=after)
        if after > 0:
            return reason(WorkReason.SCAN_LATER, **named, after_km=after)
        return reason(WorkReason.SCAN_NOW, **named)

    def _pressing(self, item: Item, loss: float) -> tuple[Any, ...]:
        audit_first = item.component != ""
        return (
            audit_first,
            tuple(Urgency).index(self._urgency(item)),
            not item.cautions,
            self._caution_rank(item.cautions),
            item.kind != "repair",
            -loss,
            item.codes,
        )

    def _urgency(self, item: Item) -> Urgency:
        deed, _ = json.loads(item.deed)
        code = item.codes[0] if item.codes else ""
        asked = Asked(deed, item.cautions, item.family, code, item.after_km)
        return urgency_of(asked, self._items.urgency)

    def _caution_rank(self, cautions: Sequence[str]) -> int:
        order = self._rules.safety_order
        return min((order.index(c) if c in order else len(order) for c in cautions), default=99)


def _after_km(items: Sequence[Item], *, bring_in: bool) -> float:
    """Tell how far to drive before the line's scan: as far as all need, unless safety waits.

    The brakes do not wait for the distance a catalytic converter needs: the nearest check of
    safety decides, the other units are read with it, and stay on the list if that was too early.
    A check due at once is done in the visit of the work, where there is one.
    """
    safety = [i.after_km for i in items if i.cautions and (i.after_km > 0 or not bring_in)]
    return min(safety) if safety else max((i.after_km for i in items), default=0.0)


def _listed(reasons: Iterable[Reason]) -> str:
    """Write reasons as one list (JSON)."""
    return f"[{', '.join(reasons)}]"


def _ranked(lines: pl.DataFrame) -> pl.DataFrame:
    """Rank the lines of each audience; decided lines get no rank, unless they concern safety.

    In the order in which pages print them: what to bring in, then what to scan.
    """
    safety, is_open = pl.col("safety"), pl.col("decision").is_null()
    counts = is_open | safety
    only_scan = pl.col("kind") != "bring_in"
    # whoever decided about a line has seen it: it no longer goes before what nobody has seen
    soon = pl.when(is_open).then("_urgency_rank").otherwise(pl.max_horizontal("_urgency_rank", 1))
    return lines.sort(
        "audience",
        only_scan & (pl.col("audience") != "stock"),
        pl.when(pl.col("audience") == "stock").then(0).otherwise(soon),
        ~safety,
        ~is_open,
        only_scan & safety,
        "_no_hold",
        "_caution_rank",
        -pl.col("expected_loss"),
        "vehicle_id",
        pl.col("site").fill_null(""),
        pl.col("decision").fill_null(""),
        maintain_order=True,
    ).with_columns(
        rank=pl.when(counts).then(counts.cum_sum().over("audience")).cast(pl.Int32),
    )


_DECISIONS: Final = """
SELECT decision_id, vehicle_id, attempt_id, ecu, code, word, until_at, until_km, note, decided_at
FROM store.decisions WHERE undone_at IS NULL ORDER BY decision_id
"""

# what lines are ranked by, beside their content
_ORDER: Final[dict[str, Any]] = {
    "_urgency_rank": pl.Int32,
    "_no_hold": pl.Boolean,
    "_caution_rank": pl.Int32,
}

_WORKLIST: Final[dict[str, Any]] = {
    "vehicle_id": pl.String,
    "audience": pl.String,
    "rank": pl.Int32,
    "deeds": pl.String,
    "grounds": pl.String,
    "looks": pl.String,
    "safety": pl.Boolean,
    "attempt_ids": pl.String,
    "kind": pl.String,
    "site": pl.String,
    "units_to_scan": pl.String,
    "after_km": pl.Float64,
    "p_not_fixed": pl.Float64,
    "expected_loss": pl.Float64,
    "currency": pl.String,
    "cost_grounds": pl.String,
    "codes": pl.String,
    "cautions": pl.String,
    "urgency": pl.String,
    "since_at": pl.Datetime("us"),
    "meaning": pl.String,
    "usual_cost": pl.Float64,
    "decision": pl.String,
    "note": pl.String,
}
