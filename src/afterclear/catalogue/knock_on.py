"""Codes that speak of another control unit's fault, and work that cures another component's codes.

The tables are ``knock_on.csv`` and ``cures.csv``.
"""

from collections.abc import Container
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, TypeAlias, cast, get_args

from afterclear.catalogue.codes import NormalCode, normal_code
from afterclear.catalogue.config_tables import Row, read_table
from afterclear.catalogue.control_units import ControlUnits
from afterclear.catalogue.folded_words import Words, words_of
from afterclear.errors import ConfigError

Relation: TypeAlias = Literal[
    "lost",  # a listener misses the unit's messages
    "invalid",  # messages arrive, their content is marked bad
    "software",  # versions do not match
    "pointer",  # the code only follows from the other unit's fault
    "consequence",  # a signal the other unit makes
    "supply",  # no unit: voltage, explains many codes at once
    "bus",  # no unit: data bus, explains many codes at once
    "harmed",  # a primary fault caused by another one: of a harm only
]
_COMMON_CAUSES = {"supply", "bus"}

_SLOT = "{ecu}"
_NEAR = 3  # words between a phrase and the unit it names; own judgement


Cures = tuple[tuple[str, str], ...]
"""Pairs of components: the one worked on, and the one whose codes this may cure."""


@dataclass(frozen=True, slots=True)
class Pointer:
    """What a code or its text says about another control unit."""

    relation: Relation
    ecu: str  # a control unit of control_units.toml; empty for a bus
    why: str
    source: str


@dataclass(frozen=True, slots=True)
class Harm:
    """A fault that damages something else, which is then a primary fault too."""

    by: str  # component or code that causes it
    ecu: str  # control unit that reports it
    why: str
    source: str
    relation: Literal["harmed"] = "harmed"


@dataclass(frozen=True, slots=True)
class _Phrase:
    """Words before and after the control unit they name; without a slot, ``before`` alone."""

    before: Words
    after: Words
    has_slot: bool
    pointer: Pointer


class KnockOn:
    """Rules of ``knock_on.csv``: by code, by range of codes and by text, in that order."""

    def __init__(self, units: ControlUnits) -> None:
        self._units = units
        self._codes: dict[str, Pointer] = {}
        self._ranges: list[tuple[str, str, Pointer]] = []
        self._phrases: list[_Phrase] = []
        self._harms: dict[str, Harm] = {}  # by what is harmed

    @classmethod
    def load(cls, path: Path, units: ControlUnits, components: Container[str]) -> "KnockOn":
        """Read the rules.  ``components``: keys of the lexicon.

        Raises:
            ConfigError: a rule has an unknown kind, relation, control unit or component.

        """
        rules = cls(units)
        for row in read_table(path, ("kind", "pattern", "relation", "ecu", "why", "source")):
            where = f"{path} line {row['_line']}"
            if row["kind"] == "harm" or row["relation"] == "harmed":
                rules._add_harm(row, where, components)
            else:
                rules._add(row, where)
        return rules

    def _add_harm(self, row: Row, where: str, components: Container[str]) -> None:
        by, arrow, harmed = (end.strip() for end in row["pattern"].partition(">"))
        if (row["kind"], row["relation"], arrow) != ("harm", "harmed", ">"):
            raise ConfigError(
                f"{where}: a harm is written harm,<what does it> > <what is harmed>,harmed,..."
            )
        if row["ecu"] not in self._units.labels:
            raise ConfigError(f"{where}: {row['ecu']!r} is no control unit of control_units.toml.")
        for end in (by, harmed):
            if end not in components and not isinstance(normal_code(end), NormalCode):
                raise ConfigError(f"{where}: {end!r} is no component of lexicon.toml and no code.")
        if harmed in self._harms:
            raise ConfigError(f"{where}: what harms {harmed!r} is said twice.")
        self._harms[harmed] = Harm(by, row["ecu"], row["why"], row["source"])

    def harm(self, code: NormalCode, component: str) -> Harm | None:
        """Say what may have harmed the component that a code is about."""
        return self._harms.get(code.base) or self._harms.get(component)

    def _add(self, row: Row, where: str) -> None:
        if row["relation"] not in get_args(Relation):
            raise ConfigError(f"{where}: relation is one of {', '.join(get_args(Relation))}.")
        known = {_SLOT, *self._units.labels, *([""] if row["relation"] == "bus" else [])}
        if row["ecu"] not in known:
            raise ConfigError(f"{where}: {row['ecu']!r} is no control unit of control_units.toml.")
        relation = cast("Relation", row["relation"])
        pointer = Pointer(relation, row["ecu"], row["why"], row["source"])
        if row["kind"] == "code":
            self._codes[row["pattern"]] = pointer
        elif row["kind"] == "range":
            first, _, last = row["pattern"].partition("..")
            self._ranges.append((first, last, pointer))
        elif row["kind"] == "text":
            self._phrases.append(_phrase(row["pattern"], pointer, where))
        else:
            raise ConfigError(f"{where}: kind is code, range or text, not {row['kind']!r}.")

    def pointer(self, code: NormalCode, description: str | None = None) -> Pointer | None:
        """Give what a code, or otherwise its text, says about another unit; None if nothing."""
        found = self._codes.get(code.base)
        if found is None and code.space == "standard":
            found = next((p for a, b, p in self._ranges if a <= code.base <= b), None)
        return found or (self._in_text(description) if description else None)

    def points_at(self, code: NormalCode, description: str | None = None) -> str | None:
        """Name the one control unit a code points at; None if it is about its own unit or many."""
        found = self.pointer(code, description)
        return found.ecu if found and found.relation not in _COMMON_CAUSES else None

    def common_cause(self, code: NormalCode) -> Relation | None:
        """Say whether a code reports a cause of many others: supply or bus."""
        found = self.pointer(code)
        return found.relation if found and found.relation in _COMMON_CAUSES else None

    def _in_text(self, description: str) -> Pointer | None:
        words = words_of(description)
        units = self._units.among(words)
        for phrase in self._phrases:
            if not phrase.has_slot:
                if _find(words, phrase.before, 0) is not None:
                    return phrase.pointer
                continue
            for unit in units:
                if _stands_around(words, phrase, unit.start, unit.end):
                    found = phrase.pointer
                    return Pointer(found.relation, unit.meaning, found.why, found.source)
        return None


