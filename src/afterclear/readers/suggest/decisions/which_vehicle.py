"""Whose rows these are: by a column, a fact above the table, a name of sheet or file, or asked."""

import re

from afterclear.catalogue.names_in_text import plain_id
from afterclear.errors import worded
from afterclear.readers.suggest.columns.profiles import (
    is_plate,
    is_vin,
    known_plates,
    known_share,
)
from afterclear.readers.suggest.columns.questions import Choice, Question
from afterclear.readers.suggest.evidence.decision_draft import Filling
from afterclear.readers.suggest.evidence.facts_above import above, fact_of
from afterclear.readers.suggest.evidence.table_seen import Fact

_LIKELY = 0.5
# Other marks say something themselves: "> V-01" is quoted in a letter.
_SPELLED = re.compile(r"[\w ./-]+")
_NEAR = 0.12  # two readings nearer than this are both possible


def fill_vehicle(f: Filling) -> None:
    """Take the columns that name the vehicle; otherwise a fact above the table, or an answer."""
    _without_other_numbers(f)
    identifiers = [r for r in ("vehicle_id", "vin", "plate") if f.has(r)]
    if "vehicle_id" in identifiers:
        _one_of_several(f, "vehicle_id", worded("Which column has your own number of the vehicle?"))
    if identifiers == ["plate"]:
        fill_plate_alone(f)
        return
    for role in identifiers:
        if role == "plate" and "vehicle_id" in identifiers:
            continue  # the number names it already; a plate moves
        f.plain(role, spec=_spelled_as_listed(f) if role == "vehicle_id" else {})
    if not identifiers:
        _vehicle_given_once(f)


def _without_other_numbers(f: Filling) -> None:
    """Take no numbers for vehicles' that a VIN or plate beside them contradicts.

    Numbers of visits may look like those of the fleet; their heading does not mean a vehicle.
    """
    marks = [f.profile(r) for r in ("vin", "plate") if f.has(r)]
    if not f.has("vehicle_id") or f.profile("vehicle_id").means("vehicle_id") > _LIKELY:
        return
    numbers = f.profile("vehicle_id")
    for mark in marks:
        told: dict[str, set[str]] = {}
        for of, number in zip(mark.cells, numbers.cells, strict=True):
            if of and number:
                told.setdefault(plain_id(of), set()).add(plain_id(number))
        owners = f.sight.known.owners
        is_other = any(owners.get(of, own) != own for of, own in told.items())
        if is_other or any(len(own) > 1 for own in told.values()):
            del f.roles["vehicle_id"]
            f.decision.notes.append(
                f"{numbers.heading!r} is no vehicle: {mark.heading!r} names others in its rows"
            )
            return


def _spelled_as_listed(f: Filling) -> dict[str, object]:
    """Ask whether numbers in other letters, or with other dashes, are vehicles of the list.

    The store refuses them: nobody else can say that v-01 is no vehicle beside V-01.
    """
    listed = f.sight.known.written
    met = {
        value: own
        for value in f.profile("vehicle_id").values
        if (own := listed.get(plain_id(value))) and own != value and _SPELLED.fullmatch(value)
    }
    if not met:
        return {}
    value, own = next(iter(met.items()))
    question = Question(
        "numbers",
        worded(
            "{n:,} vehicles' numbers are spelled otherwise than in the vehicle list, such as "
            "{value!r}; the list has {own!r}. Are they the same vehicles?",
            n=len(met),
            value=value,
            own=own,
        ),
        (
            Choice("same", worded("yes: {value!r} is {own!r}", value=value, own=own)),
            Choice("refuse", worded("nobody knows: rows with such numbers are refused")),
        ),
        f.rows_with(value),
        unasked="refuse",
    )
    if f.asker.choose(question) == "refuse":
        return {}
    return {"values": met, "otherwise": "keep"}


def _one_of_several(f: Filling, role: str, text: str) -> None:
    """Ask which of two columns has a role, where both may."""
    best = f.roles[role]
    others = {r.heading for r in f.roles.values()} - {best.heading}
    near = [
        r
        for r in f.readings
        if r.role == role and r.heading not in others and best.sure - r.sure < _NEAR
        and known_share(f.sight.by_name[best.heading], f.sight.known.numbers) < _LIKELY
        and f.sight.by_name[r.heading].means(role) > _LIKELY
    ]  # fmt: skip
    if len(near) < 2:
        return
    rows = tuple(", ".join(f"{r.heading}: {f.sight.by_name[r.heading].cells[at]}" for r in near)
                 for at in range(min(3, f.n_rows)))  # fmt: skip
    choices = tuple(
        Choice(r.heading, worded("the column {heading!r}", heading=r.heading)) for r in near
    )
    chosen = f.asker.choose(Question(role.replace("_id", ""), text, choices, rows))
    f.roles[role] = next(r for r in near if r.heading == chosen)


