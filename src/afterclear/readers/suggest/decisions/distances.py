"""The odometer and the engine's hours, with their units."""

import re
from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise

from afterclear.catalogue.folded_words import words_of
from afterclear.errors import worded
from afterclear.plain import KM_PER_MILE
from afterclear.readers.maps.measures import WRITTEN
from afterclear.readers.suggest.columns.column_choice import BLANKS
from afterclear.readers.suggest.columns.date_formats import read_times
from afterclear.readers.suggest.columns.known_past import Past
from afterclear.readers.suggest.columns.numbers import Numbers, as_number, parted
from afterclear.readers.suggest.columns.odometer_cells import ABOUT
from afterclear.readers.suggest.columns.profiles import Profile
from afterclear.readers.suggest.columns.questions import Choice, Decided, Question
from afterclear.readers.suggest.columns.readings import (
    Reading,
    unit_of,
    whose,
)
from afterclear.readers.suggest.decisions.by_past import rows_of
from afterclear.readers.suggest.decisions.legends import explaining
from afterclear.readers.suggest.evidence.decision_draft import Filling
from afterclear.readers.suggest.evidence.facts_above import above, fact_of

_NEW_KM = 1000.0  # what an odometer passes within weeks
_FALLS = 0.99  # more than rounding
_SEVERAL = 2  # vehicles: one may have another odometer
_NEAR = 0.12  # two readings nearer than this are both possible
_ROUNDED = 0.01  # a distance in km and in miles, each rounded
_SHOWN_BY = 2  # rows: one may be chance
_WHOLE = 0.02  # both distances are whole numbers
_BRITISH_PLATE = re.compile(r"[A-Z]{2}\d{2} ?[A-Z]{3}")  # since 2001
# Plates of Romania look alike without a space; they begin with a county (ISO 3166-2:RO).
_ROMANIAN_PLATE = re.compile(
    r"(?:A[BGR]|B[CHNRTVZ]|C[JLSTV]|D[BJ]|G[JLR]|H[DR]|I[FLS]|M[HMS]|NT|OT|PH|S[BJMV]|T[LMR]|V[LNS])"
    r"\d{2}[A-Z]{3}"
)
_LEAVE = Choice("leave", worded("nobody knows: distances are left out"))


def fill_distance(f: Filling) -> None:
    """Take the odometer, with its unit, and the engine's hours."""
    if not f.has("km"):
        f.miss_unread("odometer_km", "odometer_km", "odometer_mi")
    if f.has("km") and _which_distance(f) and not _is_driven_only(f):
        _fill_odometer(f)
    elif f.has("km"):
        f.decision.notes.append("distances are left out: nobody knows which column is meant")
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
            f.decision.take(
                "odometer_km", spec, 0.85, worded("{label!r} above the table", label=fact.label)
            )
    if _counts_hours_too(f):
        return
    if f.has("hours") and f.decision.into == "scans":  # of an order they are hours of work
        profile = f.profile("hours")
        unit = {"unit": "cell"} if unit_of(profile) == "cell" else {}
        f.plain("engine_hours", "hours", {**unit, **blank_words(profile)})


def _counts_hours_too(f: Filling) -> bool:
    """Take the hours of a column of counters that count km or hours, as the unit beside says."""
    odometer = next((t for t in f.decision.columns if t.column == "odometer_km"), None)
    is_beside = odometer is not None and odometer.spec.get("unit") == "cell"
    if odometer is None or not is_beside or not f.has("distance_unit") or f.has("hours"):
        return False
    units = {WRITTEN.get(v.lower().rstrip("."), "") for v in f.profile("distance_unit").values}
    if "h" not in units:
        return False
    spec = {"from": odometer.spec["from"], "unit": "cell", "otherwise": "empty"}
    f.decision.columns[f.decision.columns.index(odometer)] = replace(odometer, spec=spec)
    if f.decision.into == "scans":  # no other table has a place for them
        reason = worded("the unit beside it says whether it counts hours")
        f.decision.take("engine_hours", spec, odometer.sure, reason)
    return True


