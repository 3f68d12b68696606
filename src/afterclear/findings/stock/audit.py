"""The stock audit: ready, re-scan or hold for every vehicle in stock, with reasons.

Rows of the store -> ``Car`` -> ``stock_rules`` -> ``stock`` and ``stock_reasons``.
"""

import json
from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any, Final

import polars as pl

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.catalogue.folded_words import words_of
from afterclear.findings.common.facts_json import as_json
from afterclear.findings.common.rows_by_vehicle import ByVehicle
from afterclear.findings.common.rule_files import StockRules
from afterclear.findings.common.tables import forget, keep
from afterclear.findings.common.visits import visit_length
from afterclear.findings.roles.role_facts import FactBook
from afterclear.findings.stock.stock_car import Car, Reason, Row
from afterclear.findings.stock.stock_queries import BY_VEHICLE, STOCK_TABLES, USUAL_UNITS, VEHICLES
from afterclear.findings.stock.stock_rules import reasons, since_purchase
from afterclear.reasons import StockReason
from afterclear.store.engine.database import Connection, query
from afterclear.store.queries.results import naive

_LASTING_DROP: Final = "lasting_drop"


def audit_stock(con: Connection, catalogue: Catalogue, rules: StockRules, as_of: datetime) -> None:
    """Audit every vehicle in stock; replace the tables."""
    book = FactBook(catalogue)
    verdicts, found = [], []
    for car in _Rows(con, catalogue, book).cars(naive(as_of), rules):
        car_reasons = reasons(car, rules, book.label)
        verdicts.append(_verdict(car, car_reasons))
        found += _reason_rows(car.vehicle["vehicle_id"], car_reasons)
    forget(con, ("stock_last", "stock_looks"))
    keep(con, "stock", pl.DataFrame(verdicts, schema=_STOCK))
    keep(con, "stock_reasons", pl.DataFrame(found, schema=_REASONS))


def _verdict(car: Car, found: Sequence[Reason]) -> Row:
    weights = {reason.weight for reason in found}
    verdict = "hold" if "hold" in weights else "rescan" if "rescan" in weights else "ready"
    deciding = [r for r in found if r.weight == verdict]
    km = [r.km for r in found if r.km is not None and r.weight != "note"]
    deciding_facts = [(r.name, r.facts) for r in deciding] or [(StockReason.READY, {})]
    return {
        "vehicle_id": car.vehicle["vehicle_id"],
        "verdict": verdict,
        "reasons": json.dumps([r.key for r in found]),
        "km_to_rescan": max(km) if km else None,
        "last_full_scan_at": car.last_full_scan_at,
        "deciding": as_json(deciding_facts),
        "safety": any(r.safety for r in found),
    }


def _reason_rows(vehicle_id: str, found: Sequence[Reason]) -> list[Row]:
    return [
        {
            "vehicle_id": vehicle_id,
            "position": number,
            "reason": reason.name,
            "weight": reason.weight,
            "subject": reason.subject,
            "km_to_rescan": reason.km,
            "source": reason.source,
            "facts": as_json(reason.facts),
        }
        for number, reason in enumerate(found, start=1)
    ]


class _Rows:
    """The store's rows of all vehicles in stock, read vehicle by vehicle."""

    def __init__(self, con: Connection, catalogue: Catalogue, book: FactBook) -> None:
        self._catalogue, self._book = catalogue, book
        con.script(STOCK_TABLES)
        self._vehicles = query(con, VEHICLES)
        self._by = {name: ByVehicle(query(con, sql)) for name, sql in BY_VEHICLE.items()}
        self._visit = visit_length(con)
        self._usual = defaultdict(set)
        for make, model, ecu in query(con, USUAL_UNITS).iter_rows():
            self._usual[make, model].add(book.unit(ecu))

    def cars(self, as_of: datetime, rules: StockRules) -> Iterator[Car]:
        """Yield what is known of each vehicle, one after the other."""
        for vehicle in self._vehicles.iter_rows(named=True):
            rows = {name: of.of(vehicle["vehicle_id"]) for name, of in self._by.items()}
            yield self._car(vehicle, rows, as_of, rules)

    def _car(
        self, vehicle: Row, rows: dict[str, list[Row]], as_of: datetime, rules: StockRules
    ) -> Car:
        last = rows["last_scan"][0] if rows["last_scan"] else None
        if last:
            last["units"] = sorted({self._book.unit(e) for e in last["read"] or ()})
            last["silent"] = sorted({self._book.unit(e) for e in last["no_answer"] or ()})
        usual = self._usual[vehicle["make"], vehicle["model"]]
        seen = set(last["units"]) | set(last["silent"]) if last else set()
        bought = since_purchase(vehicle["acquired_on"])
        return Car(
            vehicle=vehicle,
            as_of=as_of,
            visit=self._visit,
            readings=self._faults(rows["readings"]),
            last_scan=last,
            last_full_scan_at=last["last_full_scan_at"] if last else None,
            km_now=rows["odometer"][0]["km_now"] if rows["odometer"] else None,
            unread=sorted(usual - seen) if last else [],
            clears=rows["last_clear"],
            repairs=[r | {"units": self._named_units(r)} for r in rows["repairs"]],
            open_faults=self._faults(rows["open"]),
            signs=self._faults(rows["signs"]),
            permanent=self._faults(rows["permanent"]),
            on_watch=self._faults(rows["watched"]),
            gone=[
                row
                for row in self._faults(rows["gone"])
                if row["last_seen_at"] >= bought and not row["watched"]
            ],
            drops=[r for r in rows["set_aside"] if r["set_aside"] == _LASTING_DROP],
            outliers=[r for r in rows["set_aside"] if r["set_aside"] != _LASTING_DROP],
            records=self._records(rows["records"], rules),
        )

    def _faults(self, rows: Sequence[Row]) -> list[Row]:
        """Add to each row its unit's name and whether work on it concerns safety."""
        for row in rows:
            family, code = row.get("family") or "", row.get("code") or ""
            row["unit"] = self._book.unit(row["ecu"])
            row["safety"] = bool(self._catalogue.cautions(family, code, row["ecu"]))
        return list(rows)

    def _named_units(self, repair: Row) -> set[str]:
        """Return the control units a work order line names, in its part or its notes."""
        text = " ".join(filter(None, (repair["part_family"], repair["notes"])))
        return {mention.meaning for mention in self._catalogue.control_units.among(words_of(text))}

    def _records(self, rows: Sequence[Row], rules: StockRules) -> list[Row]:
        """Each unit's furthest record beyond the odometer of its scan, once a unit."""
        beyond: dict[str, Row] = {}
        for row in self._faults(rows):
            slack = max(rules.record_slack_km, rules.record_slack_share * row["odometer_km"])
            if row["record_km"] > row["odometer_km"] + slack:
                kept = beyond.get(row["ecu"])
                if kept is None or row["record_km"] > kept["record_km"]:
                    beyond[row["ecu"]] = row
        return [beyond[ecu] for ecu in sorted(beyond)]


_STOCK: Final[dict[str, Any]] = {
    "vehicle_id": pl.String,
    "verdict": pl.String,
    "reasons": pl.String,
    "km_to_rescan": pl.Float64,
    "last_full_scan_at": pl.Datetime("us"),
    "deciding": pl.String,
    "safety": pl.Boolean,
}
_REASONS: Final[dict[str, Any]] = {
    "vehicle_id": pl.String,
    "position": pl.Int32,
    "reason": pl.String,
    "weight": pl.String,
    "subject": pl.String,
    "km_to_rescan": pl.Float64,
    "source": pl.String,
    "facts": pl.String,
}
