"""Which of the components a clause names are meant, and which only say where another part is.

The filter in "filter pressure sensor" is no part that was worked on, and neither is the turbo in
"turbo hose" or the catalyst in "behind the catalyst".
"""

from dataclasses import replace
from typing import Final

from afterclear.catalogue.order_text.placing import kin_of
from afterclear.catalogue.order_text.told import Part
from afterclear.catalogue.order_words.meanings import AS_WORK, LAMPS, OTHER, SYMPTOM, WIRING
from afterclear.catalogue.order_words.phrases import Found
from afterclear.catalogue.order_words.speech import Speech
from afterclear.catalogue.order_words.vocabulary import Word

_OIL: Final = "engine_oil"
_AXLE_OIL: Final = "axle_oil"
_OILED: Final = {"differential", "transfer_case", "axle_coupling"}
_REACH: Final = 4  # words between a hose and what it belongs to
_EARTHED_TO: Final = {"transmission"}  # only where the strap ends
INSIDE: Final = {"in", "im", "w", "we", "dans", "en"}  # a loom in a thing is not of it
_SOCKETS: Final = {"charge_port", "trailer_module", "hv_interlock"}
_UNIT: Final = "control_unit"  # "gearbox ECU" is no gearbox

# beginnings of words for filling
FILLING: Final = (
    "recharg",
    "recarg",
    "charg",
    "carga",
    "nabi",
    "befüll",
    "refill",
    "gefüll",
    "eingefüll",
    "topp",
    "nachgefüll",
    "aufgefüll",
    "ergänz",
    "complét",
    "rellen",
    "dolan",
    "dolew",
    "uzupeł",
    "zalan",
    "llen",
    "fill",
    "rempli",
    "appoint",
    "añad",
    "completad",
)


def without_others(found: list[Found], beside: list[Found]) -> tuple[list[Found], list[Found]]:
    """Leave out what is only a word in the name of no component: the "hose" that is no wire."""
    others = [set(f.places) for f in found if f.meaning == OTHER and len(f.places) > 1]
    cables = [b for b in beside if not any(set(b.places) <= other for other in others)]
    return [f for f in found if not any(set(f.places) < other for other in others)], cables


def without_flows(words: list[Word], speech: Speech) -> list[Word]:
    """Take "return" for what was measured, where how much is told: "return of injector 3 high"."""
    flows = [w for w in words if w.text in speech.flows]
    is_told = bool(flows) and any(
        speech.is_state(w) or speech.action_of(w) == "inspect" or speech.begins("good", w)
        for w in words
        if w not in flows
    )
    acted = {i for a in speech.actions.in_order(words) if a.meaning == "inspect" for i in a.places}
    if not flows or not (is_told or acted):
        return words
    return [replace(w, stems=frozenset()) if w in flows else w for w in words]


def is_used(one: Found, words: list[Word], speech: Speech) -> bool:
    """Whether a name means a consumable; a lone word must be one of its own names."""
    if speech.served(one.meaning) is None:
        return False
    return len(one.places) > 1 or speech.says(words[one.start], one.meaning)


def plain(found: list[Found], words: list[Word], speech: Speech) -> list[Found]:
    """Take consumables for what they are to components: another thing."""
    return [
        replace(f, meaning=OTHER) if speech.served(f.meaning) else f
        for f in found
        if speech.served(f.meaning) is None or is_used(f, words, speech)
    ]


