"""Rows that hold two readings side by side: the same headings under "in" and again under "out".

Each group of columns with a time of its own makes a table; the other columns belong to both.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from afterclear.errors import worded
from afterclear.readers.suggest.columns.profiles import Profile, has_code, is_none_word
from afterclear.readers.suggest.columns.questions import Asker, Choice, Question
from afterclear.readers.suggest.columns.role_tests import Sight

_LEAST = 2  # groups, and columns of each
_SHOWN = 3
BOTH = "both"


@dataclass(frozen=True, slots=True)
class Group:
    """Columns under one heading."""

    name: str
    headings: frozenset[str]


def side_groups(sight: Sight) -> list[Group]:
    """Find groups with the same columns, a time and codes among them; empty: there are none."""
    under: dict[str, dict[str, Profile]] = {}
    for profile in sight.profiles:
        name, _, own = profile.heading.partition(" ")
        if own and name:
            under.setdefault(name, {})[own] = profile
    groups = {name: own for name, own in under.items() if len(own) >= _LEAST}
    alike = {frozenset(own) for own in groups.values()}
    is_told = all(_tells_a_reading(list(own.values()), sight) for own in groups.values())
    if len(groups) < _LEAST or len(alike) != 1 or not is_told:
        return []
    return [Group(name, frozenset(p.heading for p in own.values())) for name, own in groups.items()]


def _tells_a_reading(profiles: Sequence[Profile], sight: Sight) -> bool:
    is_timed = any(p.heading in sight.times for p in profiles)
    return is_timed and any(_holds_codes(p) for p in profiles)


def _holds_codes(profile: Profile) -> bool:
    values = [v for v in profile.values if not is_none_word(v)]
    return bool(values) and all(map(has_code, values))


def groups_meant(groups: Sequence[Group], sight: Sight, asker: Asker) -> list[Group]:
    """Ask which of the groups are readings."""
    names = [group.name for group in groups]
    question = Question(
        "groups",
        worded(
            "Each row has the same columns under {names}. Are all of them readings?",
            names=", ".join(map(repr, names)),
        ),
        (
            Choice(BOTH, worded("yes: each row makes a reading of each")),
            *(Choice(name, worded("only those under {name!r}", name=name)) for name in names),
        ),
        tuple(sight.row_text(at) for at in range(min(_SHOWN, len(sight.profiles[0].cells)))),
    )
    word = asker.choose(question)
    return [group for group in groups if word in {BOTH, group.name}]
