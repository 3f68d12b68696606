"""An order's text cut into clauses: the parts each names, where, the work, and if it was done."""

from collections.abc import Iterator
from typing import Final

from afterclear.catalogue.order_text.phrases import Found
from afterclear.catalogue.order_text.places import MOST, counts
from afterclear.catalogue.order_text.speech import OTHER, SYMPTOM, WIRING, Speech
from afterclear.catalogue.order_text.told import Act, Clause, Part
from afterclear.catalogue.order_text.vocabulary import SENTENCE, Word, is_measure

_REACH: Final = 4  # words between a hose and what it belongs to
_UNIT: Final = "control_unit"  # "gearbox ECU" is no gearbox
_FILLING: Final = ("recharg", "recarg", "charg", "carga")  # in English, French and Spanish
_OF_CYLINDERS: Final = {"ignition_coil", "injector", "glow_plug", "spark_plug"}
_NEGATES: Final = 2  # words between "not" and what was not done


def clauses_of(words: list[Word], speech: Speech) -> Iterator[Clause]:
    """Cut and read."""
    last: Clause | None = None
    for run, sentence, joined in _runs(words, speech):
        clause = _Reader(speech, run).clause(sentence, joined=joined)
        if last and joined and not clause.parts and last.sentence == sentence:
            clause.parts = list(_shared_name(last.words, run, speech))
        if last and run[0].after_colon:
            last.topic = True
        if last is not None:
            yield last
        last = clause
    if last is not None:
        yield last


def _shared_name(before: list[Word], run: list[Word], speech: Speech) -> Iterator[Part]:
    """Find a name that takes its first words from the one before: "glow plugs and relay"."""
    size = len(before)
    passed = {at for at, w in enumerate(before) if not w.stems}
    for one in speech.components.scattered([*before, *run], passed):
        if one.start < size < one.end and one.meaning not in (OTHER, SYMPTOM, WIRING):
            own = [at - size for at in one.places if at >= size]
            stems = frozenset(s for at in own for s in run[at].stems)
            yield Part(one.meaning, "", own[0], stems)


def _runs(words: list[Word], speech: Speech) -> Iterator[tuple[list[Word], int, bool]]:
    run: list[Word] = []
    sentence, joined, is_begun = 0, False, False
    for word in words:
        is_join = word.text in speech.joins
        is_new = bool(word.breaks) or is_join or word.text in speech.conditions
        if is_new and run:
            yield run, sentence, is_begun
            run, joined = [], False
        sentence += word.breaks == SENTENCE
        joined = (joined and word.breaks != SENTENCE) or is_join
        if is_join:
            continue
        if not run:
            is_begun = joined
            joined = False
        run.append(word)
    if run:
        yield run, sentence, is_begun


