"""Is a vehicle in stock ready to be sold?  One function for each question.  Pure.

Weights: *hold* needs work or an explanation, *rescan* needs km or a scan, a *note* changes nothing.
A reason is a code with its facts; ``wording/stock.py`` has the sentences. Each is an observation:
it accuses nobody, and it has an innocent cause if the work orders show one (own judgement).
"""

from collections.abc import Callable, Iterator, Sequence
from datetime import date, datetime
from typing import Final

from afterclear.catalogue.vin import difference, read_vin
from afterclear.findings.common.rule_files import ReadinessRule, StockRules
from afterclear.findings.stock.stock_car import Car, Reason, Row, Weight
from afterclear.reasons import Facts
from afterclear.reasons import StockReason as R

Label = Callable[[str], str]  # a control unit's function -> its name for people


def reasons(car: Car, rules: StockRules, label: Label) -> list[Reason]:
    """Ask all questions; return hold first, then re-scan, then notes."""
    found = [reason for question in _QUESTIONS for reason in question(car, rules, label)]
    order = {"hold": 0, "rescan": 1, "note": 2}
    return sorted(found, key=lambda r: (order[r.weight], not r.safety))


def _scans(car: Car, rules: StockRules, label: Label) -> Iterator[Reason]:
    last = car.last_scan
    if last is None:
        yield Reason(R.NO_SCAN, "rescan", {}, km=0)
        return
    if last["scan_scope"] != "full" or car.unread:
        facts: Facts = {
            "units": [label(u) for u in last["units"]],
            "unread": [label(u) for u in car.unread],
        }
        yield Reason(R.SCAN_PARTIAL, "rescan", facts, km=0)
    at = car.last_full_scan_at
    if at is None:
        return
    days = (car.as_of - at).total_seconds() / 86400
    if days > rules.scan_age_days:
        facts = {"scanned_on": _day(at), "days": round(days)}
        yield Reason(R.SCAN_OLD, "rescan", facts, km=0)
    driven = car.km_now - last["km"] if car.km_now is not None and last["km"] is not None else 0
    if driven > rules.scan_age_km:
        yield Reason(R.DRIVEN_SINCE_SCAN, "rescan", {"driven_km": driven}, km=0)


def _silence(car: Car, _: StockRules, label: Label) -> Iterator[Reason]:
    for ecu in (car.last_scan or {}).get("silent", ()):
        yield Reason(R.UNIT_SILENT, "rescan", {"unit": label(ecu)}, ecu, km=0)


def _recent_clear(car: Car, rules: StockRules, _: Label) -> Iterator[Reason]:
    """Find a clear so recent that the absence of codes means little."""
    since = [r for r in car.readings if _is_recent(r, rules)]
    if not since:
        return
    near = min(since, key=lambda r: (r["since_clear_km"] is None, r["since_clear_km"] or 0))
    km = near["since_clear_km"]
    to_go = None if km is None else max(rules.recent_clear_km - km, 0)
    clear = max(
        (c for c in car.clears if c["cleared_at"] <= near["seen_at"]),
        key=lambda c: c["cleared_at"],
        default=None,
    )
    work = _work_at(car, clear["cleared_at"]) if clear else None
    facts: Facts = {"since_clear_km": km, "warmups": near["warmups"]}
    if work is not None:
        facts = {**facts, "repaired_on": _day(work["repaired_at"])}
        yield Reason(R.RECENT_CLEAR_EXPLAINED, "rescan", facts, km=to_go)
    elif clear is not None and clear["origin"] == "recorded":
        facts = {**facts, "cleared_on": _day(clear["cleared_at"])}
        yield Reason(R.RECENT_CLEAR_RECORDED, "rescan", facts, km=to_go)
    else:
        yield Reason(R.RECENT_CLEAR_UNRECORDED, "hold", facts, km=to_go)


def _is_recent(reading: Row, rules: StockRules) -> bool:
    km, warmups = reading["since_clear_km"], reading["warmups"]
    if km is not None:
        return bool(km < rules.recent_clear_km)
    return warmups is not None and warmups < rules.recent_clear_warmups


def _work_at(car: Car, at: datetime) -> Row | None:
    near = [r for r in car.repairs if abs(r["repaired_at"] - at) <= car.visit]
    return near[-1] if near else None


