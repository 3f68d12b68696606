"""What people and tools call a component and a place on the vehicle.

Text in any of the languages of ``config/lexicon*.toml`` is cut into folded words; the longest known
name wins. The tables hold what a name means, this file how names are found.
"""

import re
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from afterclear.catalogue.config_tables import read_by_language
from afterclear.catalogue.folded_words import Names, Run, Words, longest, words_of

Places = dict[str, str]  # axis -> value: {"end": "front", "side": "left"}

_SECTIONS = {"components", "positions", "numbered", "letters", "units"}

# axes whose value is spelled with the axis before it: bank_1, cylinder_3
_SPELLED_WITH_AXIS = {"bank", "sensor", "cylinder", "gear", "stage", "number"}
# axes that a bare number or letter after the component's name may count along
_COUNTED = {"sensor", "cylinder", "gear", "stage", "number", "letter"}

_PART = re.compile(r"(?:bank|sensor|cylinder|gear|stage|number|axle)_[^_]+|[^_]+")

# the highest number that still counts parts of a vehicle; own judgement, separates 12 V from no. 12
_MOST = {"bank": 4, "sensor": 12, "cylinder": 24, "gear": 18, "number": 400, "letter": 8}

_LETTER_OF = {str(number): letter for number, letter in enumerate("abcdefgh", 1)}
_NUMBER_OF = {letter: number for number, letter in _LETTER_OF.items()}


@dataclass(frozen=True, slots=True)
class Component:
    """A kind of part that codes and work orders name."""

    key: str  # wheel_speed_sensor
    label: str  # wheel speed sensor
    subsystem: str  # brakes
    axes: tuple[str, ...] = ()  # which places distinguish two such parts of one vehicle
    usual: Mapping[str, str] = field(default_factory=dict)  # axis -> value if none is given
    unspelled: Mapping[str, str] = field(default_factory=dict)  # axis -> value left out
    per_ecu: bool = False  # its place is the control unit it belongs to


@dataclass(frozen=True, slots=True)
class Mention:
    """What a text is about."""

    component: Component
    position: str  # front_right, bank_1_sensor_2; empty: none given
    certain: bool  # False: the place is a guess, one of two, or depends on market or maker
    placed: bool  # the text itself names a place that matters for this component


