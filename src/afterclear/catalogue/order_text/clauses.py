"""An order's text cut into clauses: the parts each names, where, the work, and if it was done."""

from collections.abc import Iterator
from typing import Final

from afterclear.catalogue.order_text.doing import Doing
from afterclear.catalogue.order_text.naming import (
    INSIDE,
    Naming,
    is_used,
    plain,
    without_flows,
    without_others,
)
from afterclear.catalogue.order_text.refitting import SEALED
from afterclear.catalogue.order_text.splitting import WITH, statements
from afterclear.catalogue.order_text.spots import Spots
from afterclear.catalogue.order_text.spreading import (
    lent_name,
    names_in,
    same_head,
    shared_item,
    shared_name,
    shared_use,
    spread_name,
)
from afterclear.catalogue.order_text.told import Act, Clause, Part
from afterclear.catalogue.order_words.letters import is_measure
from afterclear.catalogue.order_words.meanings import AS_WORK, LAMPS, OTHER, SYMPTOM, WIRING
from afterclear.catalogue.order_words.phrases import Found
from afterclear.catalogue.order_words.speech import DRIVES, GIVEN, LIKEWISE, Speech
from afterclear.catalogue.order_words.vocabulary import Word

_GAS: Final = "refrigerant"
_FLUIDS: Final = {"transmission_fluid"}
_OF_CAMSHAFTS: Final = {"camshaft_sensor", "camshaft_timing"}


def clauses_of(words: list[Word], speech: Speech) -> Iterator[Clause]:
    """Cut and read."""
    last: Clause | None = None
    told: list[Clause] = []  # of this sentence
    for run, sentence, join in statements(words, speech):
        joined = bool(join)
        if last and run[0].after_colon:
            last.topic = True
        clause = _Reader(speech, run, join).clause(sentence, joined=joined)
        if last and joined and not clause.parts and last.sentence == sentence:
            clause.parts = list(shared_name(last.words, run, speech)) or list(
                same_head(last, run, speech)
            )
        if last and not joined and _may_go_on(last, clause, sentence):
            _name_by_last(last, clause, speech)
        if last and last.used and last.sentence == sentence:
            _go_on_with_used(last, clause, speech)
        if last and joined and last.sentence == sentence and not last.parts:
            last.parts = list(lent_name(last, clause, speech))
        told = [c for c in told if c.sentence == sentence]
        if told and not clause.parts and not clause.named_others:
            clause.parts = list(spread_name(told, clause, speech))
        _own_union(told, clause, speech)
        told.append(clause)
        if last is not None:
            yield last
        last = clause
    if last is not None:
        yield last


def _own_union(told: list[Clause], clause: Clause, speech: Speech) -> None:
    """Take a union or clamp for that of the line or hose named before: "clamp tightened"."""
    is_sealed = any(p.key in SEALED for c in told for p in (*c.parts, *c.used))
    if is_sealed and not speech.unions.isdisjoint(w.text for w in clause.words):
        clause.heads, clause.named_others, clause.strange = frozenset(), False, 0


def _go_on_with_used(last: Clause, clause: Clause, speech: Speech) -> None:
    """Read a filter beside its oil, and what was named in full before: "fob battery, battery"."""
    bare = [p for p in clause.parts if p.words == 1]
    again = [u for u in last.used for p in bare if p.stems and p.stems <= u.family]
    if again and not last.acts:
        clause.parts, clause.used = [], again
        clause.used_words, clause.only_used = frozenset(p.start for p in bare), True
    if not (clause.parts or clause.used):
        clause.used = list(shared_use(last, clause, speech))
        clause.used_words = frozenset(p.start for p in clause.used)
        clause.only_used = bool(clause.used)


def _may_go_on(last: Clause, clause: Clause, sentence: int) -> bool:
    """Whether a clause names no part in full, and work: "relay renewed"."""
    is_short = not (clause.parts or clause.used) and bool(clause.acts)
    return is_short and bool(clause.heads) and last.sentence == sentence


def _name_by_last(last: Clause, clause: Clause, speech: Speech) -> None:
    """Read a part named short after another: "glow plugs ok, relay renewed".

    A component is read so only where the part before is good, or not meant: what is worn is what a
    bare "pump renewed" is of. Small parts have no codes, and no such doubt.
    """
    looked = all(a.action == "inspect" for a in last.acts)
    is_good = looked and (last.good or bool(last.acts)) and not last.is_state
    if (last.parts and is_good) or "denied" in last.said:
        clause.parts = list(shared_name(last.words, clause.words, speech))
    if not clause.parts and not (last.acts and not looked) and not last.said:
        clause.used = list(shared_item(last.words, clause.words, speech))
        clause.used_words = frozenset(p.start for p in clause.used)
        clause.only_used = bool(clause.used)
        last.is_state |= bool(clause.used)  # "exhaust manifold, gasket renewed"


