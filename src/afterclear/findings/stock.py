"""The stock audit: ready, re-scan or hold for every vehicle in stock, with reasons.

Rows of the store -> ``Car`` -> ``stock_rules`` -> ``stock`` and ``stock_reasons``.
"""

import json
from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final

import polars as pl

from afterclear.findings.kept import keep
from afterclear.findings.role_facts import FactBook
from afterclear.findings.rule_files import StockRules
from afterclear.findings.stock_car import Car, Reason, Row
from afterclear.findings.stock_rules import reasons, since_purchase
from afterclear.findings.told import Told, Voice
from afterclear.normalise.catalogue import Catalogue
from afterclear.normalise.words import words_of
from afterclear.store.database import Connection, query
from afterclear.store.results import naive

_OUTLIERS: Final = "lasting_drop"


def audit_stock(
    con: Connection, catalogue: Catalogue, rules: StockRules, told: Told, as_of: datetime
) -> dict[str, int]:
    """Audit every vehicle in stock; replace the tables; count the verdicts."""
    book = FactBook(catalogue)
    voice = Voice(told, book.label)
    rows = _Rows(con, catalogue, book)
    verdicts, found = [], []
    for vehicle in rows.vehicles:
        car = rows.car(vehicle, naive(as_of), rules)
        told_reasons = reasons(car, rules, voice)
        verdicts.append(_verdict(car, told_reasons))
        found += _reason_rows(vehicle["vehicle_id"], told_reasons)
    keep(con, "stock", pl.DataFrame(verdicts, schema=_STOCK))
    keep(con, "stock_reasons", pl.DataFrame(found, schema=_REASONS))
    counted: dict[str, int] = defaultdict(int)
    for row in verdicts:
        counted[str(row["verdict"])] += 1
    return dict(sorted(counted.items()))


def _verdict(car: Car, found: Sequence[Reason]) -> Row:
    weights = {reason.weight for reason in found}
    verdict = "hold" if "hold" in weights else "rescan" if "rescan" in weights else "ready"
    deciding = [r for r in found if r.weight == verdict]
    km = [r.km for r in found if r.km is not None and r.weight != "note"]
    text = " ".join(r.because for r in deciding)
    if verdict == "ready":
        text = "Read in full, nothing open, nothing recent, every self-test complete."
    return {
        "vehicle_id": car.vehicle["vehicle_id"],
        "verdict": verdict,
        "reasons": json.dumps([r.key for r in found]),
        "km_to_rescan": max(km) if km else None,
        "last_full_scan_at": car.last_full_scan_at,
        "because": text,
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
            "because": reason.because,
        }
        for number, reason in enumerate(found, start=1)
    ]


class _Rows:
    """The store's rows of all vehicles in stock, by vehicle."""

    def __init__(self, con: Connection, catalogue: Catalogue, book: FactBook) -> None:
        self._catalogue, self._book = catalogue, book
        self.vehicles = query(con, _VEHICLES).to_dicts()
        self._by = {name: _by_vehicle(query(con, sql)) for name, sql in _BY_VEHICLE.items()}
        self._usual = defaultdict(set)
        for make, model, ecu in query(con, _USUAL_UNITS).iter_rows():
            self._usual[make, model].add(book.unit(ecu))

    def car(self, vehicle: Row, as_of: datetime, rules: StockRules) -> Car:
        """Gather what is known of one vehicle."""
        scans = self._of("scans", vehicle)
        last = scans[-1] if scans else None
        if last:
            last["units"] = sorted({self._book.unit(e) for e in last["read"] or ()})
            last["silent"] = sorted({self._book.unit(e) for e in last["no_answer"] or ()})
        full = [s for s in scans if s["scan_scope"] == "full"]
        usual = self._usual[vehicle["make"], vehicle["model"]]
        seen = set(last["units"]) | set(last["silent"]) if last else set()
        repairs = [r | {"units": self._named_units(r)} for r in self._of("repairs", vehicle)]
        bought = since_purchase(vehicle["acquired_on"])
        return Car(
            vehicle=vehicle,
            as_of=as_of,
            readings=[
                r
                for r in self._faults(self._of("readings", vehicle))
                if last and r["scan_id"] == last["scan_id"]
            ],
            last_scan=last,
            last_full_scan_at=full[-1]["seen_at"] if full else None,
            km_now=self._km_now(vehicle),
            unread=sorted(usual - seen) if last else [],
            clears=self._of("clears", vehicle),
            repairs=repairs,
            open_faults=self._faults(self._of("open", vehicle)),
            signs=self._faults(self._of("signs", vehicle), last),
            permanent=self._faults(self._of("permanent", vehicle), last),
            watched=self._faults(self._of("watched", vehicle)),
            gone=[
                row
                for row in self._faults(self._of("gone", vehicle))
                if row["last_seen_at"] >= bought and not row["watched"]
            ],
            drops=[r for r in self._of("set_aside", vehicle) if r["set_aside"] == _OUTLIERS],
            outliers=[r for r in self._of("set_aside", vehicle) if r["set_aside"] != _OUTLIERS],
            records=self._records(vehicle, rules),
        )

    def _of(self, name: str, vehicle: Row) -> list[Row]:
        return self._by[name].get(vehicle["vehicle_id"], [])

    def _faults(self, rows: Sequence[Row], scan: Row | None = None) -> list[Row]:
        """Name each row's unit and whether work on it concerns safety; of one scan, if given."""
        found = []
        for row in rows:
            if scan is not None and row["scan_id"] != scan["scan_id"]:
                continue
            family, code = row.get("family") or "", row.get("code") or ""
            safety = bool(self._catalogue.cautions(family, code, row["ecu"]))
            found.append(row | {"unit": self._book.unit(row["ecu"]), "safety": safety})
        return found

    def _km_now(self, vehicle: Row) -> float | None:
        readings = [r["line_km"] for r in self._of("odometer", vehicle) if r["line_km"] is not None]
        return max(readings) if readings else None

    def _named_units(self, repair: Row) -> set[str]:
        """Control units a work order line names, in its part or its notes."""
        said = " ".join(filter(None, (repair["part_family"], repair["notes"])))
        return {mention.meaning for mention in self._catalogue.lexicon.ecus_in(words_of(said))}

    def _records(self, vehicle: Row, rules: StockRules) -> list[Row]:
        """Each unit's furthest record beyond the odometer of its scan, once a unit."""
        beyond: dict[str, Row] = {}
        for row in self._faults(self._of("records", vehicle)):
            slack = max(rules.record_slack_km, rules.record_slack_share * row["odometer_km"])
            if row["record_km"] > row["odometer_km"] + slack:
                kept = beyond.get(row["ecu"])
                if kept is None or row["record_km"] > kept["record_km"]:
                    beyond[row["ecu"]] = row
        return [beyond[ecu] for ecu in sorted(beyond)]