def _which_distance(f: Filling) -> bool:
    """Ask which of two columns is the distance, where both may be; False: it is left out."""
    best = f.roles["km"]
    others = {r.heading for r in f.roles.values()} - {best.heading}
    named: dict[str, Reading] = {}
    for r in f.readings:
        is_near = r.role == "km" and r.heading not in others and best.sure - r.sure < _NEAR
        if is_near and _counts_far(f.profile_of(r), f.numbers) and not _is_same_way(f, best, r):
            named.setdefault(r.heading, r)
    near = list(named.values())
    if len(near) < 2:
        return True
    when = next((t for t in f.decision.columns if t.column.endswith("_at")), None)
    own = _own_words(near)
    timed = {word for h in when.headings for word in words_of(h)} if when else set()
    if f.has("code"):
        timed |= set(words_of(f.roles["code"].heading))
    of_the_end = [r for r in near if own[r.heading] & timed]
    if f.decision.into == "repairs" and not of_the_end:  # work is done nearer to the way out
        of_the_end = [r for r in near if f.profile_of(r).means("left_on")]
    if len(of_the_end) == 1:  # the time is that of End, so the distance is End km
        f.roles["km"] = of_the_end[0]
        return True
    rows = tuple(", ".join(f"{r.heading}: {f.profile_of(r).cells[at]}" for r in near)
                 for at in range(min(3, f.n_rows)))  # fmt: skip
    question = Question(
        "odometer",
        worded("Which column is the odometer at that time?"),
        (
            *(Choice(r.heading, worded("the column {heading!r}", heading=r.heading)) for r in near),
            Choice("none", worded("nobody knows: distances are left out")),
        ),
        rows,
        unasked="none",
        decided=_of_every_row(f, near),
    )
    chosen = f.asker.choose(question)
    f.roles["km"] = next((r for r in near if r.heading == chosen), best)
    return chosen != "none"


def _of_every_row(f: Filling, near: list[Reading]) -> Decided | None:
    """Find the one that every row tells and no other goes beyond: those stood there before."""
    kept = [at for at in range(f.n_rows) if not f.is_left_out(at)]
    found = {r.heading: [as_number(f.profile_of(r).cells[at], f.numbers) for at in kept]
             for r in near}  # fmt: skip
    whole = [heading for heading, told in found.items() if None not in told]
    if len(whole) != 1:
        return None
    rows = zip(found[whole[0]], zip(*found.values(), strict=True), strict=True)
    is_farthest = all(own == max(n for n in row if n is not None) for own, row in rows)
    why = worded("every row tells it, and no other distance of a row goes beyond it")
    return Decided(whole[0], why) if is_farthest else None


def _own_words(readings: list[Reading]) -> dict[str, set[str]]:
    """Give the words of each heading that no other of these has: *out* of Km out and Km in."""
    words = {r.heading: set(words_of(r.heading)) for r in readings}
    return {
        h: own - {w for other, ws in words.items() if other != h for w in ws}
        for h, own in words.items()
    }


def _is_driven_only(f: Filling) -> bool:
    """Ask whether distances that fall as time goes on are readings of the odometer."""
    profile = f.profile("km")
    if line := _said_to_be_driven(f, profile.heading):
        f.decision.notes.append(f"{profile.heading!r} is no odometer: a line says {line!r}")
        return True
    rows = rows_of(f.sight, f.roles, Past())
    if rows is None:
        return False
    found = rows.way(f.numbers, f.order, rows.units[0])
    ways = [sorted(points) for points in found.values() if len({t for t, _ in points}) > 1]
    falling = [w for w in ways if any(b[1] < _FALLS * a[1] for a, b in pairwise(w))]
    if len(falling) < _SEVERAL or len(falling) < len(ways) / 2:
        return False
    question = Question(
        "distance",
        worded(
            "Under {heading!r} the distances of {n_falling:,} vehicles fall as time goes on. "
            "What are they?",
            heading=profile.heading,
            n_falling=len(falling),
        ),
        (
            Choice("driven", worded("distances driven in a time, not readings: they are left out")),
            Choice("odometer", worded("readings of the odometer all the same")),
        ),
        tuple(f.row_text(at) for at in range(min(3, f.n_rows))),
        unasked="driven",
    )
    return f.asker.choose(question) == "driven"


def _said_to_be_driven(f: Filling, heading: str) -> str:
    """Give the line that explains a heading as a distance driven in a time; empty: none does."""
    for line in explaining(f):
        name, _, text = line.partition("=")
        said = f.sight.words.of_beginning("of_distance", text, anywhere=True)
        if said and words_of(name) == words_of(heading):
            return line
    return ""


def _counts_far(profile: Profile, numbers: Numbers) -> bool:
    """Recognise numbers of which some are as large as an odometer's."""
    found = [n for v in profile.values if (n := as_number(v, numbers)) is not None]
    return any(n >= _NEW_KM for n in found)


