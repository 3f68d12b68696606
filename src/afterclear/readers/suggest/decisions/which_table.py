"""Which table of the plain layout a source's is: by what it has, and what it is called.

A table of vehicles, dates and distances may be anything.  It holds clears only if a heading or a
name says so, readings of fault memories if it has codes or units, work orders if it has an order's
columns. If none of these decides, the user is asked.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from afterclear.catalogue.folded_words import without_accents
from afterclear.errors import worded
from afterclear.readers.suggest.columns.numbers import is_number
from afterclear.readers.suggest.columns.profiles import Profile, has_code
from afterclear.readers.suggest.columns.questions import Asker, Choice, Question
from afterclear.readers.suggest.columns.readings import (
    Reading,
)
from afterclear.readers.suggest.columns.role_tests import Sight

_NAMED = {
    "clears": r"\bclear(?:s|ed|ing)?\b|erase|loe?sch|effac|borrad|kasowan|skasow",
    "repairs": r"work[ _-]?order|\borders?\b|repair|invoice|job[ _-]?card|maintenance|workshop|"
    r"auftr|rechnung|reparat|wartung|\bor[ _-]|facture|reparation|entretien|travaux|factura|orden|"
    r"mantenim|reparac|trabajos|zlecen|napraw|faktur|serwis",
    "vehicles": r"vehicle[ _-]?list|fleet[ _-]?list|\bfleet\b|\bstock\b|fuhrpark|fahrzeugliste|"
    r"bestand|parc|flotte|flota|vehiculos|pojazdy|wykaz",
    "scans": r"scan|fault|dtc|diag|fehler|auslese|defaut|lecture|averia|lectura|usterk|odczyt|bled",
}
# What a role adds to which table.
_SPEAKS: Mapping[str, Mapping[str, float]] = {
    "scans": {
        "code": 2.5,
        "spn": 2.0,
        "ecu": 1.5,
        "status": 0.8,
        "ecu_response": 1.5,
        "status_flag": 0.5,
        "scan_id": 0.5,
        "fmi": 1.0,
    },
    "repairs": {
        "repair_id": 1.5,
        "part_number": 1.5,
        "part_name": 1.0,
        "part_cost": 1.0,
        "labour_cost": 1.0,
        "total_cost": 1.0,
        "action": 1.0,
        "technician": 0.8,
        "work_text": 1.2,
        "quantity": 0.5,
        "complaint": 0.7,
        "opened_at": 0.8,
        "part_brand": 0.5,
    },
    "vehicles": {
        "make": 0.8,
        "model": 0.8,
        "model_year": 0.8,
        "in_service_on": 0.8,
        "powertrain": 0.6,
        "acquired_on": 0.8,
        "plate_since": 0.8,
        "stock_status": 0.8,
        "vin": 0.5,
        "plate": 0.3,
    },
}
# Kinds of columns that tables of readings do not have; two of them are an order.
_OF_ORDERS = (
    {"repair_id"},
    {"part_cost", "labour_cost", "total_cost"},
    {"work_text", "action"},
    {"part_number", "part_name"},
)
# An order has one of these; amounts and a day alone may be a card's for fuel.
_OF_AN_ORDER = {
    *("repair_id", "work_text", "action", "part_number", "part_name", "complaint"),
    *("description", "notes"),
}
# One of these makes a row with a code an order; a price or a number of an order alone does not.
_SAYS_WORK = {"work_text", "action", "part_name", "technician"}
# A row with one of these may be an order's, unless it names a unit or a status, too ...
_NUMBERED = {"repair_id", "quantity", "opened_at"}
# ... and without any of these codes are all that it tells.
_SAYS_REPAIR = set(_SPEAKS["repairs"]) - _NUMBERED | {"description", "notes"}
_ENOUGH = {"repairs": 1.5, "vehicles": 1.8, "scans": 1.2, "clears": 2.0}
_MOSTLY = 0.8
_ASKED = (
    Choice("repairs", worded("work done on a vehicle: each row is a work order or a line of one")),
    Choice("odometer", worded("a reading of the odometer: each row tells a distance and no more")),
    Choice("clears", worded("fault codes cleared: each row says that a memory was emptied")),
    Choice("nothing", worded("none of these: nothing of this file is loaded")),
)


@dataclass(frozen=True, slots=True)
class Into:
    """The plain table, or ``odometer``: scans that hold a distance only; and why."""

    table: str
    reason: str
    weights: Mapping[str, float]


def decide_table(
    roles: Mapping[str, Reading], sight: Sight, title: str, *, has_wide: bool, asker: Asker
) -> Into:
    """Decide what a table holds."""
    weights = _weights(roles, sight, title, has_wide=has_wide)
    has_codes = has_wide or "code" in roles or "spn" in roles
    says_clear = weights["clears"] >= _ENOUGH["clears"] or _heads_cleared(roles, sight)
    if says_clear and (_only_cleared(roles, sight) or not has_codes):
        return Into("clears", "a heading or its name says so", weights)
    if has_codes:
        return _with_codes(weights, roles, sight, asker)
    best = max(("repairs", "vehicles", "scans"), key=lambda t: weights[t] - _ENOUGH[t])
    says_what = best != "repairs" or bool(_OF_AN_ORDER & set(roles))
    if weights[best] >= _ENOUGH[best] and (best != "scans" or "ecu" in roles) and says_what:
        return Into(best, f"it has what {best} have", weights)
    if _is_of_fuel(roles, sight):
        return Into("odometer", "it tells what was filled up, and the distance then", weights)
    if _is_odometer_only(roles, sight):
        return Into("odometer", "it tells vehicles, times and distances, and nothing else", weights)
    chosen = asker.choose(
        Question("table", worded("What does a row of this table stand for?"), _ASKED, _rows(sight))
    )
    return Into(chosen, "answered", weights)


def _weights(
    roles: Mapping[str, Reading], sight: Sight, title: str, *, has_wide: bool
) -> dict[str, float]:
    found = {
        table: sum(w * min(roles[r].sure / 0.8, 1.0) for r, w in own.items() if r in roles)
        for table, own in _SPEAKS.items()
    }
    found["clears"] = 0.0
    found["scans"] += 2.5 * has_wide
    text = without_accents(title)
    for table, pattern in _NAMED.items():
        if re.search(pattern, text):
            found[table] += 1.5 if table != "clears" else 2.0
    if _only_cleared(roles, sight):
        found["clears"] += 2.5
    if "work_text" in roles:
        work = sight.by_name[roles["work_text"].heading]
        found["repairs"] += 0.5 * (work.means("description", "notes") < 0.5)  # it says work
    if "when" not in roles:
        found["vehicles"] += 1.0
    else:
        when = sight.by_name[roles["when"].heading]
        found["vehicles"] -= 1.5 * (when.means("scanned_at", "repaired_at") > 0.5)
        found["repairs"] += 0.8 * _speaks_only(when, "repaired_at")
        found["scans"] += 0.8 * _speaks_only(when, "scanned_at")
    return found


def _speaks_only(profile: Profile, name: str) -> bool:
    times = {"scanned_at", "repaired_at", "cleared_at"}
    others = max((profile.means(t) for t in times - {name}), default=0.0)
    return profile.means(name) > others + 0.2


def _only_cleared(roles: Mapping[str, Reading], sight: Sight) -> bool:
    """Recognise a table whose one time is when codes were cleared."""
    if "when" not in roles:
        return False
    return _speaks_only(sight.by_name[roles["when"].heading], "cleared_at")


def _heads_cleared(roles: Mapping[str, Reading], sight: Sight) -> bool:
    """Recognise units that were cleared by their heading: nothing was read in them."""
    heading = roles["ecu"].heading if "ecu" in roles else ""
    return sight.words.of_beginning("event", heading, anywhere=True) == "cleared"


def _tells_clearings(sight: Sight) -> bool:
    """Recognise a column that says of every row whether its codes were cleared, or were not."""
    words = sight.words
    return any(
        all(words.of_beginning("event", value, anywhere=True) == "cleared" for value in p.values)
        and not all(words.of_word("denial", value.split()[0]) for value in p.values)
        for p in sight.profiles
        if p.values and p.filled == 1
    )


def _with_codes(
    weights: Mapping[str, float], roles: Mapping[str, Reading], sight: Sight, asker: Asker
) -> Into:
    """Separate orders that name codes from readings of fault memories."""
    if weights["clears"] >= _ENOUGH["clears"] and _tells_clearings(sight):
        return Into("clears", "a column says of each row whether codes were cleared", weights)
    if weights["clears"] >= _ENOUGH["clears"]:
        question = Question(
            "table",
            worded(
                "Its name speaks of clearing, its columns of codes. What is a row of this table?"
            ),
            (
                Choice("scans", worded("codes that were read from a vehicle")),
                Choice("clears", worded("codes that were cleared in a vehicle")),
                Choice("nothing", worded("none of these: nothing of this file is loaded")),
            ),
            _rows(sight),
        )
        return Into(asker.choose(question), "answered", weights)
    difference = weights["scans"] - weights["repairs"]
    n_of_orders = _n_of_orders(roles)
    of_memory = "code" in roles and sight.by_name[roles["code"].heading].names_memory
    says_memory = of_memory or bool({"ecu", "status"} & set(roles))
    if not _SAYS_REPAIR & set(roles) and (says_memory or not _NUMBERED & set(roles)):
        return Into(
            "scans", "it has fault codes, and nothing else of an order than a number", weights
        )
    of_readings = difference > 0.5 and says_memory
    of_no_work = n_of_orders == 1 and of_readings and not _SAYS_WORK & set(roles)
    if difference > 0.5 and (not n_of_orders or of_no_work):
        return Into("scans", "it has fault codes", weights)
    if difference < -0.5 or (n_of_orders > 1 and not of_readings):
        return Into("repairs", "it has what work orders have, and codes", weights)
    question = Question(
        "table",
        worded("Its columns speak of codes and of work. What is a row of this table?"),
        (
            Choice("scans", worded("a reading of a fault memory")),
            Choice("repairs", worded("work done on a vehicle, with the codes it was for")),
            Choice("nothing", worded("none of these: nothing of this file is loaded")),
        ),
        _rows(sight),
    )
    return Into(asker.choose(question), "answered", weights)


def _n_of_orders(roles: Mapping[str, Reading]) -> int:
    """Count the kinds of columns that are of orders; a control unit has part numbers itself."""
    found = set(roles) - ({"part_number"} if "ecu" in roles else set())
    return sum(bool(kind & found) for kind in _OF_ORDERS)


def _is_odometer_only(roles: Mapping[str, Reading], sight: Sight) -> bool:
    """Recognise a table without a column of unknown words."""
    if "when" not in roles or not {"km", "hours"} & set(roles):
        return False
    used = {reading.heading for reading in roles.values()}
    spare = [p for p in sight.profiles if p.heading not in used and p.values]
    strange = [p for p in spare if p.share(lambda v: any(c.isalpha() for c in v)) > 0.3]
    telling = {"notes", "description", "work_text", "complaint", "status", "reason", "action"}
    return not strange and not telling & set(roles) and not any(map(_speaks_of_codes, spare))


def _is_of_fuel(roles: Mapping[str, Reading], sight: Sight) -> bool:
    """Recognise what a fuel card or a pump writes: a distance, and how much was filled up."""
    if "when" not in roles or "km" not in roles or _OF_AN_ORDER & set(roles):
        return False
    return any(
        sight.words.of_beginning("of_table", p.heading, anywhere=True) == "fuel"
        and p.share(is_number) > _MOSTLY
        for p in sight.profiles
    )


def _speaks_of_codes(profile: Profile) -> bool:
    return profile.share(has_code) > 0


def _rows(sight: Sight) -> tuple[str, ...]:
    """Write the first rows as a person would read them out."""
    n_rows = len(sight.profiles[0].cells) if sight.profiles else 0
    return tuple(
        ", ".join(f"{p.heading}: {p.cells[at]}" for p in sight.profiles if p.cells[at])[:160]
        for at in range(min(3, n_rows))
    )
