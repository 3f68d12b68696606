"""The work described in a work order's text: which component, where, and how.

A text is cut into clauses.  A clause names a component; the work is in it or beside it. Work that
is only recommended, refused, ordered or looked into is not work done, and a text in which none is
found is returned as not recognised, for a person to read.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import lru_cache
from pathlib import Path
from typing import Final

from afterclear.catalogue.lexicon import Component, Lexicon, spelled
from afterclear.catalogue.order_text.binding import bound_acts
from afterclear.catalogue.order_text.clauses import clauses_of
from afterclear.catalogue.order_text.referring import IN_A_ROW
from afterclear.catalogue.order_text.serving import with_consumables
from afterclear.catalogue.order_text.spots import torn_apart
from afterclear.catalogue.order_text.told import Bound, Clause
from afterclear.catalogue.order_words.consumables import load_consumables
from afterclear.catalogue.order_words.cutting import words_in
from afterclear.catalogue.order_words.letters import plain_words
from afterclear.catalogue.order_words.speech import LANGUAGES, Speech
from afterclear.catalogue.order_words.speeches import load_speeches

_LONGEST: Final = 1000  # letters that are read
_WORDS_KEPT: Final = 50_000
_TRIED: Final = 2  # languages
# wiring of nothing named
_NOWHERE_ELSE: Final = Component("wiring", "wiring", "electrical", ("end", "side"))
_CLEAR: Final = 3  # times as many words of its own: no other language is tried


class Unread(StrEnum):
    """Why nothing was read from a text."""

    NO_COMPONENT = "no_component"  # nothing known is named
    NO_ACTION = "no_action"  # a component, but not what was done
    NOT_DONE = "not_done"  # recommended, refused, or no fault found
    PART_OF = "part_of"  # a part of a known component, such as its hose
    SERVICE = "service"  # fluids, filters, blades, alignment: nothing a code is about


@dataclass(frozen=True, slots=True)
class Work:
    """One piece of work."""

    component: str  # key of the lexicon, or ``wiring``
    position: str  # front_right; empty: none given
    action: str  # one of ``ACTIONS``; empty: none given
    of: str = ""  # the component whose wiring it is

    @property
    def aimed_at(self) -> str:
        """The component whose fault the work is for."""
        return self.of or self.component


@dataclass(frozen=True, slots=True)
class WorkText:
    """What a text says."""

    works: tuple[Work, ...]  # with their actions
    why: Unread | None  # None if something was read
    idle: tuple[Work, ...] = ()  # named, without any work on them
    named: tuple[str, ...] = ()  # components it names nevertheless, by their keys
    used: tuple[Work, ...] = ()  # work on consumables, by their keys


class WorkReader:
    """Reads texts of work orders in the languages of ``config/work_words*.toml``."""

    def __init__(self, config_dir: Path, lexicon: Lexicon) -> None:
        self._components: Mapping[str, Component] = lexicon.components
        self.consumables = load_consumables(config_dir, lexicon.components, LANGUAGES)
        self._speeches: tuple[Speech, ...] = load_speeches(
            config_dir, lexicon.components, self.consumables
        )
        self._owners: dict[str, tuple[int, ...]] = {}  # languages of a word met, by place
        self.read = lru_cache(maxsize=50_000)(self._read)

    def _read(self, text: str) -> WorkText:
        """Say what was done; the language is the one that knows most words."""
        readings = []
        for known, speech in self._likely(text):
            clauses = list(clauses_of(words_in(text, speech.vocabulary), speech))
            weight = known + sum(c.weight for c in clauses)
            readings.append((weight, clauses))
        return self._text(max(readings, key=lambda t: t[0])[1])

    def _likely(self, text: str) -> list[tuple[int, Speech]]:
        """Give the languages whose own words a text has most of, with how many.

        A word that only one language has says more: "getauscht" beside "HV" and "Batterie".
        """
        words = [w for w in plain_words(text[:_LONGEST]) if w.isalpha() and len(w) > 1]
        counted = [0] * len(self._speeches)
        for word in words:
            if (own := self._owners.get(word)) is None:
                own = tuple(at for at, speech in enumerate(self._speeches) if speech.is_own(word))
                if len(self._owners) < _WORDS_KEPT:
                    self._owners[word] = own
            for at in own:
                counted[at] += 1 + (len(own) == 1)
        best = sorted(zip(counted, self._speeches, strict=True), key=lambda c: -c[0])[:_TRIED]
        return [one for one in best if one[0] * _CLEAR >= best[0][0]]

    def _text(self, clauses: list[Clause]) -> WorkText:
        both = with_consumables(clauses)
        works = [work for one in bound_acts(clauses) for work in self._works(one)]
        used = self._used(both)
        done = tuple(dict.fromkeys(w for w in works if w.action))
        acted = {w.component for w in done}
        idle = tuple(dict.fromkeys(w for w in works if not w.action and w.component not in acted))
        void = [part.key for c in clauses if c.void for part in c.parts]
        named = tuple(dict.fromkeys([*void, *(w.component for w in idle)]))
        why = None if done else _why(clauses, named)
        if used and why in (Unread.NO_COMPONENT, Unread.PART_OF):
            kinds = {self.why_used(w.component) for w in used}
            why = Unread.SERVICE if Unread.SERVICE in kinds else Unread.PART_OF
        return WorkText(done, why, idle, named, used)

    def why_used(self, key: str) -> Unread:
        """Say why work on a consumable is for no component's faults."""
        return Unread.SERVICE if self.consumables[key].is_service else Unread.PART_OF

    def _used(self, clauses: list[Clause]) -> tuple[Work, ...]:
        """Give what was done with consumables."""
        bound = bound_acts(clauses) if clauses else []
        found = []
        for work in (w for one in bound if one.part.kind for w in self._works(one)):
            consumable = self.consumables[work.component]
            if action := consumable.action(work.action) if work.action else "":
                is_own = bool(consumable.of) and action == "replace"
                found.append(replace(work, action=action, of=consumable.of if is_own else ""))
        return tuple(dict.fromkeys(found))

    def _works(self, one: Bound) -> list[Work]:
        part = one.part
        component = self._components.get(part.of or part.key, _NOWHERE_ELSE)
        if part.kind:
            component = self.consumables[part.key].component
        counted = [_as_counted(told, component.axes) for told in one.places]
        if part.of and not any(told.keys() & set(component.axes) for told in counted):
            component = _NOWHERE_ELSE  # a loom's place, where what it is of has none
        positions = []
        for told in counted or ({},):
            for places in torn_apart(told, component.axes):
                # a missing place is not guessed here: such work counts for every place
                has_place = not places.keys().isdisjoint(component.axes)
                positions.append(spelled(component, places, set())[0] if has_place else "")
        return [
            Work(part.key, position, action, part.of)
            for position in dict.fromkeys(positions)
            for action in one.actions or ("",)
        ]


