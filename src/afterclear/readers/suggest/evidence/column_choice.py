"""What is taken for each plain column, and how it is said: the parts of a decision."""

from collections.abc import Mapping
from dataclasses import dataclass, field

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


@dataclass(frozen=True, slots=True)
class Taken:
    """One plain column: where its cells come from, how sure that is, what else it may be."""

    column: str
    spec: Mapping[str, object]  # keys of the map, ``from`` among them
    sure: float
    reason: str
    others: tuple[str, ...] = ()  # what else was possible


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

    def take(
        self, column: str, spec: Mapping[str, object], sure: float, reason: str, *others: str
    ) -> None:
        """Take a column."""
        self.columns.append(Taken(column, spec, sure, reason, others))

    @property
    def used(self) -> set[str]:
        """Headings that are used."""
        found: set[str] = set()
        for taken in self.columns:
            for key in ("from", "beside"):
                value = taken.spec.get(key, ())
                names = {value} if isinstance(value, str) else set(map(str, value))  # type: ignore[call-overload]
                found |= names | {name.removesuffix("#1") for name in names}
        return found
