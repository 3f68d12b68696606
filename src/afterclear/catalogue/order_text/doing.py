"""What a clause of a work order says was done, and what "not" stands before."""

from dataclasses import replace
from itertools import pairwise
from typing import Final

from afterclear.catalogue.order_text.naming import FILLING
from afterclear.catalogue.order_text.splitting import AIM
from afterclear.catalogue.order_text.spots import MOST, counts
from afterclear.catalogue.order_text.told import Act, Clause
from afterclear.catalogue.order_words.meanings import OTHER, SYMPTOM, WIRING
from afterclear.catalogue.order_words.phrases import Found
from afterclear.catalogue.order_words.speech import Speech
from afterclear.catalogue.order_words.vocabulary import ASKED, Word

_GRAMS: Final = {"g", "gr", "gramm", "grams"}
_GRAMS_FROM: Final = 3  # figures: a charge is of some hundred grams
_LITRES: Final = {"l", "ltr", "ltrs", "liter", "litre", "litres", "litro", "litros", "lt", "litry"}
_VAGUE_REACH: Final = 2  # words from "done" to what was
_NEGATES: Final = 2  # words between "not" and what was not done


class Doing:
    """The words for work in one clause; ``join``: the word before it, ``idle``: of no content."""

    def __init__(
        self, speech: Speech, words: list[Word], join: str, spots: set[int], idle: set[int]
    ) -> None:
        self._speech, self._words, self._join = speech, words, join
        self._spots, self._passed = spots, spots | idle

    def named(self) -> list[Found]:
        """Find the work that the tables name; not words that only look like it: "code", "time"."""
        nouns, words = self._speech.nouns, self._words
        return [
            a for a in self._speech.actions.in_order(words) if words[a.end - 1].text not in nouns
        ]

    def stemmed(self, used: set[int]) -> list[Found]:
        """Find the work that is known by a verb's stem, among words not used otherwise."""
        return [
            Found((at,), action)
            for at, word in enumerate(self._words)
            if at not in used
            and (word.stems.isdisjoint(self._speech.heads) or self._speech.is_participle(word))
            and (action := self._speech.action_of(word))
        ]

    def is_in_name(self, act: Found, found: list[Found]) -> bool:
        """Whether a word for work is only part of a name: not so in "DPF regeneration"."""
        for one in found:
            if one.meaning == WIRING and act.places == one.places:
                return True  # one word for a loom and for fitting
            if len(one.places) > 1 and set(act.places) <= set(one.places):
                rest = [self._words[at] for at in one.places if at not in act.places]
                if not rest:
                    return False  # a name that is work and part: "forced regen"
                same = self._speech.components.scattered(rest, set())
                is_noun = act.meaning == "replace" and self._is_weak(act)  # "service plug"
                return (act.start > 0 or is_noun) and all(f.meaning != one.meaning for f in same)
        return False

    def without_acts(self, found: list[Found], acts: list[Found]) -> list[Found]:
        """Leave participles out of names made with their nouns: "headlamps levelled"."""
        words, speech = self._words, self._speech
        places = {at for a in acts if not self._is_weak(a) for at in a.places}
        done = {at for at in places if not speech.is_of_names(words[at].text)}
        if all(done.isdisjoint(f.places) for f in found if f.meaning not in (OTHER, SYMPTOM)):
            return found
        bare = [replace(w, stems=frozenset()) if at in done else w for at, w in enumerate(words)]
        again = speech.components.scattered(bare, self._passed)
        covered = {at for f in again for at in f.places}
        lost = [f for f in found if not set(f.places) - done <= covered or set(f.places) <= done]
        return found if lost else again

    def is_swap(self) -> bool:
        """Whether parts only changed places: "coil 2 swapped with cyl 4"."""
        words, speech = self._words, self._speech
        if not any(speech.begins("swaps", word) for word in words):
            return False
        for at, word in enumerate(words):
            if word.text in speech.between and at not in self._spots:
                after = at + 1
                while after < len(words) and words[after].text in speech.fillers:
                    after += 1
                if after in self._spots or self._is_bare_number(after):
                    return True
        return False

    def _is_bare_number(self, at: int) -> bool:
        """Whether a number stands for a place: "swapped with 4", not "with 4 new ones"."""
        words = self._words
        is_last = at + 1 >= len(words) or self._speech.begins("swaps", words[at + 1])
        return is_last and counts(words, at, MOST["cylinder"])

    def is_volume(self) -> bool:
        """Whether some litres are told: so much was filled in."""
        pairs = pairwise(self._words)
        return any(one.text.isdecimal() and after.text in _LITRES for one, after in pairs)

    def is_gas(self) -> bool:
        """Whether something was filled by weight: refrigerant."""
        words = self._words
        return any(
            one.text.isdecimal() and len(one.text) >= _GRAMS_FROM and after.text in _GRAMS
            for one, after in pairwise(words)
        )

    def _is_weak(self, found: Found) -> bool:
        return all(self._speech.is_weak(self._words[at].text) for at in found.places)

    def work(self, found: list[Found]) -> list[Act]:
        """Order the work, without words that only say what was fitted, or "done"."""
        acts = sorted((self._act(f) for f in found), key=lambda a: a.start)
        fitted = any(a.action == "replace" and not a.weak and not a.light for a in acts)
        acts = [a for a in acts if not a.light or all(other.light for other in acts)]
        kept = []
        for act in acts:
            word = self._words[act.start]
            is_remade = act.action == "repair" and self._speech.begins("remade", word)
            beside = any(0 < abs(a.start - act.start) <= _VAGUE_REACH for a in acts)
            is_vague = beside and word.text in self._speech.vague  # "regen done"
            again = {a.action for a in acts if a.start == act.start + 1} - {act.action}
            is_anew = again and word.text in self._speech.attributes and self._speech.anew
            if not (fitted and is_remade) and not is_vague and not is_anew:
                kept.append(act)
        return kept

    def _act(self, found: Found) -> Act:
        weak = self._is_weak(found)
        finding = all(self._speech.begins("findings", self._words[at]) for at in found.places)
        fills = any(self._words[at].text.startswith(FILLING) for at in found.places)
        is_fill = fills and found.meaning == "replace"
        is_fit = all(self._speech.begins("fits", self._words[at]) for at in found.places)
        begun = self._speech.begins
        light = all(begun("light", self._words[i]) for i in found.places)
        reset = any(begun("resets", self._words[i]) for i in found.places)
        aligns = all(begun("aligns", self._words[i]) for i in found.places)
        return Act(found.start, found.meaning, weak, is_fill, is_fit, finding, light, reset, aligns)

    def is_anothers(self, found: Found, taken: set[int]) -> bool:
        """Whether "new" belongs to an unknown word: "spliced in new section"."""
        speech, at = self._speech, found.end
        if not all(self._words[i].text in speech.attributes for i in found.places):
            return False
        while at in self._passed:
            at += 1
        after = self._words[at + 1 : at + 2]
        if after and after[0].stems and not speech.tells(after[0]):
            return False  # "new Bremo bellows": a brand
        return (
            at < len(self._words)
            and at not in taken
            and speech.is_strange(self._words[at])
            and self._words[at].text not in speech.pronouns
            and not self._words[at].stems
        )

    def _is_purpose(self, act: Act) -> bool:
        """Whether work is what something else was done for: "to reset the radio"."""
        if self._join == AIM:
            return False  # what a part was taken off for was done
        if act.start - 1 in self._spots:
            return False  # "pastillas tras. nuevas"
        before = self._words[act.start - 1].text if act.start else self._join
        is_tool = act.action == "inspect" and before in self._speech.tools
        return act.weak and (is_tool or before in self._speech.purposes)

    def deny_said(self, clause: Clause, signals: list[Found]) -> None:
        """Take the work in words such as "not replaced"; the part it was not done on is kept."""
        negated = {
            at
            for f in signals
            if len(f.places) > 1 and self._words[f.start].text in self._speech.negators
            for at in f.places
        }
        others = set(range(len(self._words))) - negated
        found = [f for f in self.named() if negated.issuperset(f.places)]
        clause.denied += [self._act(f) for f in found or self.stemmed(others)]
        clause.kept |= any(a.action == "replace" for a in clause.denied)

    def deny(self, clause: Clause, found: list[Found]) -> None:
        """Take out what "not" stands before; ``found``: the names of the clause."""
        words, negators = self._words, self._speech.negators
        if self._join == AIM and clause.acts:
            clause.said.pop("advised", None)  # "um den Sensor zu ersetzen"
        clause.acts = [a for a in clause.acts if not self._is_purpose(a)]
        named = {at for f in found if len(f.places) > 1 for at in f.places}
        denied = [
            act
            for act in clause.acts
            if any(
                words[i].text in negators
                and i not in named  # "moteur pas à pas"
                and not words[i + 1].text.isdecimal()
                for i in range(max(0, act.start - _NEGATES), act.start)
            )
            or (act.weak and any(w.text in negators for w in words[act.start + 1 : act.start + 2]))
        ]
        clause.denied = denied
        if denied:
            clause.acts = [a for a in clause.acts if a not in denied]
            clause.is_state |= (is_flat := all(a.fills for a in denied))  # "does not charge"
            if not is_flat:
                clause.said.setdefault("not_done", denied[0].start)
        first = words[1 if len(words) > 1 and words[0].text in self._speech.pointers else 0]
        if first.text in self._speech.contrasts and clause.parts:
            clause.said.setdefault("denied", 0)
        if words[-1].text == ASKED:
            clause.said["not_done"] = 0
        if words[0].text in self._speech.conditions:
            clause.said["condition"] = 0
