"""Rows of readings that say in a column of their own when codes were cleared: they are clears, too.

The time may lack its day where the reading's day stands beside it: erased at 11:15 on the day of
the reading.
"""

from afterclear.errors import worded
from afterclear.readers.suggest.columns.column_choice import Decision, Taken
from afterclear.readers.suggest.columns.date_formats import TimeColumn
from afterclear.readers.suggest.columns.profiles import Profile
from afterclear.readers.suggest.columns.questions import Choice, Question
from afterclear.readers.suggest.columns.readings import Reading
from afterclear.readers.suggest.columns.role_tests import Sight
from afterclear.readers.suggest.evidence.decision_draft import Filling

_LIKELY = 0.5
_KEPT = ("vehicle_id", "vin", "plate", "odometer_km")
_FILLED = r"\S"


def fill_cleared_beside(f: Filling) -> None:
    """Make a table of clears from a column of their times, if a person says so."""
    if f.decision.into != "scans" or f.decision.more:
        return
    profile = _cleared_when(f)
    spec = _time_of(f, profile) if profile else None
    if profile is None or spec is None:
        return
    rows = tuple(f.row_text(at) for at, cell in enumerate(profile.cells) if cell)[:3]
    question = Question(
        "rows",
        worded(
            "Some rows have a time under {heading!r}. Were codes cleared then?",
            heading=profile.heading,
        ),
        (
            Choice("both", worded("yes, when they had been read: such rows are clears, too")),
            Choice("scans", worded("nobody knows: codes were read, and no more is taken")),
        ),
        rows,
        unasked="scans",
    )
    if f.asker.choose(question) == "both":
        f.decision.more.append(_clears(f, profile, spec))


def _clears(f: Filling, profile: Profile, spec: dict[str, object]) -> Decision:
    """Take the columns of the readings, with the time of clearing and the unit's own name."""
    keys: dict[str, object] = {"keep_where": {profile.heading: _FILLED}}
    keys |= {k: v for k, v in f.decision.table_keys.items() if k in {"fill_down", "drop_where"}}
    made = Decision("clears", f.decision.sure, table_keys=keys)
    made.columns = [t for t in f.decision.columns if t.column in _KEPT]
    when = Taken("cleared_at", spec, 0.85, worded("its heading says when codes were cleared"))
    made.columns.insert(sum(t.column != "odometer_km" for t in made.columns), when)
    own = next((p for p in f.sight.profiles if _is_unit_of(p, profile)), None)
    if own is not None:
        spec = {"from": own.heading, **_whole(f, own)}
        made.columns.append(Taken("ecu", spec, 0.85, worded("its heading")))
    elif unit := unit_cleared(f):
        made.columns.append(unit)
    return made


def _is_unit_of(profile: Profile, cleared: Profile) -> bool:
    """Whether a column of a tree names the unit beside the time of clearing."""
    above, _, _ = cleared.heading.rpartition(".")
    return (
        bool(above) and profile.heading.startswith(f"{above}.") and profile.means("ecu") > _LIKELY
    )


def unit_cleared(f: Filling) -> Taken | None:
    """Take the unit of a row for the one that was cleared; a word for all of them names none."""
    taken = next((t for t in f.decision.columns if t.column == "ecu" and "from" in t.spec), None)
    if taken is None or not f.has("ecu"):
        return None
    spec = {**taken.spec, **_whole(f, f.profile("ecu"))}
    return Taken("ecu", spec, taken.sure, taken.reason)


def _whole(f: Filling, profile: Profile) -> dict[str, object]:
    """Say which words mean all units."""
    whole = {w: "" for w in profile.values if f.sight.words.of_word("ecu", w) == "all"}
    return {"values": whole, "otherwise": "keep"} if whole else {}


def not_of_clearing(readings: list[Reading], sight: Sight) -> list[Reading]:
    """Leave out what hangs from a thing of a tree that is a clearing: not the reading's own.

    Where all times hang from it the tree is a list of clearings, and its columns are their own.
    """
    if all(_is_of_clearing(heading, sight) for heading in (*sight.times, *sight.clocks)):
        return readings
    return [r for r in readings if not _is_of_clearing(r.heading, sight)] or readings


def _is_of_clearing(heading: str, sight: Sight) -> bool:
    above = heading.rpartition(".")[0].rpartition(".")[2]
    return bool(above) and sight.words.of_beginning("event", above, anywhere=True) == "cleared"


def _cleared_when(f: Filling) -> Profile | None:
    """Find the one column of times that is headed as those of clearing and as no others."""
    found = [
        p
        for p in f.sight.profiles
        if (p.heading in f.sight.times or p.heading in f.sight.clocks)
        and p.heading not in f.decision.used
        and f.sight.words.of_beginning("of_time", p.heading, anywhere=True) == ""
        and says_cleared(f, p)
    ]
    return found[0] if len(found) == 1 else None


def says_cleared(f: Filling, profile: Profile) -> bool:
    """Whether a heading, or a path in a tree, speaks of clearing more than of reading."""
    own = profile.means("cleared_at")
    if own > _LIKELY and own > profile.means("scanned_at", "repaired_at") + 0.2:
        return True
    end = " ".join(profile.heading.split(".")[-2:])  # of a path the thing and its own name
    return f.sight.words.of_beginning("event", end, anywhere=True) == "cleared"


def _time_of(f: Filling, profile: Profile) -> dict[str, object] | None:
    """Say how the time is read; None: its day is not told apart from the reading's time."""
    if (time := f.sight.times.get(profile.heading)) is not None:
        return {"from": profile.heading, **_formats(time, time.formats(f.order))}
    clock = f.sight.clocks[profile.heading]
    taken = next((t for t in f.decision.columns if t.column == "scanned_at"), None)
    origin = taken.spec.get("from") if taken else None
    heading = origin[0] if isinstance(origin, list) else origin
    day = f.sight.times.get(str(heading))
    if day is None or day.has_clock or day.serial or day.pattern:
        return None
    days = day.formats(f.order) or ("%Y-%m-%d",)
    both = tuple(f"{d} {c}" for d in days for c in clock.formats(f.order))
    return {"from": [heading, profile.heading], "date_format": list(both)}


def _formats(time: TimeColumn, formats: tuple[str, ...]) -> dict[str, object]:
    spec: dict[str, object] = {"pattern": time.pattern} if time.pattern else {}
    return spec if time.is_iso or not formats else {**spec, "date_format": list(formats)}
