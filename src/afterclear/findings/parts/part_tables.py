"""What is known about parts: expected lifetimes and superseded numbers, from ``config/``."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from afterclear.catalogue.config_tables import read_settings, read_table
from afterclear.errors import ConfigError
from afterclear.findings.parts.order_parts import bare_number

EXPECTED = "part_life.toml"
SUPERSEDED = "supersession.csv"


@dataclass(frozen=True, slots=True)
class ExpectedLife:
    """Km by which at most one part in ten may have failed, and the source."""

    km: float
    source: str


@dataclass(frozen=True, slots=True)
class PartTables:
    """Both tables.  Numbers are bare: capitals and digits."""

    by_family: Mapping[str, ExpectedLife]
    by_number: Mapping[str, ExpectedLife]
    superseded_by: Mapping[str, str]

    def expected(self, component: str, number: str | None) -> ExpectedLife | None:
        """Return what is expected of a part: by its number, otherwise by its family."""
        own = self.by_number.get(bare_number(number)) if number else None
        return own or self.by_family.get(component)


def part_tables(expected: Path, superseded: Path) -> PartTables:
    """Read both tables.

    Raises:
        ConfigError: one is missing or wrong; all mistakes of it at once.

    """
    settings = read_settings(expected)
    problems = [
        f"{expected}: there is no section {name!r}; use families or parts"
        for name in settings.keys() - {"families", "parts"}
    ]
    by_family = _lifetimes(settings.get("families", {}), expected, problems)
    by_number = _lifetimes(settings.get("parts", {}), expected, problems)
    superseded_by = _superseded(superseded, problems)
    if problems:
        raise ConfigError("\n".join(problems))
    return PartTables(
        by_family, {bare_number(n): life for n, life in by_number.items()}, superseded_by
    )


def _lifetimes(section: object, path: Path, problems: list[str]) -> dict[str, ExpectedLife]:
    lifetimes = {}
    for name, entry in section.items() if isinstance(section, dict) else ():
        table = entry if isinstance(entry, dict) else {}
        km = table.get("expected_km")
        if isinstance(km, bool) or not isinstance(km, int | float) or not km > 0:
            problems.append(f"{path}: {name}: expected_km must be more than 0, but is {km!r}")
            continue
        lifetimes[name] = ExpectedLife(float(km), str(table.get("source", "")))
    return lifetimes


def _superseded(path: Path, problems: list[str]) -> dict[str, str]:
    became: dict[str, str] = {}
    for row in read_table(path, ("old", "new")):
        old, new = bare_number(row["old"]), bare_number(row["new"])
        if not old or not new:
            problems.append(f"{path} line {row['_line']}: old and new must both name a part")
        elif became.get(old, new) != new:
            problems.append(f"{path} line {row['_line']}: {row['old']} has two successors")
        else:
            became[old] = new
    problems += [
        f"{path}: {old} supersedes itself in a ring" for old in became if _rings(old, became)
    ]
    return became


def _rings(number: str, became: Mapping[str, str]) -> bool:
    seen = {number}
    while (later := became.get(number)) is not None:
        if later in seen:
            return True
        seen.add(later)
        number = later
    return False