def fill_plate_alone(f: Filling) -> None:
    """Take plates where vehicles are known by nothing else."""
    profile = f.profile("plate")
    share = known_plates(profile, f.sight.known.plates)
    if share > _LIKELY:
        f.plain("plate")
        return
    question = Question(
        "plates",
        worded(
            "Vehicles are named by {heading!r} only, and no vehicle list says whose these plates "
            "are. What are they?",
            heading=profile.heading,
        ),
        (
            Choice(
                "plate",
                worded("plates, which may move from vehicle to vehicle: rows wait for a list"),
            ),
            Choice(
                "number", worded("identifiers that stay with the vehicle: each becomes its number")
            ),
        ),
        tuple(f"{profile.heading}: {v}" for v in profile.values[:3]),
        unasked="plate",
    )
    word = f.asker.choose(question)
    f.plain("plate" if word == "plate" else "vehicle_id", "plate")


def _vehicle_given_once(f: Filling) -> None:
    """Find the vehicle in the facts above the table, the sheets' names or the file's."""
    if f.delivery.vehicle_id is not None:
        f.decision.notes.append(
            f"whose rows these are is told with the file: {f.delivery.vehicle_id}"
        )
        return
    if found := fact_of(f, ("vin", "vehicle_id", "plate")):
        role, fact = found
        role = "vin" if is_vin(fact.text) else role
        if role == "vehicle_id" and is_plate(fact.text):
            role = "plate"
        if role != "plate" or plain_id(fact.text) in f.sight.known.plates:
            f.decision.take(
                role,
                {"above": above(f, fact)},
                0.85,
                worded("{label!r} above the table", label=fact.label),
            )
            return
        _plate_above(f, fact)
        return
    sheets = f.seen.sheets
    have_digits = len(sheets) > 1 and all(any(c.isdigit() for c in s) for s in sheets)
    if have_digits and not any(re.search(r"20\d\d", s) for s in sheets):
        role = "vin" if all(map(is_vin, sheets)) else "vehicle_id"
        f.decision.take(
            role, {"sheet_name": "^(.+)$"}, 0.8, worded("each sheet has a vehicle's name")
        )
        return
    _vehicle_of_file_name(f)


def _plate_above(f: Filling, fact: Fact) -> None:
    question = Question(
        "plates",
        worded(
            "The vehicle is named by {label!r} {text} only, and no vehicle list says whose plate "
            "that is. What is it?",
            label=fact.label,
            text=fact.text,
        ),
        (
            Choice("plate", worded("a plate, which may move: rows wait for a list")),
            Choice(
                "number", worded("an identifier that stays with the vehicle: it becomes its number")
            ),
        ),
        unasked="plate",
    )
    role = "plate" if f.asker.choose(question) == "plate" else "vehicle_id"
    f.decision.take(
        role, {"above": above(f, fact)}, 0.85, worded("{label!r} above the table", label=fact.label)
    )


def _vehicle_of_file_name(f: Filling) -> None:
    """Take an identifier in the file name that the store knows; else ask about a likely one."""
    base = re.sub(r"\.\w+$", "", f.delivery.name.replace("\\", "/").rpartition("/")[2])
    words = [w for w in re.split(r"[_\s]+", base) if any(c.isdigit() for c in w)]
    for word in words:
        if role := f.sight.known.role_of(word):
            f.decision.take(
                role,
                {"file_name": _in_name(base, word)},
                0.9,
                worded("a vehicle the store knows"),
            )
            return
    f.decision.missing.append(
        worded(
            "whose rows these are: no column names a vehicle; say it with `load --vehicle ID`, "
            "or map vehicle_id, vin or plate"
        )
    )


def _in_name(base: str, word: str) -> str:
    before, _, after = base.partition(word)
    lead = re.escape(before) if not re.search(r"\d", before) else ".*?"
    tail = re.escape(after[:1]) if after else r"\."
    return f"{lead}([^_ ]+?){tail}" if lead else f"^([^_ ]+?){tail}"
