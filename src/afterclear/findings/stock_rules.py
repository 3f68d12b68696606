"""Is a vehicle in stock ready to be sold?  One function a question, each giving reasons.  Pure.

Weights: *hold* needs work or an explanation, *rescan* needs km or a scan, a *note* is told and
changes nothing.  Every reason is an observation: it accuses nobody, and has innocent causes where
the work orders tell one (own judgement).
"""

from collections.abc import Callable, Iterator, Sequence
from datetime import date, datetime
from typing import Final

from afterclear.findings.rule_files import ReadinessRule, StockRules
from afterclear.findings.stock_car import Car, Reason, Row
from afterclear.findings.told import Voice
from afterclear.normalise.vin import difference, read_vin

# self-tests whose name in the plain layout is no word people use
_SELF_TESTS: Final = {
    "egr_vvt": "exhaust gas recirculation or valve timing",
    "evaporative": "fuel vapour (EVAP)",
    "nmhc_catalyst": "hydrocarbon catalyst",
    "nox_scr": "NOx aftertreatment",
    "pm_filter": "particulate filter",
    "ac_refrigerant": "air conditioning refrigerant",
}
_INNOCENT: Final = "a repair, a battery change and a software update are usual causes"


def reasons(car: Car, rules: StockRules, voice: Voice) -> list[Reason]:
    """Ask everything; hold first, then re-scan, then notes."""
    found = [reason for question in _QUESTIONS for reason in question(car, rules, voice)]
    order = {"hold": 0, "rescan": 1, "note": 2}
    return sorted(found, key=lambda r: (order[r.weight], not r.safety))


def _scans(car: Car, rules: StockRules, voice: Voice) -> Iterator[Reason]:
    last = car.last_scan
    if last is None:
        yield Reason("no_scan", "rescan", "No scan of this vehicle is known.", km=0)
        return
    if last["scan_scope"] != "full" or car.unread:
        read = ", ".join(voice.label(u) for u in last["units"])
        missing = ", ".join(voice.label(u) for u in car.unread)
        rest = f"; not read: {missing}" if missing else ""
        yield Reason(
            "scan_partial", "rescan", f"The last scan read only these units: {read}{rest}.", km=0
        )
    at = car.last_full_scan_at
    if at is None:
        return
    days = (car.as_of - at).total_seconds() / 86400
    if days > rules.scan_age_days:
        yield Reason(
            "scan_old",
            "rescan",
            f"The last full scan is of {voice.told.day(at)}, {days:.0f} days ago.",
            km=0,
        )
    driven = car.km_now - last["km"] if car.km_now is not None and last["km"] is not None else 0
    if driven > rules.scan_age_km:
        yield Reason(
            "driven_since_scan",
            "rescan",
            f"About {voice.told.distance(driven)} were driven since the last scan.",
            km=0,
        )


def _silence(car: Car, _: StockRules, voice: Voice) -> Iterator[Reason]:
    for ecu in (car.last_scan or {}).get("silent", ()):
        yield Reason(
            "unit_silent",
            "rescan",
            f"The {voice.label(ecu)} unit gave no answer in the last scan, so nothing is known "
            "of its codes.",
            ecu,
            km=0,
        )


def _recent_clear(car: Car, rules: StockRules, voice: Voice) -> Iterator[Reason]:
    """Find a clear so recent that the absence of codes says little."""
    since = [r for r in car.readings if _is_recent(r, rules)]
    if not since:
        return
    near = min(since, key=lambda r: (r["since_clear_km"] is None, r["since_clear_km"] or 0))
    km, warmups = near["since_clear_km"], near["warmups"]
    how_far = voice.told.distance(km) if km is not None else f"{warmups} warm-ups"
    to_go = None if km is None else max(rules.recent_clear_km - km, 0)
    clear = max(
        (c for c in car.clears if c["cleared_at"] <= near["seen_at"]),
        key=lambda c: c["cleared_at"],
        default=None,
    )
    work = _work_at(car, clear["cleared_at"]) if clear else None
    said = f"The memory was cleared {how_far} before the last scan"
    if work is not None:
        day = voice.told.day(work["repaired_at"])
        yield Reason(
            "recent_clear_explained",
            "rescan",
            f"{said}, at the work of {day}, as its work order says. No codes so soon "
            "means not tested yet.",
            km=to_go,
        )
    elif clear is not None and clear["origin"] == "recorded":
        day = voice.told.day(clear["cleared_at"])
        yield Reason(
            "recent_clear_recorded",
            "rescan",
            f"{said}, on record for {day}. No codes so soon means not tested yet.",
            km=to_go,
        )
    else:
        yield Reason(
            "recent_clear_unrecorded",
            "hold",
            f"{said}, and no record or work order here tells of it. That is an "
            f"observation, no accusation: {_INNOCENT}. Ask what was done.",
            km=to_go,
        )