class _Reader:
    """One clause."""

    def __init__(self, speech: Speech, words: list[Word]) -> None:
        self._speech = speech
        self._words = words
        self._spots: set[int] = set()
        self._by_axis: dict[str, set[str]] = {}
        self._find_places()
        self._idle = {at for at, w in enumerate(words) if w.text in speech.fillers}
        self._passed = self._spots | self._idle
        self._part_of = False
        self._acted = self._taught = False
        self._cables: list[Found] = []

    def clause(self, sentence: int, *, joined: bool) -> Clause:
        """Read it."""
        speech, words = self._speech, self._words
        signals = speech.said.in_order(words)
        used = {at for f in signals for at in f.places}
        acts = [f for f in speech.actions.in_order(words) if used.isdisjoint(f.places)]
        found = speech.components.scattered(words, self._passed)
        beside = [b for b in speech.beside.in_order(words) if not self._is_pipe(b)]
        because = min((f.start for f in signals if f.meaning == "untouched"), default=len(words))
        found = [f for f in found if f.start < because and used.isdisjoint(f.places)]
        beside = [b for b in beside if used.isdisjoint(b.places)]
        acts = [a for a in acts if a.start < because and not self._is_in_name(a, found)]
        named = {at for f in found if f.meaning != OTHER for at in f.places}
        taken = {at for f in (*found, *acts) if f.meaning != OTHER for at in f.places}
        acts += self._stemmed(used | taken)
        taken |= {at for f in (*beside, *acts, *signals) for at in f.places} | self._passed
        states = {
            at
            for at, w in enumerate(words)
            if at not in taken and speech.is_state(w) and w.stems.isdisjoint(speech.heads)
        }
        taken |= states | {
            at
            for at, w in enumerate(words)
            if speech.is_neutral(w) and w.stems.isdisjoint(speech.heads)
        }
        self._acted = bool(acts)
        self._taught = any(a.meaning == "software" for a in acts)
        self._cables = [*beside, *(f for f in found if f.meaning == WIRING)]
        kept = self._whole(found, taken - ({at for a in acts for at in a.places} - named))
        clause = Clause(words, sentence, joined, self._parts(kept, beside), self._by_axis)
        self._number_parts(clause, kept)
        clause.acts = sorted(
            (self._act(f) for f in acts if not self._is_anothers(f, taken)), key=lambda a: a.start
        )
        clause.said = {f.meaning: f.start for f in reversed(signals)}
        clause.is_state = bool(states) or any(f.meaning == SYMPTOM for f in found)
        loose = [at for at in range(len(words)) if self._is_loose(at, taken)]
        clause.loose = len(loose)
        clause.strange = sum(bool(words[at].stems) or speech.is_strange(words[at]) for at in loose)
        clause.named_others = any(f.meaning == OTHER for f in found) or any(
            at not in taken and not w.stems.isdisjoint(speech.sundries)
            for at, w in enumerate(words)
        )
        clause.heads = frozenset(
            s
            for at, w in enumerate(words)
            if at not in taken and not w.guessed and w.stems & speech.heads
            for s in w.stems & speech.heads
        )
        clause.part_of = self._part_of
        clause.first_place = min(self._spots, default=-1)
        clause.last_place = max(self._spots, default=-1)
        self._deny(clause)
        clause.weight = sum(len(f.places) for f in (*kept, *acts)) + 0.5 * len(
            self._passed | states
        )
        return clause

    def _is_loose(self, at: int, taken: set[int]) -> bool:
        """Whether a word is unknown; half a compound is not."""
        word = self._words[at]
        return not (
            at in taken
            or word.text in self._speech.pronouns
            or word.text.isdecimal()
            or is_measure(word.text)
            or any(self._words[i].text == word.text for i in taken & {at - 1, at + 1})
        )

    # --- what was done --------------------------------------------------------------------

    def _stemmed(self, used: set[int]) -> list[Found]:
        return [
            Found((at,), action)
            for at, word in enumerate(self._words)
            if at not in used
            and word.stems.isdisjoint(self._speech.heads)
            and (action := self._speech.action_of(word))
        ]

    def _is_in_name(self, act: Found, found: list[Found]) -> bool:
        """Whether a word for work is only part of a name: not so in "DPF regeneration"."""
        for one in found:
            if len(one.places) > 1 and set(act.places) <= set(one.places):
                rest = [self._words[at] for at in one.places if at not in act.places]
                same = self._speech.components.scattered(rest, set())
                return act.start > 0 and all(f.meaning != one.meaning for f in same)
        return False

    def _act(self, found: Found) -> Act:
        weak = all(self._speech.is_weak(self._words[at].text) for at in found.places)
        fills = any(self._words[at].text.startswith(_FILLING) for at in found.places)
        return Act(found.start, found.meaning, weak, fills and found.meaning == "replace")

    def _is_anothers(self, found: Found, taken: set[int]) -> bool:
        """Whether "new" belongs to an unknown word: "spliced in new section"."""
        speech, at = self._speech, found.end
        if not all(self._words[i].text in speech.attributes for i in found.places):
            return False
        while at in self._passed:
            at += 1
        return (
            at < len(self._words)
            and at not in taken
            and speech.is_strange(self._words[at])
            and self._words[at].text not in speech.pronouns
            and not self._words[at].stems
        )

    def _deny(self, clause: Clause) -> None:
        """Take out what "not" stands before."""
        words, negators = self._words, self._speech.negators
        denied = [
            act
            for act in clause.acts
            if any(
                words[i].text in negators and not words[i + 1].text.isdecimal()
                for i in range(max(0, act.start - _NEGATES), act.start)
            )
        ]
        if denied:
            clause.acts = [a for a in clause.acts if a not in denied]
            clause.said.setdefault("not_done", denied[0].start)
        if words[0].text in self._speech.contrasts and clause.parts:
            clause.said.setdefault("denied", 0)
        if words[0].text in self._speech.conditions:
            clause.said["condition"] = 0

    # --- components -----------------------------------------------------------------------

    def _is_pipe(self, one: Found) -> bool:
        """Separate an oil line from a wire: one word for both in some languages."""
        return any(self._words[at].stems & self._speech.flowing for at in self._around(one))

    def _whole(self, found: list[Found], taken: set[int]) -> list[Found]:
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
                self._part_of |= one.meaning == OTHER and self._names_more(one)
                continue
            if any(o.meaning == OTHER and self._touch(one, o) for o in found):
                self._part_of = True
                continue
            if len(found) > 1 and self._is_where(one):
                self._part_of = True
                continue
            if any(o.meaning == _UNIT != one.meaning and self._touch(one, o) for o in found):
                continue
            if self._has_head(one, taken):
                self._part_of = True
                continue
            kept.append(one)
        return kept

    def _is_coded_to(self, one: Found) -> bool:
        """Whether a control unit is only the one that another part was registered with."""
        at = one.start - 1
        is_toward = at >= 0 and self._words[at].text in self._speech.toward
        return one.meaning == _UNIT and is_toward and self._taught

    def _names_more(self, other: Found) -> bool:
        """Whether one word of a part outside the lexicon names a component: "turbo oil line"."""
        alone = [self._speech.components.scattered([self._words[at]], set()) for at in other.places]
        return any(found and found[0].meaning != OTHER for found in alone)

    def _is_where(self, one: Found) -> bool:
        """Whether a name only says where another part is: "behind the catalyst"."""
        at = one.start - 1
        speech = self._speech
        while at >= 0 and self._words[at].text not in speech.beyond and at in self._passed:
            at -= 1
        if at < 0 or self._words[at].text not in speech.beyond:
            return False
        is_apart = self._words[at].text in speech.apart  # "behind", not "on" or "of"
        return is_apart or not any(self._touch(one, c) for c in self._cables)

    def _has_head(self, one: Found, taken: set[int]) -> bool:
        """Whether a name says whose hose, seal or bracket was worked on.

        The word is next to the name, or before it with unknown words between ("tubo de engrase del
        turbo"). An unknown word in the position of the language's head counts as one.
        """
        if one.meaning == WIRING:
            return False
        words = self._words
        near = set(self._around(one))
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
        if any(
            words[at].stems & self._speech.heads and not words[at].guessed for at in near - taken
        ):
            return True
        return self._acted and any(
            at not in taken and self._speech.is_strange(words[at]) for at in self._head_spots(one)
        )

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

    def _parts(self, found: list[Found], beside: list[Found]) -> list[Part]:
        """Components, each with the component whose wiring it is."""
        lone = [f for f in found if f.meaning != WIRING]
        loom = [f for f in found if f.meaning == WIRING]
        cables = [b for b in beside if not any(
            len(f.places) > 1 and set(b.places) & set(f.places) for f in lone
        )]  # fmt: skip
        others = [f for f in lone if not any(set(f.places) & set(b.places) for b in cables)]
        if others and (cables or loom):
            near = [f for f in others if any(self._touch(f, c) for c in (*cables, *loom))]
            return [self._part(f, WIRING, f.meaning) for f in near[:1] or others]
        if loom:
            return [self._part(loom[0], WIRING, "")]
        if cables and not lone:
            return [self._part(cables[0], WIRING, "", beside=True)]
        return [self._part(f, f.meaning, "", beside=f not in others) for f in lone]

    def _part(self, found: Found, key: str, of: str, *, beside: bool = False) -> Part:
        stems = frozenset(s for at in found.places for s in self._words[at].stems)
        size = len(found.places)
        family = frozenset(self._speech.family.get(key, ()))
        head = self._head_of(found)
        is_toward = self._is_coded_to(found)
        return Part(key, of, found.start, stems, beside, size, head, family, is_toward)

    def _head_of(self, found: Found) -> frozenset[str]:
        """Give the head word of a name: the plug in "glow plug"."""
        words, places = self._words, sorted(found.places)
        first = [at for at in places if words[at].text == words[places[0]].text]
        ends = {"after": places[-1:], "hyphen": [first[-1], places[-1]]}
        heads = ends.get(self._speech.head_order, places[:1])
        return frozenset(s for at in heads for s in words[at].stems)

    def _number_parts(self, clause: Clause, kept: list[Found]) -> None:
        """Read a number after one part of a cylinder as its cylinder: "coil 4"."""
        words = self._words
        for one in kept:
            is_one = one.meaning in _OF_CYLINDERS and not self._speech.is_plural(
                words[one.end - 1].text
            )
            if is_one and one.end not in self._spots and self._is_last_number(one.end):
                clause.places.setdefault("cylinder", set()).add(words[one.end].text.lstrip("0"))
                self._spots.add(one.end)
                clause.last_place = max(clause.last_place, one.end)

    def _is_last_number(self, at: int) -> bool:
        words = self._words
        after = at + 1
        measured = after < len(words) and (
            not words[after].stems and words[after].text not in self._speech.pronouns
        )
        return counts(words, at, MOST["cylinder"]) and not measured

    # --- places -----------------------------------------------------------------------------

    def _find_places(self) -> None:
        words = self._words
        for run in self._speech.positions.in_order(words):
            self._spots.update(run.places)
            for part in run.meaning.split():
                axis, _, value = part.partition("=")
                self._by_axis.setdefault(axis, set()).add(value)
        for run in self._speech.before.in_order(words):
            for at in (run.end, run.start - 1):
                if counts(words, at, MOST[run.meaning]):
                    self._spots.update({*run.places, at})
                    self._by_axis.setdefault(run.meaning, set()).add(words[at].text.lstrip("0"))
                    break
