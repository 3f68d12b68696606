"""What people and tools call a component, a place on the vehicle, a control unit.

Text in any of the languages of ``config/lexicon*.toml`` is cut into folded words; the longest
known name wins.  What a name means stands in the tables, how names are looked for stands here.
"""

import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from afterclear.errors import ConfigError
from afterclear.normalise.tables import read_settings

Words = tuple[str, ...]
Places = dict[str, str]  # axis -> value: {"end": "front", "side": "left"}

# axes whose value is spelled with the axis before it: bank_1, cylinder_3
_SPELLED_WITH_AXIS = {"bank", "sensor", "cylinder", "gear", "stage", "number"}

_LETTER_OF = {str(n): letter for n, letter in enumerate("abcdefgh", 1)}
_NUMBER_OF = {letter: number for number, letter in _LETTER_OF.items()}

_LETTERS = str.maketrans({"ł": "l", "ø": "o", "ß": "ss", "æ": "a", "œ": "o", "đ": "d"})
_ELISION = re.compile(r"\b(?:l|d|qu)['\u2019](?=\w)")
_WORD = re.compile(r"[^\W\d_]+|\d+")
# words that carry no meaning for a name, in the languages of the lexicon
_FILLER = frozenset(
    (
        "the",
        "of",
        "for",
        "de",
        "du",
        "des",
        "la",
        "le",
        "les",
        "del",
        "el",
        "los",
        "las",
        "der",
        "die",
        "das",
        "den",
        "dem",
        "im",
        "am",
        "vom",
        "zum",
        "fur",
        "w",
        "z",
        "do",
        "na",
    )
)


def words_of(text: str) -> Words:
    """Cut a text into folded words: no case, accents, plural s or filler; digits apart.

    >>> words_of("ABS-Sensor, vorne (B1S2)")
    ('abs', 'sensor', 'vorn', 'b', '1', 's', '2')
    """
    plain = unicodedata.normalize("NFKC", text).casefold().translate(_LETTERS)
    plain = unicodedata.normalize("NFD", _ELISION.sub("", plain))
    plain = "".join(char for char in plain if not unicodedata.combining(char))
    return tuple(_folded(word) for word in _WORD.findall(plain) if word not in _FILLER)


def _folded(word: str) -> str:
    """One spelling for ae/a, oe/o, ue/u, leading zeros, and for English and French plurals."""
    if word.isdecimal():
        return word.lstrip("0") or "0"
    for written, folded in (("ae", "a"), ("oe", "o"), ("ue", "u")):
        word = word.replace(written, folded)
    if len(word) > 4 and word.endswith(("s", "e")) and not word.endswith("ss"):  # noqa: PLR2004
        word = word[:-1]
    return word


@dataclass(frozen=True, slots=True)
class Component:
    """A kind of part that codes and work orders speak about."""

    key: str  # wheel_speed_sensor
    label: str  # wheel speed sensor
    subsystem: str  # brakes
    axes: tuple[str, ...] = ()  # which places tell two such parts of one vehicle apart
    per_ecu: bool = False  # its place is the control unit it belongs to


@dataclass(frozen=True, slots=True)
class Mention:
    """What a text speaks about."""

    component: Component
    position: str  # front_right, bank_1_sensor_2; empty: none told
    certain: bool  # False: the text names two places, or one that depends on the market