def _is_same_way(f: Filling, best: Reading, other: Reading) -> bool:
    """Recognise the same distances in km and in miles."""
    if other.heading == best.heading:
        return False
    cells = zip(f.profile_of(best).cells, f.profile_of(other).cells, strict=True)
    pairs = [(as_number(a, f.numbers), as_number(b, f.numbers)) for a, b in cells]
    ways = [max(a, b) / min(a, b) for a, b in pairs if a and b]
    return bool(ways) and all(abs(way / KM_PER_MILE - 1) < _ROUNDED for way in ways)


def _fact_numbers(f: Filling, number: str) -> None:
    """Read a number above the table like those below; alone, three digits are thousands."""
    found = re.search(r"\d([.,' ])\d{3}\b", number)
    group = found[1] if found else ""
    if not group or f.numbers.thousands or (f.numbers != Numbers() and f.numbers.decimal == group):
        return
    decimal = f.numbers.decimal if f.numbers != Numbers() else "," if group == "." else "."
    f.numbers = Numbers(decimal, group)


def _fill_odometer(f: Filling) -> None:
    profile = f.profile("km")
    reading = f.roles["km"]
    spec: dict[str, object] = {"from": reading.heading}
    unit = unit_of(profile)
    reason: str = reading.reason
    if f.has("distance_unit") and unit != "cell":
        beside = f.profile("distance_unit")
        spec |= {"from": [reading.heading, beside.heading], "unit": "cell"}
    elif unit in {"cell", "mi", "1000 km", "m"}:
        spec["unit"] = unit
    elif _is_small(profile, f.numbers):
        chosen = _km_or_thousands(f, profile)
        if chosen == "leave":
            return
        spec |= {"unit": "1000 km"} if chosen == "thousands" else {}
    elif not unit and (shown := unit_by_driven(f, profile)):
        spec |= {"unit": "mi"} if shown == "mi" else {}
        reason = worded(
            "{reason}; what was driven since the row before shows its unit", reason=reason
        )
    elif not unit and f.language in {"", "en"} and profile.means("odometer_km"):
        chosen = _km_or_miles(f, profile)
        if chosen == "leave":
            return
        spec |= {"unit": "mi"} if chosen == "mi" else {}
    if unit == "cell" and any((p := parted(v)) and not p.unit for v in profile.values):
        _some_without_unit(f, profile, spec)
    spec |= _about_so_much(f, profile, spec)
    if profile.marks:
        spec["thousands"] = profile.marks
    spec |= blank_words(profile)
    reason = worded(
        "{reason}; unit: {unit}{because}",
        reason=reason,
        unit=spec.get("unit", "km"),
        because=f.asker.because("odometer-unit"),
    )
    f.decision.take("odometer_km", spec, reading.sure, reason)


def _km_or_miles(f: Filling, profile: Profile) -> str:
    """Decide the unit of an English heading that does not name it."""
    texts = " ".join([f.seen.title, *(p.heading for p in f.sight.profiles)])
    if re.search(r"\b(km|kilomet\w+)\b", texts, re.IGNORECASE):
        return "km"
    if re.search(r"\b(mi|miles)\b", texts, re.IGNORECASE):
        return "mi"
    question = Question(
        "odometer-unit",
        worded("What does {heading!r} count?", heading=profile.heading),
        (Choice("km", worded("kilometres")), Choice("mi", worded("miles")), _LEAVE),
        tuple(f"{profile.heading}: {v}" for v in profile.values[:3]),
        unasked="leave",
        decided=_of_british_cars(f),
    )
    return f.asker.choose(question)


def _of_british_cars(f: Filling) -> Decided | None:
    """Take miles where each row has a plate of the United Kingdom: its cars count them.

    Source: Road Vehicles (Construction and Use) Regulations 1986, reg. 35 (miles per hour); that
    odometers go with speedometers is common practice, and that tachographs of lorries, whose codes
    have an SPN, count kilometres there, too.
    """
    plates = f.profile("plate").values if f.has("plate") and not f.has("spn") else []
    is_of_one_country = not all(map(_ROMANIAN_PLATE.fullmatch, plates))
    if is_of_one_country and all(map(_BRITISH_PLATE.fullmatch, plates)):
        return Decided(
            "mi", worded("plates such as {plates!r} are of the United Kingdom", plates=plates[0])
        )
    return None


def _is_small(profile: Profile, numbers: Numbers) -> bool:
    """Recognise an odometer that never reaches 1,000 and has decimals: it may count thousands."""
    found = [n for v in profile.values if (n := as_number(v, numbers)) is not None]
    return len(found) > 1 and max(found) < _NEW_KM and any(n != int(n) for n in found)


