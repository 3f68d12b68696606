"""Where a clause says that it was: places, numbers of cylinders and sensors, both of a pair."""

from collections.abc import Mapping
from itertools import pairwise
from typing import Final

from afterclear.catalogue.order_text.placing import PAIRED
from afterclear.catalogue.order_text.told import Clause
from afterclear.catalogue.order_words.letters import folded_word
from afterclear.catalogue.order_words.phrases import Found
from afterclear.catalogue.order_words.speech import Speech
from afterclear.catalogue.order_words.vocabulary import Word

# after "4 szt." no place is counted
COUNTS_AFTER: Final = {"x", "szt", "stk", "st", "stück", "pcs", "uds", "ud", "pz", "off"}
_DIGITS: Final = 2  # of a number that counts parts
MOST: Final = {"cylinder": 24, "bank": 4, "sensor": 4, "number": 99}
_PLACES_TOLD: Final = 4  # works one clause may make of one component
_OF_CYLINDERS: Final = {"ignition_coil", "injector", "glow_plug", "spark_plug"}
# number after the name -> the axis it counts along
_NUMBERED: Final = {
    **dict.fromkeys(_OF_CYLINDERS, "cylinder"),
    **dict.fromkeys(
        ("exhaust_temperature_sensor", "nox_sensor", "oxygen_sensor", "knock_sensor"), "sensor"
    ),
    "hv_battery_cell": "number",
}
_ORDINAL_NUMBERS: Final = {"de", "pl"}  # "4. Injektor", "4 wtryskiwacz": a bare number is one
_ORDINAL_ENDS: Final = frozenset(
    ["st", "nd", "rd", "th", "er", "e", "eme", "ème", "ère", "o", "ro", "do", "to", "º", "ª"]
)
_BY_CATALYST: Final = "sensor="
_OWN: Final = " of=sensor"  # the place is told by the sensor's own name: "Monitorsonde"


class Spots:
    """The places told among the words of one clause."""

    def __init__(self, words: list[Word], speech: Speech) -> None:
        self._words, self._speech = words, speech
        self.spots: set[int] = set()  # words of places
        self.long: list[set[int]] = []  # of places told in several words: "pre cat"
        self.beside: set[int] = set()  # words of "before the cat": the cat is no part
        self.by_axis: dict[str, set[str]] = {}
        self._find()

    def number_parts(self, clause: Clause, kept: list[Found]) -> None:
        """Read a number after one part of a cylinder as its cylinder: "coil 4"."""
        words = self._words
        for one in kept:
            axis = _NUMBERED.get(one.meaning, "")
            is_last = self._speech.head_order in {"after", "hyphen"}
            head = words[one.end - 1 if is_last else one.start]
            if not axis or self._speech.is_plural(head.text):
                continue
            if axis not in clause.places and (number := self._ordinal_before(one.start)):
                clause.places[axis] = {number}
            elif axis == "number" and counts(words, one.start + 1, MOST[axis]):
                clause.places[axis] = {words[one.start + 1].text}  # "moduł 4 baterii"
            elif one.end not in self.spots and self._is_last_number(one.end, axis):
                clause.places.setdefault(axis, set()).add(words[one.end].text.lstrip("0"))
                self.spots.add(one.end)
                clause.last_place = max(clause.last_place, one.end)

    def _ordinal_before(self, start: int) -> str:
        """Read "4th injector", "czwarty wtryskiwacz" and "4. Injektor"; empty: none is told."""
        words, at = self._words, start - 1
        while at > 0 and words[at].text in self._speech.fillers - _ORDINAL_ENDS:
            at -= 1
        if at < 0 or at in self.spots:
            return ""
        if at and words[at].text in _ORDINAL_ENDS and words[at - 1].text.isdecimal():
            return words[at - 1].text if len(words[at - 1].text) == 1 else ""
        is_ordinal = self._speech.language in _ORDINAL_NUMBERS and counts(
            words, at, MOST["sensor"] * 2
        )
        return (
            words[at].text
            if is_ordinal
            else self._speech.ordinals.get(folded_word(words[at].text), "")
        )

    def pair_parts(self, clause: Clause, kept: list[Found], passed: set[int]) -> None:
        """Read two of what an axle has two of as both: "2 springs rear"."""
        is_told = "end" in clause.places and "side" not in clause.places
        if (
            is_told
            and len(kept) == 1
            and kept[0].meaning in PAIRED
            and self._is_two(kept[0], passed)
        ):
            clause.places["side"] = {"left", "right"}

    def _is_two(self, one: Found, passed: set[int]) -> bool:
        """Whether a two stands before a name, or beside a word for pieces."""
        words, at = self._words, one.start - 1
        while at > 0 and at in passed:
            at -= 1
        before = words[at].text if at >= 0 else ""
        is_before = before in self._speech.twos or (before in COUNTS_AFTER and at > 0)
        return is_before or any(
            {a.text, b.text} & self._speech.twos and {a.text, b.text} & COUNTS_AFTER
            for a, b in pairwise(words)
        )

    def _is_last_number(self, at: int, axis: str) -> bool:
        words = self._words
        after = at + 1
        measured = after < len(words) and (
            not words[after].stems
            and words[after].text not in self._speech.pronouns
            and not self._speech.tells(words[after])
        )
        return counts(words, at, MOST[axis]) and not measured

    def _find(self) -> None:
        words = self._words
        for run in self._speech.positions.in_order(words):
            self.spots.update(run.places)
            if len(run.places) > 1 and _OWN not in run.meaning:
                self.long.append(set(run.places))
                is_by = _BY_CATALYST in run.meaning and _OWN not in run.meaning
                self.beside.update(run.places if is_by else ())
            for part in run.meaning.removesuffix(_OWN).split():
                axis, _, value = part.partition("=")
                self.by_axis.setdefault(axis, set()).add(value)
        for run in self._speech.before.in_order(words):
            for at in (run.end, run.start - 1):
                if counts(words, at, MOST[run.meaning]):
                    self.spots.update({*run.places, at})
                    self.by_axis.setdefault(run.meaning, set()).add(words[at].text.lstrip("0"))
                    break


def counts(words: list[Word], at: int, most: int) -> bool:
    """Whether a number says which part, and not how many."""
    if not 0 <= at < len(words) or not words[at].text.isdecimal() or len(words[at].text) > _DIGITS:
        return False
    around = {words[i].text for i in (at - 1, at + 1) if 0 <= i < len(words)}
    return 0 < int(words[at].text) <= most and not around & COUNTS_AFTER


def torn_apart(told: Mapping[str, set[str]], axes: tuple[str, ...]) -> list[dict[str, str]]:
    """Give each place in a clause, along a component's axes: "left and right" are two."""
    several: list[dict[str, str]] = [{}]
    for axis, values in told.items():
        if axis in axes or len(values) == 1:
            several = [{**one, axis: value} for one in several for value in sorted(values)]
    return several[:_PLACES_TOLD] if len(several) <= _PLACES_TOLD else [{}]
