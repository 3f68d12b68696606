"""What is taken for each plain column, and how it is shown: the parts of a decision."""

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

import polars as pl

# Cells that say "not known" in a column of numbers or words (common practice, no source).
BLANKS = {
    *(
        "-",
        "--",
        "---",
        "?",
        "??",
        "n/a",
        "na",
        "n.a.",
        "none",
        "null",
        "nil",
        "unknown",
        "k.a.",
        "k. a.",
    ),
    *(
        "unbekannt",
        "n.b.",
        "keine angabe",
        "inconnu",
        "nc",
        "n.c.",
        "desconocido",
        "s/d",
        "nieznany",
    ),
    *("nieznane", "brak", "b/d", "bd", "xxx", "nan", "."),
}


def one_of(cells: Iterable[str]) -> str:
    """Write the pattern of cells that are one of some texts, blanks around it aside."""
    return f"^\\s*(?:{'|'.join(map(re.escape, dict.fromkeys(cells)))})\\s*$"


@dataclass(frozen=True, slots=True)
class Taken:
    """One plain column: where its cells come from, and how sure that is."""

    column: str
    spec: Mapping[str, object]  # keys of the map, ``from`` among them
    sure: float
    reason: str

    @property
    def headings(self) -> set[str]:
        """Headings its cells come from."""
        found: set[str] = set()
        for key in ("from", "beside", "times"):
            value = self.spec.get(key, ())
            names = {value} if isinstance(value, str) else set(map(str, value))  # type: ignore[call-overload]
            found |= names | {name.removesuffix("#1") for name in names}
        return found


@dataclass(frozen=True, slots=True)
class Look:
    """One column of the file: what its values are, and the roles it may have, surest first."""

    heading: str
    values: str
    roles: tuple[tuple[str, float, str], ...]  # role, how sure, for what reason


@dataclass(slots=True)
class Decision:
    """A map in parts."""

    into: str
    sure: float
    keys: dict[str, object] = field(default_factory=dict)  # of the map
    table_keys: dict[str, object] = field(default_factory=dict)
    columns: list[Taken] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)  # what the map lacks before it can be used
    part: pl.DataFrame | None = None  # the rows it is made of, where others are of another kind
    more: list["Decision"] = field(default_factory=list)  # further tables made of the same rows
    looks: list["Look"] = field(default_factory=list)  # at each column of the file

    @property
    def tables(self) -> Iterator["Decision"]:
        """The tables that are made of the same rows, this one first."""
        yield self
        yield from self.more

    def take(self, column: str, spec: Mapping[str, object], sure: float, reason: str) -> None:
        """Take a column."""
        self.columns.append(Taken(column, spec, sure, reason))

    @property
    def used(self) -> set[str]:
        """Headings that are used."""
        return {heading for taken in self.columns for heading in taken.headings}