def _monitors(car: Car, rules: StockRules, _: Label) -> Iterator[Reason]:
    with_monitors = [r for r in car.readings if r["monitors_incomplete"] not in (None, "none")]
    names = sorted({m for r in with_monitors for m in r["monitors_incomplete"].split()})
    if not names:
        return
    since = max(
        (r["since_clear_km"] for r in with_monitors if r["since_clear_km"] is not None), default=0.0
    )
    km = max(max(rules.km_of(m) - since, rules.monitor_more_km) for m in names)
    rule, subject = _allowance(car.vehicle, names, rules), "+".join(names)
    if rule is not None:
        facts: Facts = {"monitors": names, "programme": rule.programme}
        yield Reason(R.MONITORS_INCOMPLETE_ALLOWED, "note", facts, subject, source=rule.source)
    else:
        facts = {"monitors": names, "usual_km": km}
        yield Reason(R.MONITORS_INCOMPLETE, "rescan", facts, subject, km)


def _allowance(vehicle: Row, names: Sequence[str], rules: StockRules) -> ReadinessRule | None:
    """Find a rule in use that allows these monitors to be incomplete on this vehicle."""
    year, fuel = vehicle["model_year"], (vehicle["powertrain"] or "").casefold()
    for rule in rules.readiness:
        years = year is not None and rule.first_year <= year <= (rule.last_year or year)
        if not years or (rule.fuels and fuel not in rule.fuels):
            continue
        counted = [name for name in names if name not in rule.not_counted]
        some_other = rule.only and not set(counted) <= set(rule.only)
        if not some_other and len(counted) <= rule.may_be_incomplete:
            return rule
    return None


def _permanent(car: Car, _: StockRules, label: Label) -> Iterator[Reason]:
    for row in car.permanent:
        facts = _fault(row, label)
        repaired = [r for r in car.repairs if _is_for(r, row["code"])]
        if repaired:
            facts = {**facts, "repaired_on": _day(repaired[-1]["repaired_at"])}
            yield Reason(R.PERMANENT_CODE_REPAIRED, "rescan", facts, row["code"])
        else:
            yield Reason(R.PERMANENT_CODE, "hold", facts, row["code"], safety=row["safety"])


def _is_for(repair: Row, code: str) -> bool:
    """Whether a work order names a code, with or without its failure type."""
    return code.split("-", maxsplit=1)[0] in {
        c.split("-")[0] for c in (repair["codes"] or "").split()
    }


def _open(car: Car, _: StockRules, label: Label) -> Iterator[Reason]:
    for row in car.open_faults:
        facts: Facts = {
            **_fault(row, label),
            "meaning": row["meaning"] or row["code"],
            "seen_on": _day(row["last_seen_at"]),
        }
        name = R.OPEN_SAFETY_FAULT if row["safety"] else R.OPEN_FAULT
        yield Reason(name, "hold", facts, _subject(row), safety=row["safety"])
    for row in car.signs:
        yield Reason(R.PENDING_CODE, "rescan", _fault(row, label), _subject(row), km=0)


def _on_watch(car: Car, _: StockRules, label: Label) -> Iterator[Reason]:
    for row in car.on_watch:
        facts: Facts = {
            **_fault(row, label),
            "deed": "clear_beside" if row["beside_repair_id"] else row["kind"],
            "worked_on": _day(row["attempted_at"]),
        }
        name = R.FIX_UNCHECKED
        if row["outcome"] != "unchecked":
            name, facts = R.FIX_ON_WATCH, {**facts, "to_go_km": row["km_to_go"] or None}
        km = _from_last_scan(car, row)
        yield Reason(name, "rescan", facts, _subject(row), km, safety=row["safety"])


def _from_last_scan(car: Car, row: Row) -> float | None:
    """Return the km a fix still needs, counted from the last scan as those of other reasons are.

    ``km_to_go`` counts from where its evidence ends: some of it may have been driven by that scan.
    """
    to_go: float | None = row["km_to_go"]
    until: float | None = row["clean_until_km"]
    here: float | None = car.last_scan["km"] if car.last_scan else None
    if to_go is None or until is None or here is None:
        return to_go
    return max(until + to_go - here, 0.0)