def _by_vehicle(frame: pl.DataFrame) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = defaultdict(list)
    for row in frame.iter_rows(named=True):
        found[row["vehicle_id"]].append(row)
    return found


_STOCK: Final[dict[str, Any]] = {
    "vehicle_id": pl.String,
    "verdict": pl.String,
    "reasons": pl.String,
    "km_to_rescan": pl.Float64,
    "last_full_scan_at": pl.Datetime("us"),
    "because": pl.String,
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
    "because": pl.String,
}

_IN_STOCK: Final = "(SELECT vehicle_id FROM store.vehicles WHERE stock_status = 'in_stock')"

_VEHICLES: Final = """
SELECT vehicle_id, vin, make, model, model_year, powertrain, acquired_on
FROM store.vehicles WHERE stock_status = 'in_stock' ORDER BY vehicle_id
"""

# Units that answer in most full scans of a model.
_USUAL_UNITS: Final = """
WITH full_scans AS (
    SELECT v.make, v.model, o.vehicle_id, o.scan_id, o.ecu
    FROM store.observations o JOIN store.vehicles v USING (vehicle_id)
    WHERE o.scan_scope = 'full' AND o.answered AND o.ecu IS NOT NULL
)
SELECT make, model, ecu FROM full_scans
JOIN (SELECT make, model, count(DISTINCT (vehicle_id, scan_id)) AS n_scans FROM full_scans
      GROUP BY make, model) n USING (make, model)
GROUP BY make, model, ecu, n_scans
HAVING count(DISTINCT (vehicle_id, scan_id)) >= 0.8 * n_scans
ORDER BY ALL
"""