@dataclass(slots=True)
class _Index:
    """Names by their words, and words by the names that hold them."""

    names: dict[Words, str] = field(default_factory=dict)
    longest: int = 1
    holding: dict[str, set[Words]] = field(default_factory=lambda: defaultdict(set))

    def add(self, name: str, meaning: str) -> str | None:
        """Remember a name; say what is wrong with it, None if nothing."""
        words = words_of(name)
        if not words:
            return f"the name {name!r} of {meaning} has no word in it"
        known = self.names.setdefault(words, meaning)
        if known != meaning:
            return f"{name!r} is a name of both {known} and {meaning}"
        self.longest = max(self.longest, len(words))
        for word in words:
            self.holding[word].add(words)
        return None

    def runs(self, words: Words) -> list[tuple[int, int, str]]:
        """Names found word after word as (start, length, meaning), longest first at each start."""
        found, start = [], 0
        while start < len(words):
            for length in range(min(self.longest, len(words) - start), 0, -1):
                meaning = self.names.get(words[start : start + length])
                if meaning is not None:
                    found.append((start, length, meaning))
                    break
            start += 1
        return found

    def scattered(self, words: Words) -> tuple[int, str] | None:
        """Longest name of two or more words all of which stand somewhere, if just one is."""
        present = set(words)
        candidates = {name for word in present for name in self.holding.get(word, ())}
        fitting = [name for name in candidates if len(name) > 1 and present.issuperset(name)]
        most = max(map(len, fitting), default=0)
        meanings = {self.names[name] for name in fitting if len(name) == most}
        return (most, meanings.pop()) if len(meanings) == 1 else None