def _as_counted(by_axis: dict[str, set[str]], axes: tuple[str, ...]) -> dict[str, set[str]]:
    """Take a bank for a sensor's number where such parts are counted, one a bank: knock sensors.

    Source: SAE J2012, P0325 "Knock Sensor 1 (Bank 1 or Single Sensor)", P0330 "2 (Bank 2)".
    """
    if "cylinder" in by_axis and "cylinder" not in axes and "sensor" in axes:
        by_axis = {"sensor": by_axis["cylinder"], **by_axis}  # "EGT sensor no. 3"
    if "end" in by_axis and "end" not in axes and "sensor" in axes and "sensor" not in by_axis:
        ends = {IN_A_ROW[end] for end in by_axis["end"] if end in IN_A_ROW}
        by_axis = {**({"sensor": ends} if ends else {}), **by_axis}
    is_one_a_bank = "bank" in by_axis and "bank" not in axes and "sensor" in axes
    return {"sensor": by_axis["bank"], **by_axis} if is_one_a_bank else by_axis


def _why(clauses: list[Clause], named: tuple[str, ...]) -> Unread:
    if any(c.void and c.parts for c in clauses) or (
        not named and any("not_done" in c.said or "advised" in c.said for c in clauses)
    ):
        return Unread.NOT_DONE
    if named:
        return Unread.NO_ACTION
    return Unread.PART_OF if any(c.part_of for c in clauses) else Unread.NO_COMPONENT
