"""What a work order's text says was done: which component, where, and how.

A text is cut into sentences and phrases.  A phrase names a component; the action stands in it or
beside it.  What is only recommended, refused or looked for is no work, and what nothing of this
finds is given back as not recognised, for a person to read.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import lru_cache
from pathlib import Path
from typing import Final

from afterclear.catalogue.lexicon import Component, Lexicon, Places, spelled
from afterclear.catalogue.order_text.speech import (
    ACTIONS,
    OTHER,
    WIRING,
    Found,
    Speech,
    load_speeches,
)
from afterclear.catalogue.order_text.vocabulary import SENTENCE, Word, plain_words, words_in

_COUNTS_AFTER: Final = {"x", "szt", "stk", "stück", "pcs", "uds", "pz"}  # "4 szt." counts no place
# a plug: of sparks, or of the wiring a text spoke of before
_PERHAPS_WIRING: Final = "?"
_LONGEST: Final = 1000  # letters that are read
_REACH: Final = 4  # words between a hose and what it belongs to
_DIGITS: Final = 2  # of a number that counts parts
_TRIED: Final = 2  # languages
_MOST: Final = {"cylinder": 24, "bank": 4}


class Unread(StrEnum):
    """Why nothing was read from a text."""

    NO_COMPONENT = "no_component"  # nothing known is named
    NO_ACTION = "no_action"  # a component, but not what was done
    NOT_DONE = "not_done"  # recommended, refused, or no fault found
    PART_OF = "part_of"  # a part of a known component, such as its hose


@dataclass(frozen=True, slots=True)
class Work:
    """One piece of work."""

    component: str  # key of the lexicon, or ``wiring``
    position: str  # front_right; empty: none told
    action: str  # one of ``ACTIONS``; empty: none told
    of: str = ""  # the component whose wiring it is

    @property
    def aimed_at(self) -> str:
        """The component whose fault the work is for."""
        return self.of or self.component


@dataclass(frozen=True, slots=True)
class WorkText:
    """What a text says."""

    works: tuple[Work, ...]  # with their actions
    why: Unread | None  # None where something was read
    idle: tuple[Work, ...] = ()  # named, and nothing says what was done with them
    named: tuple[str, ...] = ()  # components it names all the same, by their keys


@dataclass(slots=True)
class _Phrase:
    words: list[Word]
    sentence: int
    joined: bool  # by "and", not by a comma
    parts: list[tuple[str, str]]  # component, of
    places: Places
    torn: set[str]
    actions: set[str]
    said: set[str]
    first_part: int = 0
    last_place: int = -1


class WorkReader:
    """Reads texts of work orders in the languages of ``config/work_words*.toml``."""

    def __init__(self, config_dir: Path, lexicon: Lexicon) -> None:
        self._components: Mapping[str, Component] = lexicon.components
        self._speeches: tuple[Speech, ...] = load_speeches(config_dir, lexicon.components)
        self.read = lru_cache(maxsize=50_000)(self._read)

    def _read(self, text: str) -> WorkText:
        """Say what was done; the language is the one that tells most words."""
        readings = [
            (known + reading.weight, reading.result)
            for known, speech in self._likely(text)
            for reading in [_Reading(speech, self._components, text)]
        ]
        return max(readings, key=lambda t: t[0])[1]

    def _likely(self, text: str) -> list[tuple[int, Speech]]:
        """Give the languages whose own words a text has most of, with how many."""
        words = plain_words(text[:_LONGEST])
        counted = [(sum(s.is_own(word) for word in words), s) for s in self._speeches]
        return sorted(counted, key=lambda c: -c[0])[:_TRIED]


class _Reading:
    """One text in one language."""

    def __init__(self, speech: Speech, components: Mapping[str, Component], text: str) -> None:
        self._speech = speech
        self._components = components
        self._part_of = False
        self.weight = 0.0
        phrases = self._phrases(words_in(text, speech.vocabulary))
        self.result = self._told(phrases)

    # --- phrases ------------------------------------------------------------------------

    def _phrases(self, words: list[Word]) -> list[_Phrase]:
        runs: list[tuple[list[Word], int, bool]] = [([], 0, False)]
        sentence, joined = 0, False
        for word in words:
            is_join = word.text in self._speech.joins
            sentence += word.breaks == SENTENCE
            if word.breaks or is_join or joined:
                if runs[-1][0]:
                    runs.append(([], sentence, joined or is_join))
                else:
                    runs[-1] = ([], sentence, runs[-1][2] or joined or is_join)
            joined = is_join
            if is_join:
                self.weight += 0.5
            else:
                runs[-1][0].append(word)
        return [
            self._phrase(words, number, joined=by_and) for words, number, by_and in runs if words
        ]

    def _phrase(self, words: list[Word], sentence: int, *, joined: bool) -> _Phrase:
        speech = self._speech
        places, torn, spots = self._places(words)
        idle = {at for at, word in enumerate(words) if word.text in speech.fillers}
        said = speech.said.in_order(words)
        found = speech.components.scattered(words, spots | idle)
        beside = speech.beside.in_order(words)
        actions = speech.actions.in_order(words)
        because = min((f.start for f in said if f.meaning == "untouched"), default=len(words))
        found = [f for f in found if f.start < because]
        beside = [b for b in beside if not self._is_pipe(b, words, idle | spots)]
        named = [f for f in found if f.meaning != OTHER]
        taken = {at for f in (*named, *beside, *actions) for at in f.places} | spots | idle
        kept = self._whole(found, words, taken, idle | spots)
        parts = _with_wiring(kept, beside)
        self.weight += sum(len(f.places) for f in (*kept, *actions)) + 0.5 * len(spots | idle)
        phrase = _Phrase(words, sentence, joined, parts, places, torn,
                         {f.meaning for f in actions}, {f.meaning for f in said})  # fmt: skip
        phrase.first_part = min((f.start for f in kept), default=0)
        phrase.last_place = max(spots, default=-1)
        return phrase

    def _is_pipe(self, one: Found, words: list[Word], passed: set[int]) -> bool:
        """Tell an oil line from a wire: one word for both in some languages."""
        around = _around(one, len(words), passed)
        return any(words[at].stems & self._speech.flowing for at in around)

    def _whole(
        self, found: list[Found], words: list[Word], taken: set[int], passed: set[int]
    ) -> list[Found]:
        """Leave out what only says of which component another part is.

        The filter in "filter pressure sensor" is no part that was worked on, and neither is the
        turbo in "turbo hose".
        """
        kept = []
        for one in found:
            neighbours = [o for o in found if o is not one and _touch(one, o, passed)]
            if any(
                len(o.places) > len(one.places) and WIRING not in (o.meaning, one.meaning)
                for o in neighbours
            ):
                continue
            if one.meaning == OTHER or (len(found) > 1 and self._is_where(one, words, passed)):
                continue
            if self._has_head(one, words, taken, passed):
                self._part_of = True
                continue
            kept.append(one)
        return kept

    def _is_where(self, one: Found, words: list[Word], passed: set[int]) -> bool:
        """Tell whether a name only says where another thing is: "behind the catalyst"."""
        at = one.start - 1
        while at >= 0 and words[at].text not in self._speech.beyond and at in passed:
            at -= 1
        return at >= 0 and words[at].text in self._speech.beyond

    def _has_head(self, one: Found, words: list[Word], taken: set[int], passed: set[int]) -> bool:
        """Tell whether a name says whose hose, seal or bracket was worked on.

        It stands beside the name, or before it with words nobody knows between ("tubo de engrase
        del turbo").
        """
        near = set(_around(one, len(words), passed))
        at = one.start - 1
        while at >= 0 and (at not in taken or at in passed) and one.start - at <= _REACH:
            near.add(at)
            at -= 1
        return any(words[at].stems & self._speech.heads for at in near - taken)

    def _places(self, words: list[Word]) -> tuple[Places, set[str], set[int]]:
        by_axis: dict[str, set[str]] = {}
        spots: set[int] = set()
        for run in self._speech.positions.in_order(words):
            spots.update(run.places)
            for part in run.meaning.split():
                axis, _, value = part.partition("=")
                by_axis.setdefault(axis, set()).add(value)
        for run in self._speech.before.in_order(words):
            for at in (run.end, run.start - 1):
                if _counts(words, at, _MOST[run.meaning]):
                    spots.update({*run.places, at})
                    by_axis.setdefault(run.meaning, set()).add(words[at].text.lstrip("0"))
                    break
        places = {axis: next(iter(values)) for axis, values in by_axis.items() if len(values) == 1}
        return places, {axis for axis, values in by_axis.items() if len(values) > 1}, spots

    # --- works --------------------------------------------------------------------------

    def _told(self, phrases: list[_Phrase]) -> WorkText:
        works: list[Work] = []
        silent: list[str] = []
        undone = False
        for sentence in sorted({p.sentence for p in phrases}):
            own = [p for p in phrases if p.sentence == sentence]
            if any("not_done" in p.said for p in own):
                undone |= True
                silent += [key for p in own for key, _ in p.parts]
                continue
            for at, phrase in enumerate(own):
                if any("advised" in p.said for p in own[: at + 1]) or (
                    not phrase.actions and any("advised" in p.said for p in own[at:])
                ):
                    undone |= bool(phrase.parts)
                    silent += [key for key, _ in phrase.parts]
                    continue
                places, torn = _places_of(own, at)
                action = _action_of(own, at) or _action_after(phrases, sentence)
                for key, of in phrase.parts:
                    self._take(works, key, of, places, torn, action)
        done = tuple(dict.fromkeys(w for w in works if w.action))
        silent += [w.component for w in works if not w.action]
        idle = tuple(dict.fromkeys(w for w in works if not w.action))
        named = tuple(dict.fromkeys(silent))
        why = None if done else self._why(silent, undone=undone)
        return WorkText(done, why, idle, named)

    def _take(
        self, works: list[Work], key: str, of: str, places: Places, torn: set[str], action: str
    ) -> None:
        last = works[-1] if works else None
        if of == _PERHAPS_WIRING:
            key, of = (WIRING, "") if last and last.component == WIRING else (key, "")
        if key == WIRING and not of:
            if last is None:
                works.append(Work(WIRING, "", action))
                return
            # "wire to the sensor broken, repaired the loom": one piece of work
            if last.component == WIRING or not last.action or last.action == "inspect":
                works[-1] = replace(
                    last, component=WIRING, of=last.aimed_at, action=action or last.action
                )
            return
        component = self._components[of or key]
        # a place nobody told is not guessed here: such work is of every place of its component
        has_place = not places.keys().isdisjoint(component.axes)
        position = spelled(component, places, torn)[0] if has_place else ""
        works.append(Work(key, position, action, of))

    def _why(self, silent: list[str], *, undone: bool) -> Unread:
        if undone:
            return Unread.NOT_DONE
        if silent:
            return Unread.NO_ACTION
        return Unread.PART_OF if self._part_of else Unread.NO_COMPONENT


def _with_wiring(found: list[Found], beside: list[Found]) -> list[tuple[str, str]]:
    """Components of a phrase, each with the component whose wiring it is."""
    lone = [f for f in found if f.meaning != WIRING]
    cables = [b for b in beside if not any(
        len(f.places) > 1 and set(b.places) & set(f.places) for f in lone
    )]  # fmt: skip
    others = [f for f in lone if not any(set(f.places) & set(b.places) for b in cables)]
    if others and (cables or len(lone) < len(found)):
        return [(WIRING, f.meaning) for f in others]
    if len(lone) < len(found):
        return [(WIRING, "")]
    return [(f.meaning, "" if f in others else _PERHAPS_WIRING) for f in lone]


def _touch(one: Found, other: Found, passed: set[int]) -> bool:
    low, high = sorted((one, other), key=lambda f: f.start)
    return all(at in passed for at in range(low.end, high.start))


def _around(one: Found, n_words: int, passed: set[int]) -> list[int]:
    """Places of the next word before and after a name, over words that count nothing."""
    before, after = one.start - 1, one.end
    while before in passed:
        before -= 1
    while after in passed:
        after += 1
    inside = [at for at in range(one.start, one.end) if at not in one.places]
    return [at for at in (before, after, *inside) if 0 <= at < n_words]


def _counts(words: list[Word], at: int, most: int) -> bool:
    if not 0 <= at < len(words) or not words[at].text.isdecimal() or len(words[at].text) > _DIGITS:
        return False
    around = {words[i].text for i in (at - 1, at + 1) if 0 <= i < len(words)}
    return 0 < int(words[at].text) <= most and not around & _COUNTS_AFTER


def _places_of(phrases: list[_Phrase], at: int) -> tuple[Places, set[str]]:
    """Places told of a phrase's components: its own, or those of a phrase beside it.

    "Pads and discs front": the place after the second thing is of both, as is one before the
    first.  A phrase of places alone is of the components before it, or else after it.
    """
    own = phrases[at]
    after = phrases[at + 1] if at + 1 < len(phrases) else None
    if own.places or own.torn:
        more = after.places if after and not after.parts else {}
        return {**more, **own.places}, own.torn
    before = phrases[at - 1] if at else None
    if after and (after.places or after.torn):
        shared = after.joined and after.last_place > after.first_part and bool(after.parts)
        if not after.parts or shared:
            return after.places, after.torn
    if before and (before.places or before.torn):
        shared = own.joined and -1 < before.last_place < before.first_part
        if not before.parts or shared:
            return before.places, before.torn
    return {}, set()


def _action_of(phrases: list[_Phrase], at: int) -> str:
    """Say what was done with a phrase's components, told in it or beside it.

    Of several the strongest counts: a part that was checked and cleaned was cleaned.
    """
    actions = set(phrases[at].actions)
    for phrase in phrases[at + 1 :]:
        if phrase.parts and phrase.parts != [(WIRING, "")]:
            break
        actions |= phrase.actions
    if not actions:
        actions = next((p.actions for p in reversed(phrases[:at]) if p.actions), set())
    if not actions:
        actions = next((p.actions for p in phrases[at + 1 :] if p.actions), set())
    return next((action for action in ACTIONS if action in actions), "")


def _action_after(phrases: list[_Phrase], sentence: int) -> str:
    """Take what the next sentence says was done, if it names nothing of its own."""
    after = [p for p in phrases if p.sentence == sentence + 1]
    if any(p.parts or p.said for p in after):
        return ""
    actions = {action for p in after for action in p.actions}
    return next((action for action in ACTIONS if action in actions), "")