def _km_or_thousands(f: Filling, profile: Profile) -> str:
    question = Question(
        "odometer-unit",
        worded(
            "No distance under {heading!r} reaches 1,000. What does it count?",
            heading=profile.heading,
        ),
        (
            Choice("thousands", worded("thousands of kilometres")),
            Choice("km", worded("kilometres")),
            _LEAVE,
        ),
        tuple(f"{profile.heading}: {v}" for v in profile.values[:3]),
        unasked="leave",
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
            worded(
                "Some cells of {heading!r} have a unit, others none, such as {bare}.",
                heading=profile.heading,
                bare=bare[0],
            ),
            (Choice("refuse", worded("rows without a unit are refused")),),
            tuple(f"{profile.heading}: {v}" for v in bare[:3]),
            unasked="refuse",
        )
    )


def _about_so_much(f: Filling, profile: Profile, spec: Mapping[str, object]) -> dict[str, object]:
    """Ask whether distances count that are said to be about so much."""
    if not profile.about:
        return {}
    question = Question(
        "about",
        worded(
            "Some distances under {heading!r} are only about so much, such as {about!r}. Do they "
            "count?",
            heading=profile.heading,
            about=profile.about[0],
        ),
        (
            Choice("take", worded("yes: as the numbers that are written")),
            Choice("leave", worded("no: such rows have no distance")),
        ),
        tuple(f"{profile.heading}: {v}" for v in profile.about[:3]),
        unasked="leave",
    )
    is_taken = f.asker.choose(question) == "take"
    own = str(spec.get("pattern", "^(.*)$")).removeprefix("^")
    pattern = f"^(?:{ABOUT})?{own}" if is_taken else f"^{ABOUT}.*$|^{own}"
    return {"pattern": pattern}


def blank_words(profile: Profile) -> dict[str, object]:
    """Say which cells of a column of numbers stand for "not known"."""
    blank = [v for v in profile.values if v.lower() in BLANKS]
    numbers = [p.number for v in profile.values if (p := parted(v))]
    zero = [v for v in profile.values if re.fullmatch(r"0+(?:\s*[A-Za-z]+)?", v)]
    # what is typed where nobody looked: 0, and nines as far as there is room
    zero += [v for v in profile.values if re.fullmatch(r"9{6,7}(?:\s*[A-Za-z]+)?", v)]
    if zero and sum(len(re.sub(r"\D", "", n)) > 3 for n in numbers) >= 0.5 * len(numbers):
        blank += zero
    return {"values": dict.fromkeys(blank, ""), "otherwise": "keep"} if blank else {}


def unit_by_driven(f: Filling, odometer: Profile) -> str:
    """Give the unit in which an odometer rises by what was driven; empty: nothing shows it."""
    steps = _steps(f, odometer)
    for profile in f.sight.profiles:
        unit = unit_of(profile)
        if profile is odometer or unit not in {"km", "mi"}:
            continue
        pairs = [
            (driven, step)
            for at, step in steps.items()
            if (driven := as_number(profile.cells[at], f.numbers)) and step > 0
        ]
        for counted, ratio in _ratios(unit):
            if len(pairs) >= _SHOWN_BY and all(
                abs(driven - ratio * step) <= max(1.0, _WHOLE * driven) for driven, step in pairs
            ):
                return counted
    return ""


def _ratios(unit: str) -> tuple[tuple[str, float], ...]:
    """Give what the odometer may count, and what was driven for each of it."""
    if unit == "km":
        return (("km", 1.0), ("mi", KM_PER_MILE))
    return (("mi", 1.0), ("km", 1 / KM_PER_MILE))


def _steps(f: Filling, odometer: Profile) -> dict[int, float]:
    """Give how far each row's odometer is from that of the vehicle's row before, by time."""
    role = whose(f.roles)
    if role is None or not f.has("when"):
        return {}
    when = f.profile("when")
    times = read_times(when.cells, f.sight.times[when.heading], f.order)
    numbers = [as_number(cell, f.numbers) for cell in odometer.cells]
    rows = sorted((t, at) for at, t in enumerate(times) if t is not None)
    last: dict[str, float] = {}
    steps = {}
    for _, at in rows:
        vehicle, number = f.profile(role).cells[at], numbers[at]
        if not vehicle or number is None:
            continue
        if vehicle in last:
            steps[at] = number - last[vehicle]
        last[vehicle] = number
    return steps