def _is_recent(reading: Row, rules: StockRules) -> bool:
    km, warmups = reading["since_clear_km"], reading["warmups"]
    if km is not None:
        return bool(km < rules.recent_clear_km)
    return warmups is not None and warmups < rules.recent_clear_warmups


def _work_at(car: Car, at: datetime) -> Row | None:
    near = [r for r in car.repairs if abs(r["repaired_at"] - at) <= car.visit]
    return near[-1] if near else None


def _monitors(car: Car, rules: StockRules, voice: Voice) -> Iterator[Reason]:
    told = [r for r in car.readings if r["monitors_incomplete"] not in (None, "none")]
    names = sorted({m for r in told for m in r["monitors_incomplete"].split()})
    if not names:
        return
    since = max((r["since_clear_km"] for r in told if r["since_clear_km"] is not None), default=0.0)
    km = max(max(rules.km_of(m) - since, rules.monitor_more_km) for m in names)
    words = ", ".join(_SELF_TESTS.get(name, name.replace("_", " ")) for name in names)
    text = f"Self-tests not completed since the last clear: {words}."
    rule = _allowance(car.vehicle, names, rules)
    if rule is not None:
        yield Reason(
            "monitors_incomplete_allowed",
            "note",
            f"{text} The programme {rule.programme} allows it.",
            "+".join(names),
            source=rule.source,
        )
    else:
        yield Reason(
            "monitors_incomplete",
            "rescan",
            f"{text} About {voice.told.distance(km)} of mixed driving usually complete them.",
            "+".join(names),
            km,
        )


def _allowance(vehicle: Row, names: Sequence[str], rules: StockRules) -> ReadinessRule | None:
    """Find a rule in use by which these monitors may be incomplete on this vehicle."""
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


def _permanent(car: Car, _: StockRules, voice: Voice) -> Iterator[Reason]:
    for row in car.permanent:
        named = voice.at(row["code"], row["unit"])
        repaired = [r for r in car.repairs if _is_for(r, row["code"])]
        if repaired:
            day = voice.told.day(repaired[-1]["repaired_at"])
            yield Reason(
                "permanent_code_repaired",
                "rescan",
                f"{named} is still listed as permanent. It was repaired on {day}; it "
                "leaves by itself once its self-test has passed.",
                row["code"],
            )
        else:
            yield Reason(
                "permanent_code",
                "hold",
                f"{named} is listed as permanent: the fault was confirmed before codes "
                "were cleared, its self-test has not passed since, and no repair is on "
                "record.",
                row["code"],
                safety=row["safety"],
            )


def _is_for(repair: Row, code: str) -> bool:
    """Whether a work order names a code, with or without its failure type."""
    return code.split("-", maxsplit=1)[0] in {
        c.split("-")[0] for c in (repair["codes"] or "").split()
    }


def _open(car: Car, _: StockRules, voice: Voice) -> Iterator[Reason]:
    for row in car.open_faults:
        named = f"{voice.at(row['code'], row['unit'])} ({row['meaning'] or row['code']})"
        seen = f"seen last on {voice.told.day(row['last_seen_at'])}"
        subject = f"{row['ecu']}:{row['code']}"
        if row["safety"]:
            yield Reason(
                "open_safety_fault",
                "hold",
                f"{named} is open, {seen}, and concerns safety.",
                subject,
                safety=True,
            )
        else:
            yield Reason("open_fault", "hold", f"{named} is open, {seen}.", subject)
    for row in car.signs:
        yield Reason(
            "pending_code",
            "rescan",
            f"{voice.at(row['code'], row['unit'])} is pending: a sign, not yet a fault.",
            f"{row['ecu']}:{row['code']}",
            km=0,
        )


def _watched(car: Car, _: StockRules, voice: Voice) -> Iterator[Reason]:
    for row in car.watched:
        named = voice.at(row["code"], row["unit"])
        day, subject = voice.told.day(row["attempted_at"]), f"{row['ecu']}:{row['code']}"
        deed = "repaired" if row["kind"] == "repair" else "cleared without a repair"
        if row["outcome"] == "unchecked":
            text = f"{named} was {deed} on {day}, and no scan since could tell whether it held."
            name = "fix_unchecked"
        else:
            text = f"{named} was {deed} on {day} and is clean so far, but not proven yet"
            text += f": {voice.told.distance(row['km_to_go'])} to go." if row["km_to_go"] else "."
            name = "fix_on_watch"
        yield Reason(name, "rescan", text, subject, row["km_to_go"], safety=row["safety"])


