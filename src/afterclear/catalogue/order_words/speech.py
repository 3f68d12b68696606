"""One language's words for work: names, places, actions, and words that say "not done".

``config/lexicon*.toml`` has the names of components and places, ``config/work_words*.toml``
workshops' other words. Both are read with the first text of a work order.
"""

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any, Final

from afterclear.catalogue.order_words.consumables import Consumable
from afterclear.catalogue.order_words.deeds import Deeds
from afterclear.catalogue.order_words.grammar import GRAMMARS, Beginnings
from afterclear.catalogue.order_words.letters import folded_word, plain_words
from afterclear.catalogue.order_words.meanings import AS_WORK, OTHER, SYMPTOM, SYMPTOMS, WIRING
from afterclear.catalogue.order_words.phrases import Found, Phrases
from afterclear.catalogue.order_words.vocabulary import (
    BOTH_SIDES,
    ENGLISH,
    REFITTED,
    Vocabulary,
    Word,
)

LIKEWISE, GIVEN = "likewise", "given"  # "at the same time"; "supplied by customer"
DRIVES: Final = "drives"  # "road tested": no work on a part
LANGUAGES: Final = ("en", "de", "fr", "es", "pl")
ACTIONS: Final = ("replace", "repair", "clean", "software", "adjust", "inspect")
_WORD_SETS: Final = (
    "joins", "beyond", "negators", "conditions", "contrasts", "pronouns", "attributes",
    "quantities", "here", "likewise", "pointers",
    "purposes", "vague", "nouns", "also", "tools", "causes", "flows", "aims", "twos",
    "counts", "between", "only", "echoes", "unions",
)  # fmt: skip
_SAID: Final = (
    "kept", "not_done", "advised", "untouched", "elsewhere", "trial", GIVEN, DRIVES,
)  # fmt: skip
# kinds of words known by how they begin: for work that may say how a thing is ("welded"), or what
# kind of part was fitted ("rebuilt"); what rubbed on the next; taken out, and fitted again
# "done" of what is renewed when anything is done with it; a counter set to nought; "swapped",
# if it may only say that two parts changed places; a fault that went with a part; "aligned", of
# the wheels if an axle was worked on
BEGUN: Final = (
    "findings", "remade", "rubs", "removed", "fits", "good", "after", "light", "resets",
    "swaps", "wanders", "aligns",
)  # fmt: skip
_ANY_END: Final = re.compile("[a-z]{0,6}")
_SAME_FROM: Final = 3  # letters two forms of one word begin with: "olej", "oleju"
_THING_FROM: Final = 4  # letters of a word that may name a thing
_PART_FROM: Final = 3  # letters of a short form within a compound
_HEAD_FROM: Final = 4  # letters of a kind of part that ends one
_UNACCENTED: Final = frozenset({"es", "pl"})  # workshops write them without accents
_CLOSES_TO: Final = 6  # letters of a word for work cut short
_WORDS_KEPT: Final = 50_000