_BY_VEHICLE: Final[dict[str, str]] = {
    "scans": f"""
        SELECT vehicle_id, scan_id, seen_at, max(km) AS km,
            CASE WHEN bool_and(scan_scope = 'full') THEN 'full' ELSE 'partial' END AS scan_scope,
            list(ecu) FILTER (answered AND memory = 'stored') AS read,
            list(ecu) FILTER (NOT answered) AS no_answer
        FROM store.observations WHERE ecu IS NOT NULL AND vehicle_id IN {_IN_STOCK}
        GROUP BY vehicle_id, scan_id, seen_at ORDER BY vehicle_id, seen_at, scan_id""",
    "readings": f"""
        SELECT vehicle_id, ecu, scan_id, seen_at, km, since_clear_km, warmups,
            monitors_incomplete, ecu_vin
        FROM store.observations
        WHERE ecu IS NOT NULL AND answered AND vehicle_id IN {_IN_STOCK}
        ORDER BY vehicle_id, seen_at DESC, ecu""",
    "clears": f"""
        SELECT vehicle_id, ecu, cleared_at, km, origin FROM store.clear_events
        WHERE vehicle_id IN {_IN_STOCK} ORDER BY vehicle_id, cleared_at, ecu""",
    "repairs": f"""
        SELECT vehicle_id, repair_id, repaired_at, codes, action, part_family, notes
        FROM store.repairs WHERE vehicle_id IN {_IN_STOCK}
        ORDER BY vehicle_id, repaired_at, repair_id, part_family""",
    "open": f"""
        SELECT e.vehicle_id, e.ecu, e.code, e.family, e.last_seen_at, m.meaning
        FROM store.episodes e
        LEFT JOIN store.codes_met m USING (code, family)
        WHERE e.ended_by = 'open' AND e.vehicle_id IN {_IN_STOCK}
        ORDER BY e.vehicle_id, e.ecu, e.code""",
    "signs": f"""
        SELECT s.vehicle_id, s.scan_id, s.ecu, s.code, s.family FROM store.sightings s
        ANTI JOIN (FROM store.episodes WHERE ended_by = 'open') e
            ON e.vehicle_id = s.vehicle_id AND e.ecu = s.ecu AND e.code = s.code
        WHERE s.presence = 'sign' AND s.vehicle_id IN {_IN_STOCK}
        ORDER BY s.vehicle_id, s.ecu, s.code""",
    "permanent": f"""
        SELECT vehicle_id, scan_id, ecu, code, family FROM store.sightings
        WHERE presence = 'permanent' AND vehicle_id IN {_IN_STOCK}
        ORDER BY vehicle_id, ecu, code""",
    # each fault's latest attempt, unless it is open again or was an echo of a fault that held
    "watched": f"""
        SELECT a.vehicle_id, a.ecu, a.code, a.family, a.kind, a.attempted_at, v.outcome,
            v.km_to_go
        FROM store.attempts a
        JOIN store.verdicts v USING (attempt_id)
        ANTI JOIN (FROM store.episodes WHERE ended_by = 'open') e
            ON e.vehicle_id = a.vehicle_id AND e.ecu = a.ecu AND e.code = a.code
        ANTI JOIN (
            SELECT r.vehicle_id, r.ecu, r.code, max(r.seen_at) AS seen_at
            FROM store.roles r WHERE r.role = 'consequential' AND r.primary_code IS NOT NULL
            GROUP BY r.vehicle_id, r.ecu, r.code
        ) echo ON a.kind = 'clear_only' AND echo.vehicle_id = a.vehicle_id AND echo.ecu = a.ecu
            AND echo.code = a.code AND echo.seen_at <= a.attempted_at
        WHERE a.ended_at IS NULL AND a.ecu IS NOT NULL
            AND v.outcome IN ('on_watch', 'unchecked') AND a.vehicle_id IN {_IN_STOCK}
        ORDER BY a.vehicle_id, a.attempted_at, a.ecu, a.code""",
    "gone": f"""
        SELECT e.vehicle_id, e.ecu, e.code, any_value(e.family) AS family,
            max(e.last_seen_at) AS last_seen_at,
            coalesce(bool_or(v.outcome = 'held'), false) AS proven,
            coalesce(bool_or(v.outcome IN ('on_watch', 'unchecked') AND a.ended_at IS NULL),
                false) AS watched
        FROM store.episodes e
        LEFT JOIN store.attempts a ON a.vehicle_id = e.vehicle_id AND a.ecu = e.ecu
            AND a.code = e.code
        LEFT JOIN store.verdicts v USING (attempt_id)
        WHERE e.vehicle_id IN {_IN_STOCK}
        GROUP BY e.vehicle_id, e.ecu, e.code
        HAVING NOT bool_or(e.ended_by = 'open') AND NOT coalesce(bool_or(a.kind = 'repair'), false)
        ORDER BY e.vehicle_id, e.ecu, e.code""",
    "set_aside": f"""
        SELECT * FROM (
            SELECT vehicle_id, read_at, reading_km, set_aside,
                lag(reading_km) OVER readings AS before_km, lag(read_at) OVER readings AS before_at
            FROM store.odometer WHERE vehicle_id IN {_IN_STOCK}
            WINDOW readings AS (PARTITION BY vehicle_id ORDER BY read_at, reading_km)
        ) WHERE set_aside IS NOT NULL ORDER BY vehicle_id, read_at""",
    "odometer": f"""
        SELECT vehicle_id, read_at, line_km FROM store.odometer
        WHERE vehicle_id IN {_IN_STOCK} ORDER BY vehicle_id, read_at""",
    "records": f"""
        SELECT vehicle_id, ecu, scanned_at AS seen_at, odometer_km, first_seen_km AS record_km,
            'the code ' || code AS what, code
        FROM store.scans
        WHERE first_seen_km > odometer_km AND ecu IS NOT NULL AND vehicle_id IN {_IN_STOCK}
        UNION ALL
        SELECT vehicle_id, ecu, scanned_at, odometer_km, distance_since_clear_km, 'its last clear',
            NULL
        FROM store.scans
        WHERE distance_since_clear_km > odometer_km AND ecu IS NOT NULL
            AND vehicle_id IN {_IN_STOCK}
        ORDER BY vehicle_id, seen_at, ecu, record_km""",
}