def _gone(car: Car, _: StockRules, voice: Voice) -> Iterator[Reason]:
    for row in car.gone:
        yield Reason(
            "code_gone_without_repair",
            "rescan" if not row["proven"] else "note",
            f"{voice.at(row['code'], row['unit'])} was seen since purchase, last on "
            f"{voice.told.day(row['last_seen_at'])}, and is gone without a repair on "
            "record.",
            f"{row['ecu']}:{row['code']}",
            safety=row["safety"],
        )


def _odometer(car: Car, _: StockRules, voice: Voice) -> Iterator[Reason]:
    km, day = voice.told.distance, voice.told.day
    for drop in car.drops:
        fell = (
            f"The odometer showed {km(drop['before_km'])} on {day(drop['before_at'])} and "
            f"{km(drop['reading_km'])} on {day(drop['read_at'])}"
        )
        work = _cluster_work(car, drop["before_at"], drop["read_at"])
        if work is not None:
            yield Reason(
                "odometer_cluster_replaced",
                "note",
                f"{fell}: the instrument cluster was replaced on "
                f"{day(work['repaired_at'])}, as the work order says. The readings are "
                "joined across it.",
            )
        else:
            yield Reason(
                "odometer_dropped",
                "hold",
                f"{fell}, and no work order tells why. A replaced cluster, a wrong unit "
                "of distance and a typing error look the same.",
            )
    for row in car.outliers:
        yield Reason(
            "odometer_reading_set_aside",
            "note",
            f"One reading of {km(row['reading_km'])} on {day(row['read_at'])} does not "
            f"fit the others ({row['set_aside'].replace('_', ' ')}).",
        )
    if car.drops and all(
        _cluster_work(car, d["before_at"], d["read_at"]) is not None for d in car.drops
    ):
        return
    for row in car.records:
        yield Reason(
            "odometer_below_unit_record",
            "hold",
            f"The {voice.label(row['unit'])} unit remembers {row['what']} at "
            f"{km(row['record_km'])}, more than the {km(row['odometer_km'])} the "
            f"odometer showed on {day(row['seen_at'])}.",
            row["ecu"],
        )


def _cluster_work(car: Car, after: datetime | None, until: datetime) -> Row | None:
    fits = [
        r
        for r in car.repairs
        if "instrument_cluster" in r["units"]
        and (after is None or r["repaired_at"] >= after - car.visit)
        and r["repaired_at"] <= until
    ]
    return fits[-1] if fits else None


def _identity(car: Car, _: StockRules, voice: Voice) -> Iterator[Reason]:
    """Compare the identification numbers the units tell with each other and the vehicle's own.

    Case, blanks and look-alikes are the writer's.  One differing character is not: vehicles
    bought together have numbers in a row.
    """
    told = {r["unit"]: r for r in reversed(car.readings) if r["ecu_vin"]}
    next_year = car.as_of.year + 1
    vins = {unit: read_vin(row["ecu_vin"], next_year) for unit, row in told.items()}
    own = read_vin(car.vehicle["vin"] or _most(seen.vin for seen in vins.values()), next_year)
    for unit, row in sorted(told.items()):
        if difference(vins[unit], own) == "same":
            continue
        replaced = [r for r in car.repairs if unit in r["units"] and r["action"] == "replace"]
        text = (
            f"The {voice.label(unit)} unit answers with another identification number than "
            "the vehicle's"
        )
        if replaced:
            day = voice.told.day(replaced[-1]["repaired_at"])
            yield Reason(
                "vin_differs_unit_replaced",
                "rescan",
                f"{text}: the unit was replaced on {day}, as the work order says, and "
                "not yet written to.",
                row["ecu"],
                km=0,
            )
        else:
            yield Reason(
                "vin_differs",
                "hold",
                f"{text}. The unit may come from another vehicle.",
                row["ecu"],
            )


def _most(values: Iterator[str]) -> str:
    counted: dict[str, int] = {}
    for value in values:
        counted[value] = counted.get(value, 0) + 1
    return max(sorted(counted), key=lambda v: counted[v]) if counted else ""


def since_purchase(acquired_on: date | None) -> datetime:
    """Give the instant from which codes count as seen since purchase."""
    return datetime.combine(acquired_on or date.min, datetime.min.time())


_QUESTIONS: Final[tuple[Callable[[Car, StockRules, Voice], Iterator[Reason]], ...]] = (
    _recent_clear,
    _permanent,
    _open,
    _odometer,
    _identity,
    _scans,
    _silence,
    _monitors,
    _watched,
    _gone,
)