def _phrase(pattern: str, pointer: Pointer, where: str) -> _Phrase:
    before, slot, after = pattern.partition(_SLOT)
    if bool(slot) != (pointer.ecu == _SLOT):
        raise ConfigError(f"{where}: a text with {_SLOT} needs {_SLOT} as its unit, and no other.")
    phrase = _Phrase(words_of(before), words_of(after), bool(slot), pointer)
    if not phrase.before and not phrase.after:
        raise ConfigError(f"{where}: the text {pattern!r} has no word beside the unit.")
    return phrase


def _find(words: Words, wanted: Words, start: int) -> int | None:
    """Where ``wanted`` begins at or after ``start``; None if nowhere."""
    for at in range(start, len(words) - len(wanted) + 1):
        if words[at : at + len(wanted)] == wanted:
            return at
    return None


def _stands_around(words: Words, phrase: _Phrase, start: int, end: int) -> bool:
    """Whether the phrase's words are close before and after words[start:end]."""
    if phrase.before:
        first = max(0, start - len(phrase.before) - _NEAR)
        if _find(words[:start], phrase.before, first) is None:
            return False
    if phrase.after:
        last = min(len(words), end + len(phrase.after) + _NEAR)
        if _find(words[:last], phrase.after, end) is None:
            return False
    return True


def load_cures(path: Path, components: Container[str]) -> Cures:
    """Read the pairs.  ``components``: keys of the lexicon.

    Raises:
        ConfigError: the table is missing or wrong, or names an unknown component.

    """
    pairs: list[tuple[str, str]] = []
    for row in read_table(path, ("work", "fault", "why", "source")):
        where = f"{path} line {row['_line']}"
        pair = row["work"], row["fault"]
        for name in pair:
            if name not in components:
                raise ConfigError(f"{where}: {name!r} is no component of lexicon.toml.")
        if pair[0] == pair[1]:
            raise ConfigError(f"{where}: work on {pair[0]!r} is for its own codes anyway.")
        if pair in pairs:
            raise ConfigError(f"{where}: {pair[0]!r} and {pair[1]!r} stand here twice.")
        if not row["why"] or not row["source"]:
            raise ConfigError(
                f"{where}: it needs why and source; without a source: common practice, no source."
            )
        pairs.append(pair)
    return tuple(pairs)
