"""What the user sees about each column of a file: its values, its role, and why.

Also the first rows as they arrived, to be shown beside the stored ones.
"""

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from afterclear.errors import worded
from afterclear.plain import INSTANT_OF
from afterclear.readers.maps.source_table import LINE
from afterclear.readers.suggest.columns.column_choice import Decision, Look, Taken
from afterclear.readers.suggest.columns.numbers import OWN_DECIMAL, is_number
from afterclear.readers.suggest.columns.profiles import (
    Profile,
    is_codes,
    is_none_word,
    is_plate,
    is_vin,
)
from afterclear.readers.suggest.columns.readings import (
    Reading,
)
from afterclear.readers.suggest.columns.role_tests import Sight
from afterclear.readers.suggest.evidence.table_seen import Seen
from afterclear.readers.suggest.writing import codes_patterns

FIRST_ROWS = 50
_MOST_OTHERS = 3
_SHOWN = 3  # values of a column
_MOSTLY = 0.8
_FEW = 8  # distinct ones
_LONGEST = 30


_TIMES = tuple(INSTANT_OF.values())
# Role of a column -> the plain columns it becomes, where they are called otherwise.
_BECOMES: Mapping[str, tuple[str, ...]] = {
    "when": _TIMES,
    "time_of_day": _TIMES,
    "km": ("odometer_km",),
    "hours": ("engine_hours",),
    "distance_unit": ("odometer_km",),
    "spn": ("code",),
    "fmi": ("code",),
    "code": ("code", "codes"),
    "status_flag": ("status",),
    **dict.fromkeys(
        ("work_text", "complaint", "part_name", "description"), ("notes", "description")
    ),
}
_IN_WORDS = {"when": "time", "km": "odometer", "hours": "engine_hours", "row_no": "number_of_row"}


@dataclass(frozen=True, slots=True)
class ColumnTold:
    """One column of a file, in words."""

    heading: str
    looks: str  # what its values are, with some of them
    taken_as: tuple[str, ...]  # plain columns; none: it is kept in extras
    reason: str  # sure because
    others: tuple[str, ...]  # what else it may be


@dataclass(frozen=True, slots=True)
class SourceRow:
    """One row as it arrived."""

    line: int
    cells: tuple[tuple[str, str], ...]


def look_at(sight: Sight, readings: list[Reading]) -> list[Look]:
    """Describe each column before anything is decided."""
    return [
        Look(
            p.heading,
            _values(p, sight),
            tuple((r.role, r.sure, r.reason) for r in readings if r.heading == p.heading),
        )
        for p in sight.profiles
    ]


def told_columns(seen: Seen, decision: Decision) -> tuple[ColumnTold, ...]:
    """Say how each column was decided."""
    wide = codes_patterns(decision)
    columns = []
    looks = {look.heading: look for table in decision.tables for look in table.looks}
    for look in looks.values():
        taken = [
            t for table in decision.tables for t in table.columns if look.heading in t.headings
        ]
        is_wide = any(pattern.fullmatch(look.heading) for pattern in wide)
        columns.append(_told(look, taken, is_wide=is_wide))
    return tuple(columns) if seen.frame.width else ()


def _told(look: Look, taken: list[Taken], *, is_wide: bool) -> ColumnTold:
    columns = tuple(dict.fromkeys([*(t.column for t in taken), *(["code"] if is_wide else [])]))
    best = max(taken, key=lambda t: t.sure, default=None)
    reason = worded("nothing tells that it is needed")
    if best is not None:
        reason = worded("{sure:.0%} sure: {reason}", sure=best.sure, reason=best.reason)
    elif is_wide:
        reason = worded("codes stand side by side")
    others = [
        worded("{role} ({sure:.0%})", role=_IN_WORDS.get(role, role).replace("_", " "), sure=sure)
        for role, sure, _ in look.roles
        if not set(_BECOMES.get(role, (role,))) & set(columns)
    ]
    return ColumnTold(look.heading, look.values, columns, reason, tuple(others[:_MOST_OTHERS]))


def _values(profile: Profile, sight: Sight) -> str:
    values = profile.values
    if not values:
        return worded("empty")
    n_empty = len(profile.cells) - sum(map(bool, profile.cells))
    return worded(
        "{kind}: {shown}{more}{empty}",
        kind=next(_kinds(profile, sight)),
        shown=", ".join(_short(v) for v in values[:_SHOWN]),
        more=worded(", ... {n:,} different", n=len(values)) if len(values) > _SHOWN else "",
        empty=worded("; empty in {n:,} of {all:,} rows", n=n_empty, all=len(profile.cells))
        if n_empty
        else "",
    )


def _kinds(profile: Profile, sight: Sight) -> Iterator[str]:
    """Name the kind of values; the first that fits."""
    if profile.heading in sight.times:
        yield worded("times") if sight.times[profile.heading].has_clock else worded("dates")
    if profile.heading in sight.clocks:
        yield worded("times of day")
    values = [v for v in profile.values if not is_none_word(v)]
    tests: dict[str, Callable[[str], bool]] = {
        worded("VINs"): is_vin,
        worded("fault codes"): is_codes,
        worded("plates"): is_plate,
        worded("numbers"): is_number,
        worded("control units"): lambda v: sight.units.named(v) is not None,
    }
    for name, fits in tests.items():
        if values and sum(map(fits, values)) >= _MOSTLY * len(values):
            yield name
    if profile.is_text:
        yield worded("texts")
    yield worded("few words") if len(profile.values) <= _FEW else worded("words")


def _short(value: str) -> str:
    text = re.sub(r"\s+", " ", value.replace(OWN_DECIMAL, "."))
    return text if len(text) <= _LONGEST else f"{text[: _LONGEST - 3]}..."


def first_rows(seen: Seen) -> tuple[SourceRow, ...]:
    """Give the first rows as they arrived; leave out line numbers that occur twice."""
    head = seen.frame.head(FIRST_ROWS)
    lines = seen.frame[LINE]
    names = [n for n in head.columns if n != LINE]
    once = set(lines.filter(lines.is_unique()).head(FIRST_ROWS))
    return tuple(
        SourceRow(
            row[LINE],
            tuple((n, str(row[n]).strip().replace(OWN_DECIMAL, ".")) for n in names if row[n]),
        )
        for row in head.iter_rows(named=True)
        if row[LINE] in once
    )