def _gone(car: Car, _: StockRules, label: Label) -> Iterator[Reason]:
    for row in car.gone:
        facts = {**_fault(row, label), "seen_on": _day(row["last_seen_at"])}
        weight: Weight = "note" if row["proven"] else "rescan"
        yield Reason(R.CODE_GONE_WITHOUT_REPAIR, weight, facts, _subject(row), safety=row["safety"])


def _odometer(car: Car, _: StockRules, label: Label) -> Iterator[Reason]:
    is_explained = True
    for drop in car.drops:
        work = _cluster_work(car, drop["before_at"], drop["read_at"])
        facts: Facts = {
            "before_km": drop["before_km"],
            "before_on": _day(drop["before_at"]),
            "after_km": drop["reading_km"],
            "after_on": _day(drop["read_at"]),
        }
        if work is not None:
            facts = {**facts, "replaced_on": _day(work["repaired_at"])}
            yield Reason(R.ODOMETER_CLUSTER_REPLACED, "note", facts)
        else:
            is_explained = False
            yield Reason(R.ODOMETER_DROPPED, "hold", facts)
    for row in car.outliers:
        facts = {
            "reading_km": row["reading_km"],
            "read_on": _day(row["read_at"]),
            "why": row["set_aside"],
        }
        yield Reason(R.ODOMETER_READING_SET_ASIDE, "note", facts)
    if car.drops and is_explained:
        return
    for row in car.records:
        facts = {
            **_fault(row, label),
            "record_km": row["record_km"],
            "odometer_km": row["odometer_km"],
            "seen_on": _day(row["seen_at"]),
        }
        yield Reason(R.ODOMETER_BELOW_UNIT_RECORD, "hold", facts, row["ecu"])


def _cluster_work(car: Car, after: datetime | None, until: datetime) -> Row | None:
    fits = [
        r
        for r in car.repairs
        if "instrument_cluster" in r["units"]
        and (after is None or r["repaired_at"] >= after - car.visit)
        and r["repaired_at"] <= until
    ]
    return fits[-1] if fits else None


def _identity(car: Car, _: StockRules, label: Label) -> Iterator[Reason]:
    """Compare the identification numbers the units report with each other and the vehicle's own.

    Case, blanks and look-alikes are writing slips. One differing character is not: vehicles bought
    together have consecutive numbers.
    """
    with_vin = {r["unit"]: r for r in reversed(car.readings) if r["ecu_vin"]}
    next_year = car.as_of.year + 1
    vins = {unit: read_vin(row["ecu_vin"], next_year) for unit, row in with_vin.items()}
    own = read_vin(car.vehicle["vin"] or _most(seen.vin for seen in vins.values()), next_year)
    for unit, row in sorted(with_vin.items()):
        if difference(vins[unit], own) == "same":
            continue
        replaced = [r for r in car.repairs if unit in r["units"] and r["action"] == "replace"]
        facts: Facts = {"unit": label(unit)}
        if replaced:
            facts = {**facts, "replaced_on": _day(replaced[-1]["repaired_at"])}
            yield Reason(R.VIN_DIFFERS_UNIT_REPLACED, "rescan", facts, row["ecu"], km=0)
        else:
            yield Reason(R.VIN_DIFFERS, "hold", facts, row["ecu"])


def _fault(row: Row, label: Label) -> Facts:
    return {"code": row["code"], "unit": label(row["unit"])}


def _subject(row: Row) -> str:
    return f"{row['ecu']}:{row['code']}"


def _day(at: datetime | None) -> str | None:
    return at.isoformat() if at else None


def _most(values: Iterator[str]) -> str:
    counted: dict[str, int] = {}
    for value in values:
        counted[value] = counted.get(value, 0) + 1
    return max(sorted(counted), key=lambda v: counted[v]) if counted else ""


def since_purchase(acquired_on: date | None) -> datetime:
    """Return the instant from which codes count as seen since purchase."""
    return datetime.combine(acquired_on or date.min, datetime.min.time())


_QUESTIONS: Final[tuple[Callable[[Car, StockRules, Label], Iterator[Reason]], ...]] = (
    _recent_clear,
    _permanent,
    _open,
    _odometer,
    _identity,
    _scans,
    _silence,
    _monitors,
    _on_watch,
    _gone,
)
