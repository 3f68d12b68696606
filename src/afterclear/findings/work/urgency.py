"""How soon there is something to do: the rules of ``config/urgency.csv``, first fit counts.  Pure.

The tool knows codes, not the vehicle: "do not drive" asks for a person's word before the vehicle is
moved, and no level says that a vehicle may be driven.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Final

from afterclear.catalogue.config_tables import Row, read_table
from afterclear.errors import ConfigError
from afterclear.reasons import Urgency, WorkReason

_COLUMNS: Final = ("urgency", "deeds", "cautions", "families", "codes", "due", "source")
_ORDER: Final = tuple(Urgency)  # the most urgent first


@dataclass(frozen=True, slots=True)
class Asked:
    """What the rules look at: the fault itself, without the codes that follow from it."""

    deed: str
    cautions: tuple[str, ...]
    family: str
    code: str
    after_km: float


@dataclass(frozen=True, slots=True)
class UrgencyRule:
    """One row; an empty group of patterns fits anything."""

    urgency: Urgency
    deeds: tuple[str, ...]
    cautions: tuple[str, ...]
    families: tuple[str, ...]
    codes: tuple[str, ...]
    only_now: bool

    def fits(self, asked: Asked) -> bool:
        """Tell whether this is meant."""
        if self.only_now and asked.after_km > 0:
            return False
        if self.deeds and not _hit(self.deeds, (asked.deed,)):
            return False
        if self.cautions and not _hit(self.cautions, asked.cautions):
            return False
        named = self.families or self.codes
        spelled = _spellings(asked.code)
        return not named or _hit(self.families, (asked.family,)) or _hit(self.codes, spelled)


def _spellings(code: str) -> tuple[str, ...]:
    """Give a code, and the same without its failure type."""
    return code, code.partition("-")[0]


def urgency_of(asked: Asked, rules: Sequence[UrgencyRule]) -> Urgency:
    """Return the level of the first rule that fits; the last rule fits anything."""
    return next(rule.urgency for rule in rules if rule.fits(asked))


def most_urgent(levels: Iterable[Urgency]) -> Urgency:
    """Return the level that comes first."""
    return min(levels, key=_ORDER.index)


def read_urgency_rules(path: Path) -> tuple[UrgencyRule, ...]:
    """Read the rules.

    Raises:
        ConfigError: the file is missing or wrong; says where.

    """
    rules = tuple(_rule(row, path) for row in read_table(path, _COLUMNS))
    last = rules[-1] if rules else None
    if last is None or last.only_now or any((last.deeds, last.cautions, last.families, last.codes)):
        raise ConfigError(f"{path}: the last row must fit anything: only its urgency is filled in.")
    return rules


def _rule(row: Row, path: Path) -> UrgencyRule:
    where = f"{path} line {row['_line']}"
    if row["urgency"] not in _ORDER:
        raise ConfigError(
            f"{where}: there is no urgency {row['urgency']!r}; there are {', '.join(_ORDER)}."
        )
    if row["due"] not in {"", "now"}:
        raise ConfigError(f'{where}: due is "now" or empty, not {row["due"]!r}.')
    deeds = tuple(row["deeds"].split())
    unknown = sorted(set(deeds) - set(WorkReason))
    if unknown:
        raise ConfigError(f"{where}: the list never asks for {unknown[0]!r}.")
    if not row["source"]:
        raise ConfigError(f"{where}: name the source, or write: own judgement, no source.")
    return UrgencyRule(
        Urgency(row["urgency"]),
        deeds,
        tuple(row["cautions"].split()),
        tuple(row["families"].split()),
        tuple(row["codes"].split()),
        only_now=row["due"] == "now",
    )


def _hit(patterns: Iterable[str], names: Iterable[str]) -> bool:
    known = tuple(names)
    return any(fnmatchcase(name, pattern) for pattern in patterns for name in known)
