"""Warnings for work on brakes, steering, airbags, high voltage and the like.

Cautions and control units are read without the rest of the catalogue if nothing else is needed:
reading all words takes longer than a vehicle's history.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import cached_property
from pathlib import Path

from afterclear.catalogue.config_tables import Row, read_table
from afterclear.catalogue.control_units import ControlUnits


@dataclass(frozen=True, slots=True)
class Caution:
    """A warning shown beside a finding. General: the maker's procedure wins."""

    id: str
    title: str
    text: str


class Cautions:
    """The warnings of ``safety.csv``."""

    def __init__(self, rows: list[Row], units: ControlUnits) -> None:
        self._rows = rows
        self._units = units

    @classmethod
    def load(cls, config_dir: Path, units: ControlUnits | None = None) -> "Cautions":
        """Read the warnings, and the names of control units if they are not known yet.

        Raises:
            ConfigError: a table is missing or wrong.

        """
        columns = ("id", "title", "text", "families", "codes", "ecus", "source")
        rows = read_table(config_dir / "safety.csv", columns)
        return cls(rows, units or ControlUnits.load(config_dir))

    @cached_property
    def general(self) -> tuple[Caution, ...]:
        """Cautions for every code and every clear."""
        return tuple(_caution(row) for row in self._rows if row["families"] == "*")

    def of(self, family_key: str, code: str = "", ecu: str | None = None) -> tuple[Caution, ...]:
        """Give the warnings for work on a family; without the general ones."""
        unit = (self._units.named(ecu) or "") if ecu else ""
        found = []
        for row in self._rows:
            hits = (
                row["families"] != "*" and _any_fits(row["families"], family_key),
                bool(code) and _any_fits(row["codes"], code),
                bool(unit) and _any_fits(row["ecus"], unit),
            )
            if any(hits):
                found.append(_caution(row))
        return tuple(found)

    def called(self, ids: Iterable[str]) -> tuple[Caution, ...]:
        """Give the warnings with these ids, in the table's order."""
        wanted = set(ids)
        return tuple(_caution(row) for row in self._rows if row["id"] in wanted)


def _any_fits(patterns: str, name: str) -> bool:
    return any(fnmatchcase(name, pattern) for pattern in patterns.split())


def _caution(row: Row) -> Caution:
    return Caution(row["id"], row["title"], row["text"])
