"""A decision in the making, and all it is made from."""

from collections.abc import Container, Mapping
from dataclasses import dataclass, field

from afterclear.errors import worded
from afterclear.plain import PlacesOf, without_places
from afterclear.readers.suggest.columns.code_columns import Wide
from afterclear.readers.suggest.columns.column_choice import Decision
from afterclear.readers.suggest.columns.numbers import Numbers
from afterclear.readers.suggest.columns.profiles import Profile, is_none_word
from afterclear.readers.suggest.columns.questions import Asker
from afterclear.readers.suggest.columns.readings import (
    Reading,
)
from afterclear.readers.suggest.columns.role_tests import Sight
from afterclear.readers.suggest.evidence.table_seen import Seen
from afterclear.records import Delivery

_HEADED = 0.9  # a heading that means nothing else


@dataclass(slots=True)
class Filling:
    """A decision in the making, and all it is made from."""

    decision: Decision
    sight: Sight
    readings: list[Reading]
    roles: dict[str, Reading]
    wide: Wide | None
    numbers: Numbers
    order: str
    language: str
    seen: Seen
    delivery: Delivery
    asker: Asker
    picks: Mapping[str, str] = field(default_factory=dict)  # heading -> what a person takes it for
    dropped: set[str] = field(default_factory=set)  # words of rows that are left out
    places_of: PlacesOf = without_places

    def profile(self, role: str) -> Profile:
        """Give the column of a role."""
        return self.sight.by_name[self.roles[role].heading]

    def profile_of(self, reading: Reading) -> Profile:
        """Give the column of a reading."""
        return self.sight.by_name[reading.heading]

    def has(self, role: str) -> bool:
        """Whether a column has this role."""
        return role in self.roles

    def is_left_out(self, at: int) -> bool:
        """Whether a row has a word of those that are left out."""
        return any(p.cells[at] in self.dropped for p in self.sight.profiles)

    @property
    def n_rows(self) -> int:
        """Rows that were examined."""
        return len(self.sight.profiles[0].cells) if self.sight.profiles else 0

    def row_text(self, at: int) -> str:
        """Write a row as a person would read it out."""
        return self.sight.row_text(at)

    def rows_with(self, cell: str) -> tuple[str, ...]:
        """Write the first rows that have a cell."""
        at = [n for n in range(self.n_rows) if any(p.cells[n] == cell for p in self.sight.profiles)]
        return tuple(self.row_text(n) for n in at[:3])

    def rows_where(self, profile: Profile, cells: Container[str]) -> tuple[str, ...]:
        """Write the first rows in which a column has one of these cells."""
        at = [n for n, cell in enumerate(profile.cells) if cell in cells]
        return tuple(self.row_text(n) for n in at[:3])

    def miss_unread(self, column: str, *meanings: str) -> None:
        """Name a column headed as something, but with cells that could not be read as such.

        Without it the other rows would say that no code was stored, or know no distance.
        """
        used = {r.heading for r in self.roles.values()}
        for profile in self.sight.profiles:
            values = [v for v in profile.values if any(map(str.isdigit, v)) and not is_none_word(v)]
            if values and profile.means(*meanings) >= _HEADED and profile.heading not in used:
                self.decision.missing.append(
                    worded(
                        "{column}: {heading!r} is headed as such, but its cells are not "
                        "understood, {values!r} among them",
                        column=column,
                        heading=profile.heading,
                        values=values[0],
                    )
                )
                return

    def plain(self, column: str, role: str = "", spec: Mapping[str, object] | None = None) -> None:
        """Take a column as it is, if there is one; ``spec``: what is done to its cells."""
        role = role or column
        if self.has(role):
            found = self.roles[role]
            cells = {"from": found.heading, **(spec or {})}
            self.decision.take(column, cells, found.sure, found.reason)