class Speech:
    """The words of one language, and the English names, which are met in all."""

    def __init__(
        self,
        language: str,
        tables: Mapping[str, list[Mapping[str, Any]]],
        consumables: Mapping[str, Consumable],
    ) -> None:
        self.language = language
        self.vocabulary = Vocabulary(language)
        self.components, self.beside = Phrases(), Phrases()
        self.positions, self.before, self.actions, self.said = (Phrases() for _ in range(4))
        self.problems: list[str] = []
        self._grammar = grammar = GRAMMARS[language]
        self.vocabulary.shifts, self.vocabulary.prefixes = grammar.shifts, grammar.prefixes
        self.fillers, self.genitives = grammar.fillers, grammar.genitives
        self.toward, self.apart = grammar.toward, grammar.apart
        self.head_order, self.anew = grammar.head_order, grammar.nouns_are_capital
        self._verbs = Beginnings(grammar.verb_ends, grammar.prefixes)
        self._states = Beginnings(_ANY_END)
        self._states.add(REFITTED, "states", whole=True)
        self._begun = {kind: Beginnings(_ANY_END) for kind in BEGUN}
        self.vocabulary.is_told = self._begins_known
        self._alone: dict[tuple[str, str], set[str]] = {}  # stem and meaning -> words that say so
        self.family: dict[str, set[str]] = {}  # stems of the heads of a component's names
        self.heads: set[str] = set()
        self.sundries: set[str] = set()  # seals, fuses, hoses
        # what is renewed in a lamp, what is bolted to a gearbox, and what runs in pipes: oil, fuel
        # and lamps that warn of a fault
        self.bulbs, self.earths, self.flowing, self.lights = (set[str]() for _ in range(4))
        self.joins: set[str] = set()
        self.beyond: set[str] = set()  # "behind": the next name is a location
        self.negators: set[str] = set()
        # "if": what follows is not done; "not": the word right after it does not apply
        self.conditions, self.contrasts = set[str](), set[str]()
        self.pronouns: set[str] = set()  # "one", "unit": the part named before
        self.purposes: set[str] = set()  # "to": the next work is what for
        self.vague: set[str] = set()  # "done": whatever is told beside it
        self.pointers: set[str] = set()  # "it is" before "not"
        # "we": not those who worked before; "ditto"
        self.here, self.likewise = set[str](), set[str]()
        self.attributes: set[str] = set()  # "new"
        # that only look like work: "code", "time"; "also renewed": as what stands before; "with the
        # tester": the next word is no work
        self.nouns, self.also, self.tools = set[str](), set[str](), set[str]()
        # "because": a clause begins; "return": measured, where how much is told beside it
        self.causes, self.flows = set[str](), set[str]()
        # "to replace the starter", told after what was taken off for it; "two": both of an axle;
        # "four"
        self.aims, self.twos, self.counts = set[str](), set[str](), set[str]()
        # "with", before the place a part was swapped to; "pressure": a measured quantity, no part
        self.between, self.quantities = set[str](), set[str]()
        # "only the probe"; "the probe was"; "new"
        # and what a line ends in: tightened, the line is repaired
        self.only, self.echoes, self._weak, self.unions = (set[str]() for _ in range(4))
        self.ordinals: dict[str, str] = {}  # folded words before a part: "third" -> 3
        self._deeds = Deeds()
        # words of components' names, of ``heads`` and ``states``, as written
        self._written: dict[str, set[str]] = defaultdict(set)
        self._kinds: dict[str, frozenset[str]] = {}  # of ``BEGUN``, by a word met
        self._participles: dict[str, bool] = {}
        self._seen: dict[str, tuple[bool, str, str]] = {}
        self._consumables = consumables
        self._take_spellings(tables[language])
        codes, work = tables[language]
        self._take(work)  # what work orders say comes before what codes say
        self._take(codes, of_codes=True)
        self.own = self.vocabulary.words()
        self.looms = frozenset(self.family.get(WIRING, ()))
        if language != ENGLISH:  # the lexicon alone: a workshop's own words are its language's
            self._take_components(tables[ENGLISH][0], of_codes=True)

    def _take_spellings(self, tables: Iterable[Mapping[str, Any]]) -> None:
        """Take which words count as one before any name is learned."""
        for table in tables:
            same = table.get("same", {})
            self.vocabulary.parts |= _compound_parts(table, same)
            self.problems += self.vocabulary.count_as_one(same)
            self.vocabulary.dotted.update(table.get("dotted", {}))

    def _begins_known(self, folded: str) -> bool:
        return bool(self._states.meaning(folded) or self._verbs.meaning(folded))

    def served(self, meaning: str) -> Consumable | None:
        """Give the consumable a name means; None: it means another thing."""
        return self._consumables.get(meaning.removesuffix(AS_WORK))

    def is_part(self, meaning: str) -> bool:
        """Whether a name means a component, and no symptom, wiring or consumable."""
        return meaning not in (OTHER, SYMPTOM, WIRING) and self.served(meaning) is None

    def is_own(self, word: str) -> bool:
        """Whether a word, in small letters, is one of this language."""
        return self._told_of(word)[0]

    def action_of(self, word: Word) -> str:
        """Give what was done by a verb's stem; empty: it is none."""
        if word.text in self.nouns:
            return ""
        own, action, _ = self._told_of(word.text)
        return action if own or word.stems else self._deeds.misspelt(word.text)

    def is_past(self, words: list[Word], told: Found) -> bool:
        """Whether "à remplacer" is written "a remplacé": it was done."""
        first, last = words[told.start].text, words[told.end - 1].text
        is_two = len(told.places) > 1
        return is_two and first == "a" and bool(self._grammar.participle.fullmatch(last))

    def is_state(self, word: Word) -> bool:
        """Whether a word says how something is: worn, seized, noisy."""
        return self._told_of(word.text)[2] == "states"

    def tells(self, word: Word) -> bool:
        """Whether a word says how a thing is, or what was done to it."""
        _, action, state = self._told_of(word.text)
        return bool(action or state)

    def kinds_of(self, word: Word) -> frozenset[str]:
        """Kinds of ``BEGUN`` that a word is of, by how it begins."""
        if (kinds := self._kinds.get(word.text)) is None:
            folded = folded_word(word.text)
            kinds = self._kinds[word.text] = frozenset(
                kind for kind, begun in self._begun.items() if begun.meaning(folded)
            )
        return kinds

    def begins(self, kind: str, word: Word) -> bool:
        """Whether a word begins as those of a kind do."""
        return kind in self.kinds_of(word)

    def is_of_names(self, word: str) -> bool:
        """Whether a word is written so in a component's name."""
        return word in self._written["names"]

    def is_named(self, word: Word, meaning: str) -> bool:
        """Whether a lone word names a component itself: "sonda" does, "czujnik" is any sensor."""
        kinds = word.stems & self.heads  # of parts: other words for one are as good
        told = {s: self._alone[key] for s in kinds if (key := (s, meaning)) in self._alone}
        own = self.vocabulary.own_stem(word.text) or ""
        bent = any("" in words and s[:_SAME_FROM] == own[:_SAME_FROM] for s, words in told.items())
        return not told or bent or any(own in words for words in told.values())

    def says(self, word: Word, meaning: str) -> bool:
        """Whether a lone word is a name itself: "coolant" is, "water" only counts as it."""
        if not word.written[:1].isupper() and self._grammar.nouns_are_capital:
            return False
        own = self.vocabulary.own_stem(word.text) or ""
        told = {s: self._alone.get((s, meaning), set()) for s in word.stems}
        bent = any("" in words and s[:_SAME_FROM] == own[:_SAME_FROM] for s, words in told.items())
        return bent or any(own in words for words in told.values())

    def as_state(self, word: Word) -> Word:
        """Read a word for how a thing is as such, though its stem is a part's.

        "grillé" is burnt and no grille, "świeci" is lit and no plug.
        """
        if not word.stems:
            return word
        key = word.written or word.text
        if (is_state := self._participles.get(key)) is None:
            is_state = self._participles[key] = self._is_participle(word)
        return replace(word, stems=frozenset()) if is_state else word

    def _is_participle(self, word: Word) -> bool:
        """Whether a word for how a thing is only looks like the name of a part."""
        if word.text in self._written["heads"] or self.is_of_names(word.text):
            return False
        if word.text in self._written["states"]:
            return True
        if self.language in _UNACCENTED and word.text in self._written["unaccented"]:
            return False
        if self.heads.isdisjoint(word.stems) or not self.is_state(word):
            return False
        is_noun = word.written[:1].isupper() if self._grammar.nouns_are_capital else True
        return not is_noun or bool(self._grammar.participle.fullmatch(word.text))

    def is_participle(self, word: Word) -> bool:
        """Whether a word is bent as those that say what was done: "engrasada" is no "engrase"."""
        return bool(self._grammar.participle.fullmatch(word.text))

    def is_neutral(self, word: Word) -> bool:
        """Whether a word names no part: a set, a test drive, a warranty."""
        return self._told_of(word.text)[2] == "neutral"

    def _told_of(self, word: str) -> tuple[bool, str, str]:
        if (told := self._seen.get(word)) is None:
            folded = folded_word(word)
            action, state = self._verbs.meaning(folded), self._states.meaning(folded)
            action = "" if word in self.quantities else action
            known = self._is_known(word, folded) or bool(self._begun["good"].meaning(folded))
            told = (bool(action or state) or known, action, state)
            if len(self._seen) < _WORDS_KEPT:
                self._seen[word] = told
        return told

    def _is_known(self, word: str, folded: str) -> bool:
        return (
            word in self.fillers
            or word in self.joins
            or folded in self.own
            or any(stem in self.own for stem in self.vocabulary.stems_of(word))
        )

    def is_weak(self, word: str) -> bool:
        """Whether a word for work does not say that it is done: "new", "to replace"."""
        folded = folded_word(word)
        is_open = self._grammar.weak.fullmatch(folded) and not self._grammar.done.fullmatch(folded)
        return word in self._weak or bool(is_open)

    def is_plural(self, word: str) -> bool:
        """Whether a name may be of several."""
        return bool(self._grammar.plural.fullmatch(folded_word(word)))

    def is_strange(self, word: Word) -> bool:
        """Whether an unknown word may be a part."""
        if word.stems or len(word.text) < _THING_FROM or word.text.isdecimal():
            return False
        if self._grammar.nouns_are_capital and not word.written[0].isupper():
            return False
        told = self._told_of(word.text)
        if told[0] or any(word.text in s for s in (self.pronouns, self.beyond, self.conditions)):
            return False
        return self._grammar.nouns_are_capital or not self._grammar.no_noun.fullmatch(
            folded_word(word.text)
        )

    def _take(self, table: Mapping[str, Any], *, of_codes: bool = False) -> None:
        for kind in _WORD_SETS:
            getattr(self, kind).update(table.get(kind, {}).get("names", ()))
        self._take_components(table, of_codes=of_codes)
        self._take_places(table)
        self._take_work(table)
        self._take_numbers(table)
        for kind in _SAID:
            self._add(self.said, table.get(kind, {}).get("names", ()), kind)
        several = [n for n in table.get(LIKEWISE, {}).get("names", ()) if " " in n]
        self._add(self.said, several, LIKEWISE)
        for name in table.get("heads", {}).get("names", ()):
            self.heads.add(self.vocabulary.learn(name)[-1])
            self._written["heads"].update(plain_words(name))
        for name in table.get("sundries", {}).get("names", ()):
            self.sundries.add(self.vocabulary.learn(name)[-1])
        for kind, stems in (
            ("bulbs", self.bulbs),
            ("earths", self.earths),
            ("flowing", self.flowing),
            ("lights", self.lights),
        ):
            for name in table.get(kind, {}).get("names", ()):
                stems.update(self.vocabulary.learn(name))
        self.joins.update("&+")
        self.vocabulary.plain.update(table.get("plain", {}).get("names", ()))
        self.vocabulary.refitted.update(table.get("refitted", {}).get("names", ()))
        for name in table.get("short", {}).get("names", ()):
            self.vocabulary.cut_short(f"{name}.")
        self._weak.update(table.get("weak", {}).get("names", ()))
        if not of_codes:
            for key, one in self._consumables.items():
                self._add_components(one.names[self.language], key)
                self._add_components(one.works[self.language], f"{key}{AS_WORK}")
        self._add_components(table.get("other", {}).get("names", ()), OTHER)

    def _take_numbers(self, table: Mapping[str, Any]) -> None:
        for number, names in table.get("ordinals", {}).items():
            self.ordinals |= dict.fromkeys((folded_word(n) for n in names), number)
        for number, names in table.get("numerals", {}).items():
            self.vocabulary.numerals |= dict.fromkeys(names, number)

    def _take_places(self, table: Mapping[str, Any]) -> None:
        self._add(self.positions, (BOTH_SIDES,), "side=left side=right")
        for spec, names in table.get("positions", {}).items():
            self._add(self.positions, names, spec)
            words = {folded_word(n.casefold()) for n in names if n.isalpha()}
            self.vocabulary.places |= words
            self.vocabulary.corners |= words if "end=" in spec and "side=" in spec else set()
        for axis, names in (*table.get("before", {}).items(), *table.get("numbered", {}).items()):
            if axis in {"cylinder", "bank", "sensor"}:
                self._add(self.before, names, axis)
                for name in names:
                    self.vocabulary.count_by(name)

    def _take_work(self, table: Mapping[str, Any]) -> None:
        for action, names in table.get("actions", {}).items():
            self._add(self.actions, names, action)
            self.vocabulary.closers.update(
                folded_word(name.casefold()) for name in names if len(name) <= _CLOSES_TO
            )
            for name in names:
                self._deeds.add(name, action)
        for action, stems in table.get("stems", {}).items():
            for stem in stems:
                self._verbs.add(folded_word(stem.casefold()), action)
        for kind, words in self._begun.items():
            for stem in table.get(kind, {}).get("names", ()):
                folded = folded_word(stem.casefold())
                is_whole = kind in {"good", "removed"} and len(folded) < _THING_FROM
                words.add(folded, kind, whole=is_whole)
        for kind in ("states", "neutral"):
            for stem in table.get(kind, {}).get("names", ()):
                self._states.add(folded_word(stem.casefold()), kind)
        self._written["states"].update(table.get("states", {}).get("names", ()))

    def _take_components(self, table: Mapping[str, Any], *, of_codes: bool) -> None:
        for key, entry in table.get("components", {}).items():
            names = entry if isinstance(entry, list) else entry.get("names", ())
            label = [] if isinstance(entry, list) else [entry["label"]] if "label" in entry else []
            kept = [n for n in (*label, *names) if not (of_codes and self._is_quantity(n))]
            self._add_components(kept, SYMPTOM if key in SYMPTOMS else key)
        for key, names in table.get("beside", {}).items():
            self._add(self.beside, names, key)

    def _is_quantity(self, name: str) -> bool:
        """Whether a code's name is a measured quantity: "boost pressure" is no part."""
        words = [w for w in plain_words(name) if w not in self.fillers]
        if not words:
            return False
        if len(words) == 1 and self._states.meaning(folded_word(words[0])):
            return True  # "knocking"
        if self._grammar.nouns_are_capital:
            return words[-1].endswith(tuple(self.quantities))
        head = words[-1] if self.head_order == "after" else words[0]
        return head in self.quantities

    def _add(self, into: Phrases, names: Iterable[str], meaning: str) -> None:
        for name in names:
            into.add(self.vocabulary.learn(name), meaning)

    def _add_components(self, names: Iterable[str], meaning: str) -> None:
        for name in names:
            kept = " ".join(w for w in plain_words(name) if w not in self.fillers)
            stems = self.vocabulary.learn(kept or name)
            self.vocabulary.cut_short(name)
            self._written["names"].update(plain_words(name))
            self._written["unaccented"].update(folded_word(w) for w in plain_words(name))
            self.components.add(stems, meaning)
            if len(stems) == 1:
                own = self.vocabulary.own_stem(kept) or ""
                self._alone.setdefault((stems[0], meaning), set()).add(own)
            heads = {"after": stems[-1:], "hyphen": stems[-1:]}.get(self.head_order, stems[:1])
            self.family.setdefault(meaning, set()).update(heads)


def _compound_parts(table: Mapping[str, Any], same: Mapping[str, Iterable[str]]) -> frozenset[str]:
    """Parts of compounds, with their short forms; none: the language has no compounds."""
    parts = table.get("parts", {}).get("names", ())
    if not parts:
        return frozenset()
    short = (word for canonical, words in same.items() for word in (canonical, *words))
    heads = (name.casefold() for name in table.get("heads", {}).get("names", ()))
    more = (
        *(w for w in short if len(w) >= _PART_FROM),
        *(h for h in heads if len(h) >= _HEAD_FROM),
    )
    return frozenset(folded_word(p) for p in (*parts, *more))
