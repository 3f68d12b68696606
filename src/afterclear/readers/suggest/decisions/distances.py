"""The odometer and the engine's hours, with their units."""

import re

from afterclear.readers.suggest.evidence.column_choice import BLANKS
from afterclear.readers.suggest.evidence.decision_draft import Filling
from afterclear.readers.suggest.evidence.facts_above import above, fact_of
from afterclear.readers.suggest.evidence.numbers import Numbers, parted
from afterclear.readers.suggest.evidence.profiles import Profile
from afterclear.readers.suggest.evidence.questions import Choice, Question
from afterclear.readers.suggest.evidence.readings import unit_of


def fill_distance(f: Filling) -> None:
    """Take the odometer, with its unit, and the engine's hours."""
    if f.has("km"):
        _fill_odometer(f)
    elif found := fact_of(f, ("odometer_km", "odometer_mi")):
        role, fact = found
        number = parted(fact.text)
        if number is not None:
            miles = role == "odometer_mi" or number.unit.startswith("mi")
            spec: dict[str, object] = {
                "above": above(f, fact, r"([\d.,' ]*\d)(?:\s*[A-Za-z]+\.?)?")
            }
            if miles:
                spec["unit"] = "mi"
            _fact_numbers(f, number.number)
            f.decision.take("odometer_km", spec, 0.85, f"{fact.label!r} above the table")
    if f.has("hours"):
        profile = f.profile("hours")
        unit = {"unit": "cell"} if unit_of(profile) == "cell" else {}
        f.plain("engine_hours", "hours", {**unit, **blank_words(profile)})


def _fact_numbers(f: Filling, number: str) -> None:
    """Read a number above the table as those below; alone, three digits are thousands."""
    if f.numbers != Numbers() or not re.search(r"\d[.,' ]\d{3}\b", number):
        return
    found = re.search(r"[.,' ]", number)
    group = found[0] if found else ""
    f.numbers = Numbers("," if group == "." else ".", group)


def _fill_odometer(f: Filling) -> None:
    profile = f.profile("km")
    reading = f.roles["km"]
    spec: dict[str, object] = {"from": reading.heading}
    unit = unit_of(profile)
    reason = reading.reason
    if f.has("distance_unit") and unit != "cell":
        beside = f.profile("distance_unit")
        spec |= {"from": [reading.heading, beside.heading], "unit": "cell"}
    elif unit in {"cell", "mi", "1000 km"}:
        spec["unit"] = unit
    elif not unit and f.language in {"", "en"} and profile.means("odometer_km"):
        chosen = _km_or_miles(f, profile)
        if chosen == "mi":
            spec["unit"] = "mi"
    if unit == "cell" and any((p := parted(v)) and not p.unit for v in profile.values):
        _some_without_unit(f, profile, spec)
    spec |= blank_words(profile)
    f.decision.take("odometer_km", spec, reading.sure, f"{reason}; unit: {spec.get('unit', 'km')}")


def _km_or_miles(f: Filling, profile: Profile) -> str:
    """Decide the unit of an English heading that does not say it."""
    texts = " ".join([f.seen.title, *(p.heading for p in f.sight.profiles)])
    if re.search(r"\b(km|kilomet\w+)\b", texts, re.IGNORECASE):
        return "km"
    if re.search(r"\b(mi|miles)\b", texts, re.IGNORECASE):
        return "mi"
    question = Question(
        "odometer-unit",
        f"What does {profile.heading!r} count?",
        (Choice("km", "kilometres"), Choice("mi", "miles")),
        tuple(f"{profile.heading}: {v}" for v in profile.values[:3]),
    )
    return f.asker.choose(question)


def _some_without_unit(f: Filling, profile: Profile, spec: dict[str, object]) -> None:
    """Ask what cells without a unit count, where others have one."""
    units = {p.unit for v in profile.values if (p := parted(v)) and p.unit}
    bare = [
        v for v in profile.values if (p := parted(v)) and not p.unit and v.lower() not in BLANKS
    ]
    if not bare:
        return
    if units <= {"km", "kms", "kilometer", "kilometre", "kilometres"}:
        spec |= {"pattern": r"^([\d.,' ]*\d)", "otherwise": "keep"}
        del spec["unit"]
        return
    f.asker.choose(
        Question(
            "odometer-unit",
            f"Some cells of {profile.heading!r} have a unit, others none, such as {bare[0]}.",
            (Choice("refuse", "rows without a unit are refused"),),
            tuple(f"{profile.heading}: {v}" for v in bare[:3]),
        )
    )


def blank_words(profile: Profile) -> dict[str, object]:
    """Say which cells of a column of numbers stand for "not known"."""
    blank = [v for v in profile.values if v.lower() in BLANKS]
    numbers = [p.number for v in profile.values if (p := parted(v))]
    zero = [v for v in profile.values if re.fullmatch(r"0+(?:\s*[A-Za-z]+)?", v)]
    if zero and sum(len(re.sub(r"\D", "", n)) > 3 for n in numbers) >= 0.5 * len(numbers):
        blank += zero
    return {"values": dict.fromkeys(blank, ""), "otherwise": "keep"} if blank else {}