class Naming:
    """The names found in one clause."""

    def __init__(self, speech: Speech, words: list[Word], passed: set[int]) -> None:
        self._speech = speech
        self._words = words
        self._passed = passed  # places and words without meaning
        self.part_of = False  # a known component's hose, seal, bracket
        self.acted = self.taught = False
        self.cables: list[Found] = []
        self.named: list[Found] = []  # all that the clause names
        self.owners: list[Found] = []  # of what ``part_of`` says
        self.spots: list[Found] = []  # where another part is

    def is_pipe(self, one: Found) -> bool:
        """Separate an oil line from a wire: one word for both in some languages."""
        return any(self._words[at].stems & self._speech.flowing for at in self._around(one))

    def whole(self, found: list[Found], taken: set[int]) -> list[Found]:
        """Leave out components that only say where another part is, or what it belongs to.

        The filter in "filter pressure sensor" is no part that was worked on, and neither is the
        turbo in "turbo hose".
        """
        kept = []
        for one in found:
            if any(
                len(o.places) > len(one.places)
                and WIRING not in (o.meaning, one.meaning)
                and o is not one
                and self._touch(one, o)
                for o in found
            ):
                continue
            if one.meaning in (OTHER, SYMPTOM):
                self.part_of |= one.meaning == OTHER and self._names_more(one)
                continue
            is_loom = one.meaning == WIRING  # a tow bar's wiring is wiring
            if not is_loom and any(o.meaning == OTHER and self._is_owned(one, o) for o in found):
                self.part_of = True
                continue
            if len(found) > 1 and self._is_where(one):
                self.part_of = True
                self.spots.append(one)
                continue
            if any(o.meaning == _UNIT != one.meaning and self._touch(one, o) for o in found):
                continue
            if self._has_head(one, taken):
                self.part_of = True
                self.owners.append(one)
                continue
            kept.append(one)
        return kept

    def _is_owned(self, one: Found, other: Found) -> bool:
        """Whether a part outside the lexicon is a component's: not so in "sensor in sump"."""
        between = self._words[one.end : other.start]
        speech = self._speech
        is_place = any(w.text in speech.beyond | speech.toward for w in between)
        return self._touch(one, other) and not is_place

    def _is_coded_to(self, one: Found) -> bool:
        """Whether a control unit is only the one that another part was registered with."""
        at = one.start - 1
        while at > 0 and at in self._passed and self._words[at].text not in self._speech.toward:
            at -= 1
        is_toward = at >= 0 and self._words[at].text in self._speech.toward
        return one.meaning == _UNIT and is_toward and self.taught

    def _names_more(self, other: Found) -> bool:
        """Whether one word of a part outside the lexicon names a component: "turbo oil line"."""
        alone = [self._speech.components.scattered([self._words[at]], set()) for at in other.places]
        known = [f[0].meaning for f in alone if f]
        return any(meaning and self._speech.served(meaning) is None for meaning in known)

    def _is_where(self, one: Found) -> bool:
        """Whether a name only says where another part is: "behind the catalyst"."""
        at = one.start - 1
        speech = self._speech
        while at >= 0 and self._words[at].text not in speech.beyond and at in self._passed:
            at -= 1
        if (
            at > 0
            and speech.begins("rubs", self._words[at - 1])
            and self._words[at].text in speech.toward
        ):
            return True
        if at < 0 or self._words[at].text not in speech.beyond:
            return False
        is_apart = self._words[at].text in speech.apart  # "behind", not "on" or "of"
        return is_apart or not any(self._touch(one, c) for c in self.cables)

    def _has_head(self, one: Found, taken: set[int]) -> bool:
        """Whether a name says whose hose, seal or bracket was worked on.

        The word is next to the name, or before it with unknown words between ("tubo de engrase del
        turbo"). An unknown word in the position of the language's head counts as one.
        """
        if one.meaning == WIRING:
            return False
        words, heads = self._words, self._speech.heads
        if one.meaning in LAMPS:
            heads = heads - self._speech.bulbs  # a bulb is what is renewed of a lamp
        near = {at for at in self._around(one) if not self._is_of(one, at)}
        at = one.start - 1
        while at >= 0 and (at not in taken or at in self._passed) and one.start - at <= _REACH:
            near.add(at)
            at -= 1
        at = one.end
        while self._speech.head_order == "after" and at < len(words) and at - one.end <= 1:
            if at in taken:
                break
            near.add(at)
            at += 1
        near = {
            at
            for at in near - taken
            if not (self._is_cause(at) or self._speech.is_participle(words[at]))
        }
        if any(words[at].stems & heads and not words[at].guessed for at in near):
            return True
        return self.acted and any(
            at not in taken and self._speech.is_strange(words[at]) for at in self._head_spots(one)
        )

    def _is_cause(self, at: int) -> bool:
        """Whether what flows says what a thing suffers from: "plug oil fouled"."""
        after = self._words[at + 1 : at + 2]
        flows = not self._speech.flowing.isdisjoint(self._words[at].stems)
        return flows and bool(after) and self._speech.is_state(after[0])

    def _is_of(self, one: Found, at: int) -> bool:
        """Whether a word after a name says what the thing is of: "level sensor of the tank"."""
        between = self._words[one.end : at]
        speech = self._speech
        is_of = speech.head_order == "of" and any(w.text in speech.genitives for w in between)
        return is_of or any(w.text in INSIDE for w in between)

    def _head_spots(self, one: Found) -> list[int]:
        """Positions of the word that names the part meant, by the language's order."""
        words, order = self._words, self._speech.head_order
        spots = []
        if order == "after" and one.end < len(words):
            spots.append(one.end)
        at = one.start - 1
        if order == "before":
            spots.append(at)
        elif at >= 0 and words[at].text in self._speech.genitives:
            while at >= 0 and words[at].text in self._speech.genitives:
                at -= 1
            spots.append(at)
        return [at for at in spots if 0 <= at < len(words)]

    def _around(self, one: Found) -> list[int]:
        """Positions of the next word before and after a name, past words without meaning."""
        before, after = one.start - 1, one.end
        while before in self._passed:
            before -= 1
        while after in self._passed or self._is_number(after):
            after += 1
        inside = [at for at in range(one.start, one.end) if at not in one.places]
        return [at for at in (before, after, *inside) if 0 <= at < len(self._words)]

    def _is_number(self, at: int) -> bool:
        return at < len(self._words) and self._words[at].text.isdecimal()

    def _touch(self, one: Found, other: Found) -> bool:
        low, high = sorted((one, other), key=lambda f: f.start)
        return all(at in self._passed for at in range(low.end, high.start))

    def consumables(self, found: list[Found], taken: set[int]) -> list[Part]:
        """Fluids, filters and hoses that are named themselves, not by a part of theirs."""
        near = taken.union(*(f.places for f in found))
        longest = [
            f
            for f in found
            if not any(len(o.places) > len(f.places) and self._touch(f, o) for o in found)
        ]
        owned = [self._of_owner(f) for f in longest]
        return [
            self._consumable(f)
            for f in owned
            if not (self._has_head(f, near) or self._is_of_other(f))
        ]

    def _of_owner(self, one: Found) -> Found:
        """Take oil beside an axle for that axle's: "rear diff oil"."""
        bare, end = one.meaning.removesuffix(AS_WORK), one.meaning[len(_OIL) :]
        is_owned = bare == _OIL and any(
            o.meaning in _OILED and self._touch(o, one) for o in self.named
        )
        return replace(one, meaning=f"{_AXLE_OIL}{end}") if is_owned else one

    def _is_of_other(self, one: Found) -> bool:
        """Whether a fluid is another thing's: "olej w dyfrze" is no engine oil."""
        words, at = self._words, one.end
        between = self._speech.genitives | INSIDE
        is_oil = one.meaning.removesuffix(AS_WORK) == _OIL
        before = words[one.start - 1] if one.start else None
        is_lone = is_oil and len(one.places) == 1 and self._speech.head_order == "after"
        if is_lone and before and self._names_thing(before):
            return True  # "transfer box oil"
        if not is_oil or at + 1 >= len(words) or words[at].text not in between:
            return False
        after = words[at + 1]
        return bool(after.stems) or (len(after.text) > 1 and not after.text.isdecimal())

    def _names_thing(self, word: Word) -> bool:
        """Whether a word before "oil" says whose: "box oil", not "new oil" or "changed oil"."""
        speech, text = self._speech, word.text
        is_word = text.isalpha() and len(text) > 1 and text not in speech.fillers | speech.pronouns
        is_said = speech.tells(word) or speech.action_of(word) or text in speech.attributes
        return is_word and not (is_said or speech.is_neutral(word))

    def _consumable(self, found: Found) -> Part:
        one = self._speech.served(found.meaning)
        key = one.component.key if one else found.meaning
        # "oil change": the work is named before the oil
        start = found.end - 1 if found.meaning.endswith(AS_WORK) else found.start
        kind = one.kind if one else ""
        return replace(self._part(found, key, ""), kind=kind, start=start)

    def parts(self, found: list[Found], beside: list[Found]) -> list[Part]:
        """Components, each with the component whose wiring it is."""
        lone = [f for f in found if f.meaning != WIRING]
        loom = [f for f in found if f.meaning == WIRING]
        cables = [b for b in beside if not any(
            len(f.places) > 1 and set(b.places) & set(f.places) for f in lone
        )]  # fmt: skip
        others = [f for f in lone if not any(set(f.places) & set(b.places) for b in cables)]
        if any(f.meaning in _SOCKETS for f in others) and not loom:
            cables = []  # their pins are themselves
        if others and (cables or loom):
            near = [f for f in others if any(self._touch(f, c) for c in (*cables, *loom))]
            of = near[:1] or others
            earthed = any(
                not self._speech.earths.isdisjoint(self._words[at].stems)
                for c in (*cables, *loom)
                for at in c.places
            )
            if earthed and of[0].meaning in _EARTHED_TO:
                return [self._part(of[0], WIRING, "")]
            far = not near or self._words[of[0].start - 1].text in INSIDE
            return [replace(self._part(f, WIRING, f.meaning), far=far) for f in of]
        if loom:
            return [self._part(loom[0], WIRING, "")]
        if cables and not lone:
            return [self._part(cables[0], WIRING, "", beside=True)]
        return [self._part(f, f.meaning, "", beside=f not in others) for f in lone]

    def owner_parts(self) -> list[Part]:
        """Components whose own hose, seal or bracket is named."""
        return [self._part(f, f.meaning, "") for f in self.owners if f.meaning != WIRING]

    def cause_parts(self, found: list[Found]) -> list[Part]:
        """Components that only say why, or where another is: they may be named short later."""
        told = [*found, *self.spots]
        return [self._part(f, f.meaning, "") for f in told if self._speech.is_part(f.meaning)]

    def _part(self, found: Found, key: str, of: str, *, beside: bool = False) -> Part:
        stems = frozenset(s for at in found.places for s in self._words[at].stems)
        size = len(found.places)
        family = frozenset(self._speech.family.get(key, ()))
        head = self._head_of(found)
        is_toward = self._is_coded_to(found)
        kin = tuple((other, frozenset(self._speech.family.get(other, ()))) for other in kin_of(key))
        return Part(
            key, of, found.start, stems, beside, size, head, family, kin=kin, toward=is_toward
        )

    def _head_of(self, found: Found) -> frozenset[str]:
        """Give the head word of a name: the plug in "glow plug"."""
        words, places = self._words, sorted(found.places)
        first = [at for at in places if words[at].text == words[places[0]].text]
        ends = {"after": places[-1:], "hyphen": [first[-1], places[-1]]}
        heads = ends.get(self._speech.head_order, places[:1])
        return frozenset(s for at in heads for s in words[at].stems)
