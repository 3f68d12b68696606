"""How a finding's sentences name units, distances and days: the pages' own way.  Pure."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol


class Told(Protocol):
    """Writes km in the reader's unit, and days."""

    def distance(self, km: float | None) -> str:
        """Write a distance with its unit."""

    def day(self, at: datetime | None) -> str:
        """Write a day, e.g. 3 May 2025."""


@dataclass(frozen=True, slots=True)
class Voice:
    """What sentences are written with."""

    told: Told
    label: Callable[[str], str]  # a control unit's function -> how people call it

    def at(self, code: str, unit: str) -> str:
        """Name a code with its control unit."""
        return f"{code} in the {self.label(unit)} unit"