class Lexicon:
    """Names of components, places and control units, from all ``lexicon*.toml``."""

    def __init__(self) -> None:
        self.components: dict[str, Component] = {}
        self.ecu_labels: dict[str, str] = {}
        self._names = _Index()
        self._placed_names = _Index()  # names that count only beside a place
        self._places = _Index()  # meaning: "end=front side=left"
        self._numbered = _Index()  # meaning: axis
        self._ecus = _Index()
        self._letter_before: frozenset[str] = frozenset()
        self._problems: list[str] = []

    @classmethod
    def load(cls, config_dir: Path) -> "Lexicon":
        """Read ``lexicon.toml`` and then the other languages.

        Raises:
            ConfigError: a file is missing or wrong, or one name has two meanings; all at once.

        """
        lexicon = cls()
        first = config_dir / "lexicon.toml"
        for path in (first, *sorted(config_dir.glob("lexicon_*.toml"))):
            before = len(lexicon._problems)
            lexicon._add(read_settings(path))
            lexicon._problems[before:] = [
                f"{path.name}: {problem}" for problem in lexicon._problems[before:]
            ]
        if lexicon._problems:
            raise ConfigError("The lexicon is wrong:\n  " + "\n  ".join(lexicon._problems))
        return lexicon

    def _add(self, settings: Mapping[str, Any]) -> None:
        for key, entry in settings.get("components", {}).items():
            self._add_component(key, entry)
        for spec, names in settings.get("positions", {}).items():
            self._add_names(self._places, names, spec)
        for axis, names in settings.get("numbered", {}).items():
            self._add_names(self._numbered, names, axis)
        followers = settings.get("letters", {}).get("before", ())
        self._letter_before |= {word for name in followers for word in words_of(name)}
        for key, entry in settings.get("ecus", {}).items():
            if "label" in entry:
                self.ecu_labels[key] = entry["label"]
                self._add_names(self._ecus, (key, entry["label"]), key)
            elif key not in self.ecu_labels:
                self._problems.append(f"the control unit {key} is not in lexicon.toml")
            self._add_names(self._ecus, entry.get("names", ()), key)

    def _add_component(self, key: str, entry: Mapping[str, Any]) -> None:
        if "label" in entry:
            self.components[key] = Component(
                key=key,
                label=entry["label"],
                subsystem=entry["subsystem"],
                axes=tuple(entry.get("axes", ())),
                per_ecu=entry.get("per_ecu", False),
            )
            self._add_names(self._names, (key, entry["label"]), key)
        elif key not in self.components:
            self._problems.append(f"the component {key} is not in lexicon.toml")
        self._add_names(self._names, entry.get("names", ()), key)
        self._add_names(self._placed_names, entry.get("names_with_position", ()), key)

    def _add_names(self, index: _Index, names: Iterable[str], meaning: str) -> None:
        self._problems += filter(None, (index.add(name, meaning) for name in names))

    def mention(self, text: str) -> Mention | None:
        """Say which component, and where, a text speaks about; None if it names no known one."""
        words = words_of(text)
        places, torn, spans = self._places_in(words)
        bare = tuple(word for at, word in enumerate(words) if at not in spans)
        best = _longest(self._names.runs(words)) or _longest(self._names.runs(bare))
        component = self.components[best[1]] if best else None
        placed = _longest(self._placed_names.runs(words)) or _longest(self._placed_names.runs(bare))
        if placed and places and (best is None or placed[0] > best[0]):
            candidate = self.components[placed[1]]
            component = candidate if set(candidate.axes) & places.keys() else component
        if component is None and (scattered := self._names.scattered(words)):
            component = self.components[scattered[1]]
        if component is None:
            return None
        return Mention(component, spelled(component, places), _clear(component, places, torn))

    def position(self, component: Component, text: str) -> tuple[str, bool]:
        """Spell the place a text names, as far as it tells such parts apart; and if it is clear.

        A bare number or letter is the place on the one axis that takes it.
        """
        words = words_of(text)
        places, torn, _ = self._places_in(words)
        numbered = [axis for axis in component.axes if axis in _SPELLED_WITH_AXIS]
        if not places and len(words) == 1:
            number = _NUMBER_OF.get(words[0], words[0])
            if "letter" in component.axes and number in _LETTER_OF:
                places = {"letter": _LETTER_OF[number]}
            elif number.isdecimal() and len(numbered) == 1:
                places = {numbered[0]: number}
        return spelled(component, places), _clear(component, places, torn)

    def ecu(self, text: str) -> str | None:
        """Name the control unit a text speaks about; None if it names no known one."""
        best = _longest(self._ecus.runs(words_of(text)))
        return best[1] if best else None

    def ecus_in(self, words: Words) -> list[tuple[int, int, str]]:
        """Control units named among words, as (start, length, name)."""
        return self._ecus.runs(words)

    def _number(self, words: Words, at: int) -> str:
        """Read the number or lone letter at a place, A as 1; empty if none stands there."""
        at += at < len(words) and words[at] in {"no", "nr", "num"}
        value = words[at] if at < len(words) else ""
        if value.isdecimal():
            return value
        after = words[at + 1] if at + 1 < len(words) else None
        alone = after is None or after.isdecimal() or after in self._letter_before
        return _NUMBER_OF.get(value, "") if alone else ""

    def _places_in(self, words: Words) -> tuple[Places, set[str], set[int]]:
        """Places named among words, axes with two values, and which words named them."""
        told: dict[str, set[str]] = defaultdict(set)
        spans: set[int] = set()
        for start, length, spec in self._places.runs(words):
            if not spans.isdisjoint(range(start, start + length)):
                continue
            spans.update(range(start, start + length))
            for part in spec.split():
                axis, _, value = part.partition("=")
                told[axis].add(value)
        for start, length, axis in self._numbered.runs(words):
            after = start + length
            value = self._number(words, after)
            if value:
                spans.update(range(start, after + 1))
                told[axis].add(_LETTER_OF.get(value, value) if axis == "letter" else value)
                if axis in {"sensor", "number"} and value in _LETTER_OF:
                    told["letter"].add(_LETTER_OF[value])  # sensor A of a part told by letters
        places = {axis: next(iter(values)) for axis, values in told.items() if len(values) == 1}
        return places, {axis for axis, values in told.items() if len(values) > 1}, spans


def _clear(component: Component, places: Places, torn: set[str]) -> bool:
    """Whether the place told is one place whatever the market.

    The driver sits left or right by market, so "driver side" names no side of an axle.
    """
    by_market = "seat" in places and "seat" not in component.axes and "side" in component.axes
    return torn.isdisjoint(component.axes) and not (by_market and "side" not in places)


def _longest(found: Iterable[tuple[int, int, str]]) -> tuple[int, str] | None:
    """Length and meaning of the longest name found; the earliest of several."""
    best = max(found, key=lambda run: (run[1], -run[0]), default=None)
    return (best[1], best[2]) if best else None


def spelled(component: Component, places: Places) -> str:
    """Spell places along the component's axes: front_right, bank_1_sensor_2."""
    parts = []
    for axis in component.axes:
        if axis in places:
            parts += [axis] if axis in _SPELLED_WITH_AXIS else []
            parts.append(places[axis])
    return "_".join(parts)