class Lexicon:
    """Names of components and places, from all ``lexicon*.toml``."""

    def __init__(self) -> None:
        self.components: dict[str, Component] = {}
        self._names = Names()
        self._placed_names = Names()  # names that count only beside a place
        self._places = Names()  # meaning: "end=front side=left"
        self._numbered = Names()  # meaning: axis
        self._not_after_a: frozenset[str] = frozenset()
        self._units: frozenset[str] = frozenset()  # of measurement: "5 V" counts nothing

    @classmethod
    def load(cls, config_dir: Path) -> "Lexicon":
        """Read ``lexicon.toml`` and then the other languages.

        Raises:
            ConfigError: a file is missing or wrong, or one name has two meanings; all at once.

        """
        lexicon = cls()
        read_by_language(config_dir, "lexicon", lexicon._add)
        return lexicon

    def _add(self, settings: Mapping[str, Any]) -> Iterator[str]:
        """Add one file; return the problems found."""
        yield from (
            f"a lexicon has no section [{name}]" for name in sorted(settings.keys() - _SECTIONS)
        )
        for key, entry in settings.get("components", {}).items():
            yield from self._add_component(key, entry)
        for spec, names in settings.get("positions", {}).items():
            yield from self._places.add_all(names, spec)
        for axis, names in settings.get("numbered", {}).items():
            yield from self._numbered.add_all(names, axis)
        for name in settings.get("letters", {}).get("not_before", ()):
            self._not_after_a |= frozenset(words_of(name))
        for name in settings.get("units", {}).get("names", ()):
            self._units |= frozenset(words_of(name))

    def _add_component(self, key: str, entry: Mapping[str, Any]) -> Iterator[str]:
        if "label" in entry:
            self.components[key] = Component(
                key=key,
                label=entry["label"],
                subsystem=entry["subsystem"],
                axes=tuple(entry.get("axes", ())),
                usual=entry.get("usual", {}),
                unspelled=entry.get("unspelled", {}),
                per_ecu=entry.get("per_ecu", False),
            )
            yield from self._names.add_all((entry["label"],), key)
        elif key not in self.components:
            yield f"the component {key} is not in lexicon.toml"
        yield from self._names.add_all(entry.get("names", ()), key)
        yield from self._placed_names.add_all(entry.get("names_with_position", ()), key)

    def mention(self, text: str) -> Mention | None:
        """Name the component, and its place, that a text is about; None if it names no known one.

        The longest name wins, first in the text as written, then with the words for places taken
        out ("wheel front right speed sensor"), then with its words anywhere ("sensor, speed,
        wheel").
        """
        words = words_of(text)
        places, torn, spans = self._places_in(words)
        bare = tuple(word for at, word in enumerate(words) if at not in spans)
        for seen in (words, bare):
            if run := self._component_in(seen, places):
                component = self.components[run.meaning]
                certain = self._count_after(component, seen, run, places, torn)
                return _mention(component, places, torn, certain=certain)
        if key := self._names.scattered(words):
            return _mention(self.components[key], places, torn, certain=True)
        return None

    def position(self, component: Component, text: str) -> tuple[str, bool]:
        """Spell the place a text names, as far as it distinguishes such parts; and if it is clear.

        A bare number or letter is the place on the one axis that takes it.
        """
        return spelled(component, *self._told_of(component, text))

    def axes_told(self, component: Component, text: str) -> Places:
        """Give the places a text names along the component's axes: axis -> value."""
        places, _ = self._told_of(component, text)
        return {axis: places[axis] for axis in component.axes if axis in places}

    def _told_of(self, component: Component, text: str) -> tuple[Places, set[str]]:
        words = words_of(text)
        places, torn, _ = self._places_in(words)
        if len(words) == 1 and not places.keys() & set(component.axes):
            self._count_after(component, words, Run(0, 0, component.key), places, torn)
        return places, torn

    def _component_in(self, words: Words, places: Places) -> Run | None:
        best = longest(self._names.runs(words))
        placed = longest(self._placed_names.runs(words))
        if placed is None or not places.keys() & set(self.components[placed.meaning].axes):
            return best
        return placed if best is None or placed.length > best.length else best

    def _count_after(
        self, component: Component, words: Words, run: Run, places: Places, torn: set[str]
    ) -> bool:
        """Read "ignition coil 3" or "drive motor A" into places.  False: makers may differ.

        Letters of cylinders follow the firing order with some makers, the cylinder with others.
        """
        axes = [axis for axis in component.axes if axis in _COUNTED]
        if len(axes) != 1 or axes[0] in places.keys() | torn:
            return True
        number = self._number(words, run.end, axes[0])
        if number:
            places[axes[0]] = _LETTER_OF[number] if axes[0] == "letter" else number
        return not number or axes[0] != "cylinder" or words[run.end].isdecimal()

    def _number(self, words: Words, at: int, axis: str) -> str:
        """Read the number or lone letter at a place, A as 1; empty if there is none."""
        at += at < len(words) and words[at] in {"no", "nr", "num"}
        value = words[at] if at < len(words) else ""
        after = words[at + 1] if at + 1 < len(words) else ""
        if value.isdecimal() and value.isascii():
            fits = len(value) <= len(str(_MOST[axis])) and 0 < int(value) <= _MOST[axis]
            return value if fits and after not in self._units else ""
        return "" if value == "a" and after in self._not_after_a else _NUMBER_OF.get(value, "")

    def _places_in(self, words: Words) -> tuple[Places, set[str], set[int]]:
        """Places named among words, axes with two values, and which words named them."""
        by_axis: dict[str, set[str]] = defaultdict(set)
        spans: set[int] = set()
        for run in self._places.runs(words):
            if not spans.isdisjoint(range(run.start, run.end)):
                continue
            spans.update(range(run.start, run.end))
            for part in run.meaning.split():
                axis, _, value = part.partition("=")
                by_axis[axis].add(value)
        for run in self._numbered.runs(words):
            value = self._number(words, run.end, run.meaning)
            if value:
                spans.update(range(run.start, run.end + 1))
                by_axis[run.meaning].add(_LETTER_OF[value] if run.meaning == "letter" else value)
                if run.meaning in {"sensor", "number"} and value in _LETTER_OF:
                    by_axis["letter"].add(_LETTER_OF[value])  # sensor A of a part told by letters
        places = {axis: next(iter(values)) for axis, values in by_axis.items() if len(values) == 1}
        return places, {axis for axis, values in by_axis.items() if len(values) > 1}, spans


def parts_of(position: str) -> set[str]:
    """Take a spelled position apart: bank_1_sensor_2 is {bank_1, sensor_2}."""
    return set(_PART.findall(position))


def _mention(component: Component, places: Places, torn: set[str], *, certain: bool) -> Mention:
    place, clear = spelled(component, places, torn)
    return Mention(component, place, certain and clear, bool(places.keys() & set(component.axes)))


def spelled(component: Component, places: Places, torn: set[str]) -> tuple[str, bool]:
    """Spell places along the component's axes (front_right, bank_1_sensor_2); and if it is clear.

    A missing place is taken to be the usual one if that completes the place.  It is not clear if it
    was taken so, if the text names two, or if it depends on the market: the driver sits left or
    right, so "driver side" names no side of an axle.
    """
    untold = [axis for axis in component.axes if axis not in places]
    filled = bool(untold) and all(axis in component.usual for axis in untold)
    whole = {**component.usual, **places} if filled else places
    parts = []
    for axis in component.axes:
        if axis in whole and component.unspelled.get(axis) != whole[axis]:
            parts += [axis] if axis in _SPELLED_WITH_AXIS else []
            parts.append(whole[axis])
    by_market = "seat" in places and "seat" not in component.axes and "side" in untold
    return "_".join(parts), torn.isdisjoint(component.axes) and not by_market and not filled