class _Reader:
    """One clause."""

    def __init__(self, speech: Speech, words: list[Word], join: str) -> None:
        self._speech = speech
        self._join = join  # the word before it: "and", "with"
        self._words = words = without_flows([speech.as_state(w) for w in words], speech)
        self._where = Spots(words, speech)
        self._spots = self._where.spots
        self._idle = {
            at
            for at, w in enumerate(words)
            if w.text in speech.fillers or (not w.stems and w.text in speech.flows)
        }
        self._passed = self._spots | self._idle
        self._naming = Naming(speech, words, self._passed)
        self._doing = Doing(speech, words, join, self._spots, self._idle)

    def clause(self, sentence: int, *, joined: bool) -> Clause:
        """Read it."""
        speech, words = self._speech, self._words
        found = self._names()
        used = [f for f in found if is_used(f, words, speech)]
        found = plain(found, words, speech)
        # the words of one place are no work: *centre* of "AR centre"
        acts = self._without_corners(self._doing.named())
        signals = self._signals(found, acts)
        signs = {at for f in signals for at in f.places}
        acts = [f for f in acts if signs.isdisjoint(f.places)]
        beside = [b for b in speech.beside.in_order(words) if not self._is_no_plug(b)]
        because = min((f.start for f in signals if f.meaning == "untouched"), default=len(words))
        found = self._doing.without_acts(found, acts)
        used += [f for f in found if f not in used and is_used(f, words, speech)]
        found = plain(found, words, speech)
        found = self._without_places(found)
        causes = [f for f in found if f.start >= because and signs.isdisjoint(f.places)]
        found = [f for f in found if f.start < because and signs.isdisjoint(f.places)]
        found, beside = without_others(found, [b for b in beside if signs.isdisjoint(b.places)])
        acts = [a for a in acts if a.start < because and not self._doing.is_in_name(a, found)]
        taught = [set(a.places) for a in acts if a.meaning == "software"]
        found = [f for f in found if not any(set(f.places) < t for t in taught)]
        named = {at for f in found if f.meaning != OTHER for at in f.places}
        taken = {at for f in (*found, *acts) if f.meaning != OTHER for at in f.places}
        acts += [f for f in self._doing.stemmed(signs | taken) if f.start < because]
        taken |= {at for f in (*beside, *acts, *signals) for at in f.places} | self._passed
        states = {
            at
            for at, w in enumerate(words)
            if at not in taken
            and speech.is_state(w)
            and w.stems.isdisjoint(speech.heads)
            and not self._counts_set(at)
        }
        taken |= states | {
            at
            for at, w in enumerate(words)
            if speech.is_neutral(w) and w.stems.isdisjoint(speech.heads)
        }
        self._naming.acted = bool(acts)
        self._naming.taught = any(a.meaning == "software" for a in acts)
        self._naming.cables = [*beside, *(f for f in found if f.meaning == WIRING)]
        self._naming.named = found
        kept = self._naming.whole(found, taken - ({at for a in acts for at in a.places} - named))
        clause = Clause(
            words, sentence, joined, self._naming.parts(kept, beside), self._where.by_axis
        )
        clause.causes = self._naming.cause_parts(causes)
        self._where.number_parts(clause, kept)
        self._where.pair_parts(clause, kept, self._passed)
        clause.acts = self._doing.work([f for f in acts if not self._doing.is_anothers(f, taken)])
        self._judge(clause, states)
        self._say(clause, [f for f in signals if f.meaning != "elsewhere" or f.start < because])
        others = [f for f in found if f.meaning == OTHER]
        clause.others = frozenset(s for f in others for at in f.places for s in words[at].stems)
        clause.is_state = bool(states) or any(f.meaning == SYMPTOM for f in found)
        clause.named_others = bool(others)
        self._count_loose(clause, taken)
        self._hint(clause, taken)
        self._use(clause, [u for u in used if any(f.places == u.places for f in found)], taken)
        self._doing.deny(clause, self._naming.named)
        self._doing.deny_said(clause, [f for f in signals if f.meaning == "not_done"])
        clause.weight = sum(len(f.places) for f in (*kept, *acts)) + 0.5 * len(
            self._passed | states
        )
        return clause

    def _without_corners(self, acts: list[Found]) -> list[Found]:
        """Take "RR" for a corner where other work is told: "RR sensor renewed"."""
        acts = [a for a in acts if not any(a.start in s for s in self._where.long)]
        apart = [a for a in acts if not self._spots.issuperset(a.places)]
        is_told = bool(apart) or any(self._speech.action_of(w) for w in self._words if not w.stems)
        return apart if is_told else acts

    def _is_no_plug(self, one: Found) -> bool:
        """Whether a word for plug or post is a pipe, a place, or only where something leaks."""
        is_place = any(set(one.places) <= spot for spot in self._where.long)
        is_apart = one.start > 0 and self._words[one.start - 1].text in self._speech.apart
        return is_place or is_apart or self._naming.is_pipe(one)

    def _names(self) -> list[Found]:
        speech, words = self._speech, self._words
        return [
            f
            for f in names_in(words, self._passed, self._where.beside, speech)
            if len(f.places) > 1 or speech.is_named(words[f.start], f.meaning)
        ]

    def _say(self, clause: Clause, signals: list[Found]) -> None:
        """Take what was not done, or by others, and that a part stayed."""
        clause.said = {f.meaning: f.start for f in reversed(signals) if f.meaning != DRIVES}
        if (stays := clause.said.pop("kept", -1)) >= 0:
            clause.kept = True
            clause.said.setdefault("not_done", stays)

    def _without_places(self, found: list[Found]) -> list[Found]:
        """Leave out names within a place's.

        "Exhaust" beside a part of a camshaft says which: "exhaust phaser".
        """
        found = [f for f in found if not any(set(f.places) < spot for spot in self._where.long)]
        if not any(f.meaning in _OF_CAMSHAFTS for f in found):
            return found
        return [f for f in found if len(f.places) > 1 or f.start not in self._spots]

    def _signals(self, found: list[Found], acts: list[Found]) -> list[Found]:
        """Words for what was not done, or by others; not those within a longer name or work."""
        long = [{*f.places} for f in found if len(f.places) > 1 and f.meaning != OTHER]
        long += self._where.long  # "after the cat" is no complaint
        long += [{*f.places} for f in acts if len(f.places) > 1]  # "sent for repair"
        return [
            s
            for s in self._speech.said.in_order(self._words)
            if not any({*s.places} < f for f in long)
            and not self._speech.is_past(self._words, s)
            and not self._is_ellipsis(s, found)
        ]

    def _is_ellipsis(self, told: Found, found: list[Found]) -> bool:
        """Whether "el de" is of no named thing: "la de detrás" only says where."""
        is_bare = all(self._words[at].text in self._speech.fillers for at in told.places)
        return is_bare and not any(f.start >= told.end for f in found)

    def _judge(self, clause: Clause, states: set[int]) -> None:
        """Take what was found in order, taken out, or filled by weight."""
        kinds = set[str]().union(*(self._speech.kinds_of(w) for w in self._words))
        clause.removed = "removed" in kinds
        # in order, and not only so again: "radio now ok"
        clause.good = not clause.acts and "good" in kinds and "after" not in kinds
        if clause.good and clause.parts and not states:
            clause.acts = [Act(clause.first_part, "inspect", weak=False)]
        if (
            not clause.acts
            and any(p.key in _FLUIDS for p in clause.parts)
            and self._doing.is_volume()
        ):
            clause.acts = [Act(clause.first_part, "replace", weak=True, fills=True)]
        if not clause.parts and any(a.fills for a in clause.acts) and self._doing.is_gas():
            clause.parts = [Part(_GAS, "", 0, frozenset())]

    def _hint(self, clause: Clause, taken: set[int]) -> None:
        """Take kinds of parts that no name has, and who worked, when and how often."""
        speech, words = self._speech, self._words
        clause.first_place = min(self._spots, default=-1)
        clause.last_place = max(self._spots, default=-1)
        clause.part_of = self._naming.part_of
        clause.passed = frozenset(self._passed)
        clause.owners = self._naming.owner_parts()
        clause.is_state |= clause.removed and "untouched" in clause.said  # "out for access"
        stems = frozenset[str]().union(*(w.stems for w in words))
        left = [words[at] for at in range(len(words)) if at not in taken and not self._is_in(at)]
        if not stems.isdisjoint(speech.sundries):
            clause.named_others |= any(not w.stems.isdisjoint(speech.sundries) for w in left)
        if not stems.isdisjoint(speech.heads):
            told = {s for w in left if not w.guessed for s in w.stems}
            clause.heads = frozenset(told & speech.heads)
        texts = {w.text for w in words}
        clause.here = not speech.here.isdisjoint(texts)
        clause.bulb = not speech.bulbs.isdisjoint(stems)
        clause.lists_bulb = not (speech.bulbs - speech.lights).isdisjoint(stems)
        if clause.bulb and any(p.key in LAMPS for p in clause.parts):  # the bulb is named, too
            clause.loose, clause.strange = max(0, clause.loose - 1), max(0, clause.strange - 1)
        clause.likewise = clause.said.pop(LIKEWISE, -1) >= 0
        clause.likewise |= not speech.likewise.isdisjoint(texts)
        clause.given = clause.said.pop(GIVEN, -1) >= 0
        clause.also = bool(clause.acts) and not speech.also.isdisjoint(texts)
        clause.added = self._join == "+"
        clause.beside = self._join in WITH
        clause.begins_here = words[0].text in speech.here
        clause.swaps = any(speech.begins("swaps", word) for word in words)
        clause.swapped = self._doing.is_swap()
        clause.wanders = any(speech.begins("wanders", word) for word in words)
        clause.only = bool({words[0].text, words[-1].text, self._join} & speech.only)
        clause.done = not speech.vague.isdisjoint(texts)
        clause.echo = words[-1].text in speech.echoes
        clause.negated = not speech.negators.isdisjoint(texts)

    def _use(self, clause: Clause, used: list[Found], taken: set[int]) -> None:
        """Take consumables, with the work that their names may say."""
        if not used:
            return
        clause.used = self._naming.consumables(used, taken)
        if any(p.key == WIRING for p in clause.parts):  # "loom of the sliding door"
            clause.used = [p for p in clause.used if p.kind != "part"]
        places = {at for f in used for at in f.places}
        clause.used_words = frozenset(at for at in places if self._is_loose(at, taken))
        clause.only_used = len(clause.used) == len(used)
        as_work = [f for f in used if f.meaning.endswith(AS_WORK)]
        done = [f for f in as_work if not self._is_denied(f)]
        if len(done) < len(as_work):
            clause.said.setdefault("not_done", 0)
        # the work of one word for both leads its list: "vidange + filtre"
        starts = {f.end - 1: min(f.start, f.end - 2) for f in done}
        if not clause.is_state and not clause.said and self._doing.is_volume():
            starts |= {p.start: p.start for p in clause.used if p.kind == "fluid"}
        clause.used_acts = [
            Act(starts[p.start], "replace", weak=True) for p in clause.used if p.start in starts
        ]

    def _is_denied(self, one: Found) -> bool:
        """Whether "no" stands before a name that says work, too: "kein Ölwechsel"."""
        return one.start > 0 and self._words[one.start - 1].text in self._speech.negators

    def _count_loose(self, clause: Clause, taken: set[int]) -> None:
        """Count words that are no name, place, work or state, and those that may be parts."""
        words = self._words
        loose = [at for at in range(len(words)) if self._is_loose(at, taken)]
        clause.loose = len(loose)
        clause.strange = sum(
            bool(words[at].stems) or self._speech.is_strange(words[at]) for at in loose
        )

    def _is_in(self, at: int) -> bool:
        """Whether a word only says where a thing sat: "seized in pipe"."""
        is_within = at > 1 and self._words[at - 1].text in INSIDE
        return is_within and any(self._speech.is_state(w) for w in self._words[:at])

    def _is_loose(self, at: int, taken: set[int]) -> bool:
        """Whether a word is unknown; half a compound is not."""
        word = self._words[at]
        return not (
            at in taken
            or word.text in self._speech.pronouns | self._speech.counts
            or word.text.isdecimal()
            or is_measure(word.text)
            or any(self._words[i].text == word.text for i in taken & {at - 1, at + 1})
        )

    def _counts_set(self, at: int) -> bool:
        """Whether a word says how many, not how a thing is: "full set"."""
        after = self._words[at + 1 : at + 2]
        is_first = all(i in self._idle for i in range(at))
        return bool(after) and after[0].text in self._speech.pronouns and is_first
