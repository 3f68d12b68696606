"""What a person picked for single columns, in the place of what they would be taken for.

A pick is an answer nobody asked for: its key is ``column:`` and the heading, its word a column of
the plain layout or ``aside``.  Where the cells can be read as that, they are handled as if it had
been found (formats of dates, units); otherwise they are taken as they are, and rows that do not fit
are refused.
"""

from collections.abc import Mapping, Sequence
from typing import Final

from afterclear.errors import UsageError, worded
from afterclear.plain import INSTANT_OF, TABLES
from afterclear.readers.suggest.columns.column_choice import Decision
from afterclear.readers.suggest.columns.readings import (
    Reading,
    may_be,
)
from afterclear.readers.suggest.columns.role_tests import Sight
from afterclear.readers.suggest.evidence.decision_draft import Filling

PICK: Final = "column:"  # what the key of such an answer begins with
ASIDE: Final = "aside"
CHOSEN: Final = "you chose it"
_IDENTIFIERS: Final = ("vehicle_id", "vin", "plate")
_TIMES: Final = tuple(INSTANT_OF.values())
# Plain column -> the roles in which a column of a file fills it, where they are called otherwise.
_ROLES: Final[Mapping[str, tuple[str, ...]]] = {
    **dict.fromkeys(_TIMES, ("when",)),
    "odometer_km": ("km",),
    "engine_hours": ("hours",),
    "codes": ("code",),
    "notes": ("work_text", "complaint", "part_name", "notes"),
}
_DONE: Final = {"notes", "action", "codes", "part_number"}  # each says what was done


def said_and_picked(answers: Mapping[str, str]) -> tuple[dict[str, str], dict[str, str]]:
    """Tell answers to questions (by their keys) and picks (by headings) apart.

    >>> said_and_picked({"time": "in", "column:km": "aside"})
    ({'time': 'in'}, {'km': 'aside'})
    """
    said = {key: word for key, word in answers.items() if not key.startswith(PICK)}
    picks = {k.removeprefix(PICK): word for k, word in answers.items() if k not in said}
    return said, picks


def picks_of(answers: Mapping[str, str], headings: Sequence[str]) -> dict[str, str]:
    """Give the picks among answers: heading -> plain column or ``ASIDE``.

    Raises:
        UsageError: there is no such column, in the file or in the plain layout, or two are the
            same one.

    """
    _, picks = said_and_picked(answers)
    known = {name for table in TABLES.values() for name in table.names} | {*_IDENTIFIERS, ASIDE}
    by_column: dict[str, str] = {}
    for heading, word in picks.items():
        if heading not in headings:
            raise UsageError(
                worded(
                    "The file has no column {heading!r}; it has {headings}.",
                    heading=heading,
                    headings=", ".join(headings),
                )
            )
        if word not in known:
            raise UsageError(
                worded(
                    "{heading!r} is taken as {word!r}, which is no column to fill.",
                    heading=heading,
                    word=word,
                )
            )
        if word in by_column and word not in {ASIDE, "notes"}:
            raise UsageError(
                worded(
                    "{by_column!r} and {heading!r} are both taken as {word}. Choose one of them.",
                    by_column=by_column[word],
                    heading=heading,
                    word=word,
                )
            )
        by_column[word] = heading
    return picks


def readings_with(
    picks: Mapping[str, str], readings: Sequence[Reading], sight: Sight
) -> list[Reading]:
    """Put the picks that can be read as such before all other readings, in their place."""
    chosen: dict[str, Reading] = {}
    for heading, column in picks.items():
        roles = _ROLES.get(column, (column,))
        role = next((r for r in roles if r not in chosen), "")
        if heading in sight.by_name and may_be(role, sight.by_name[heading], sight):
            chosen[role] = Reading(role, heading, 1.0, CHOSEN)
    filled = {role for column in picks.values() for role in _ROLES.get(column, (column,))}
    others = [r for r in readings if r.heading not in picks and r.role not in filled]
    return [*chosen.values(), *others]


def fill_picked(f: Filling) -> None:
    """Take what was picked and has not been taken yet, as its cells are."""
    for heading, column in f.picks.items():
        if column == ASIDE or _is_taken(f.decision, heading, column):
            continue
        _check_fits_table(f.decision, heading, column)
        origin: object = heading
        if column == "notes":
            origin = [*_origin(f.decision, column), heading]
        f.decision.columns = [t for t in f.decision.columns if t.column != column]
        spec: dict[str, object] = {"from": origin}
        if isinstance(origin, list):
            spec["join"] = " | "
        time = f.sight.times.get(heading)
        if time is not None and column.endswith(("_at", "_on", "_since")) and not time.is_iso:
            spec["date_format"] = list(time.formats(f.order))
        f.decision.take(column, spec, 1.0, CHOSEN)
        f.decision.missing = [each for each in f.decision.missing if not _told(each, column)]


def _is_taken(decision: Decision, heading: str, column: str) -> bool:
    return any(t.column == column and heading in t.headings for t in decision.columns)


def _origin(decision: Decision, column: str) -> list[object]:
    found = next((t.spec.get("from") for t in decision.columns if t.column == column), None)
    return [] if found is None else list(found) if isinstance(found, list | tuple) else [found]


def _check_fits_table(decision: Decision, heading: str, column: str) -> None:
    names = (*TABLES[decision.into].names, *_IDENTIFIERS)
    if column not in names:
        raise UsageError(
            worded(
                "{heading!r} is taken as {column}, which {into} do not have. Choose another.",
                heading=heading,
                column=column,
                into=decision.into,
            )
        )


def _told(missing: str, column: str) -> bool:
    """Whether a column fills what was said to be missing."""
    if column in _IDENTIFIERS and missing.startswith("whose rows"):
        return True
    if column in _DONE and missing.startswith("what was done"):
        return True
    return missing.startswith(f"{column}:")
