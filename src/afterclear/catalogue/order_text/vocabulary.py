"""A work order's text cut into words, each as the stems it may stand for.

A workshop writes ``snsr``, ``press.``, ``Zündspulen`` and ``czujnikw``; the words of one
language tell what is meant: by the stem, by a shared beginning, by the consonants, and within a
narrow floor by its letters.  What none of these tells stays a word nobody knows.
"""

import re
from bisect import bisect_left
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

from afterclear.catalogue.folded_words import without_accents

ENGLISH: Final = "en"
# the stemmer of each language; German, French, Spanish and Polish as Snowball publishes them
_STEMMERS: Final = {
    "en": "english",
    "de": "german",
    "fr": "french",
    "es": "spanish",
    "pl": "polish",
}
# A misspelling keeps its first letter and differs by one letter, from nine letters on by two; a
# shorter word is as likely another word (own judgement).
_TYPO_FROM, _TWO_TYPOS_FROM = 6, 9
_SHORT_TYPO_FROM = 4
_SHORT_GERMAN: Final = 4  # letters of an abbreviation that is no stem with an end: "vore"
_NOT_ALONE: Final = "?"  # a stem of no name, beside those of a word that is not sure by itself
_BEGIN_FROM = 5  # letters of a known word before an end no stemmer took off
# ends that are left where accents were not written, or a verb is bent in an uncommon way
_ENDS: Final = {
    "en": "s es ed d er ing",
    "de": "e n s en er es em",
    "fr": "s e es ee ees er",
    "es": "s es o a os as",
    "pl": "ow ami ach om em y i a e u ie ego ej ych ymi ono",
}
_CUT_FROM = 2  # letters before the full stop of an abbreviation
_LINKS: Final = ("", "s", "n", "en", "es")  # between the parts of a German compound
_CONSONANTS_FROM = 3
_HALF_FROM = 4  # letters of each word of a compound no table has the parts of
_WORDS_KEPT = 50_000

Sense = tuple[frozenset[str], bool]  # stems a word may stand for, and whether it is sure

_ELISION = re.compile(r"\b(?:l|d|qu)['\u2019](?=\w)", re.IGNORECASE)
_R_AND_R = re.compile(r"\br\s*[&+]\s*r\b", re.IGNORECASE)
# letters apart by full stops or strokes: v.l., N/S/F
_INITIALS = re.compile(r"\b([^\W\d_])(?:[./]([^\W\d_]))(?:[./]([^\W\d_]))?\b(?![./]?\w)\.?")
# both sides of an axle
_LEFT = "l|li|lh|links|left|g|gauche|izq|izda|izdo|i|lewy|lewa|lewe|lewego|ns|n/s"
_RIGHT = "r|re|rh|rechts|right|d|droit|droite|dcha|dcho|der|p|prawy|prawa|prawe|prawego|os|o/s"
_AND = r"\s*(?:\.?\s*[+&]|\.?\s+(?:u\.?|und|and|y|et|i|oraz))\s*"
_BOTH = re.compile(
    rf"\b(?:(?:{_LEFT}){_AND}(?:{_RIGHT})|(?:{_RIGHT}){_AND}(?:{_LEFT}))\b", re.IGNORECASE
)
_DEPTH: Final = {"(": 1, "[": 1, ")": -1, "]": -1}
_JOINS: Final = "&+"
BOTH_SIDES: Final = "bothsides"
# a first letter for a word: w/pump
_FIRST_LETTER = re.compile(r"\b([^\W\d_])/(?=[^\W\d_]{3})")
_TOKEN = re.compile(r"[^\W\d_]+|\d+|[.,;:!?|+&/()\[\]\n]|\s[-–—]+\s")  # noqa: RUF001
_LONGEST_TEXT: Final = 1000
SENTENCE: Final = 2  # what stands before a word ends a sentence


@dataclass(frozen=True, slots=True)
class Word:
    """A word of a text, with what it may stand for."""

    text: str  # in small letters, as written
    stems: frozenset[str]  # empty: nobody knows
    sure: bool  # it stands there itself, not as an abbreviation of several words
    breaks: int = 0  # before it: 0 nothing, 1 a comma, ``SENTENCE``
    aside: bool = False  # it stands in brackets
    written: str = ""  # as it stands in the text


@dataclass(slots=True)
class Vocabulary:
    """The known words of one language by their stems."""

    language: str
    parts: frozenset[str] = frozenset()  # of compounds, folded
    dotted: dict[str, str] = field(default_factory=dict)  # what a word cut short means
    closers: set[str] = field(default_factory=set)  # short words for work: "ern." ends a sentence
    _same: dict[str, str] = field(default_factory=dict)  # folded variant -> canonical word
    _known: dict[str, set[str]] = field(default_factory=dict)  # folded surface -> stems
    _learned: dict[str, tuple[str, ...]] = field(default_factory=dict)
    _sorted: list[str] = field(default_factory=list)  # of ``_known``
    _stems: set[str] = field(default_factory=set)
    _by_consonants: dict[str, set[str]] = field(default_factory=dict)
    _told: dict[tuple[str, bool], list[Sense]] = field(default_factory=dict)
    _stemmed: dict[str, str] = field(default_factory=dict)
    _stem_word: Callable[[str], str] | None = None

    @property
    def _ends(self) -> list[str]:
        return _ENDS[self.language].split()

    def count_as_one(self, groups: Mapping[str, Iterable[str]]) -> Iterable[str]:
        """Take words that stand for another; say what is wrong with them."""
        for canonical, variants in groups.items():
            for variant in variants:
                if len(variant.split()) != 1:
                    yield f"[same] {canonical}: {variant!r} is more than one word"
                self._same[folded_word(variant.casefold())] = canonical.casefold()

    def learn(self, name: str) -> tuple[str, ...]:
        """Take the words of a name and give their stems."""
        return tuple(s for surface in plain_words(name) for s in self._learned_word(surface))

    def _learned_word(self, surface: str) -> tuple[str, ...]:
        if (stems := self._learned.get(surface)) is None:
            stems = self._learned[surface] = self.stems_of(surface)
            for stem in stems:
                self._stems.add(stem)
                for known in {folded_word(surface), stem}:
                    self._known.setdefault(known, set()).add(stem)
                    if len(bare := _consonants(known)) >= _CONSONANTS_FROM:
                        self._by_consonants.setdefault(bare, set()).add(stem)
        return stems

    def is_whole(self, surface: str) -> bool:
        """Tell whether a word is written out, as far as anybody knows."""
        folded = folded_word(surface)
        if folded in self._known and folded not in self._same:
            return True
        return len(folded) >= _TYPO_FROM and not self._begun_with(folded)

    def _begun_with(self, folded: str) -> list[str]:
        """Known words that begin so."""
        if len(self._sorted) != len(self._known):
            self._sorted = sorted(self._known)
        first = bisect_left(self._sorted, folded)
        last = bisect_left(self._sorted, folded + "\uffff", lo=first)
        return self._sorted[first:last]

    def words(self) -> frozenset[str]:
        """Give every known word, folded, and every stem."""
        return frozenset(self._known) | frozenset(self._stems)

    def stems_of(self, surface: str) -> tuple[str, ...]:
        """Stems of a word: several where it is a compound of known parts."""
        folded = folded_word(surface)
        if folded in self._same:
            return (self._stem(self._same[folded]),)
        split = _split(folded, self.parts) if len(folded) > _TYPO_FROM else ()
        if len(split) > 1:
            return tuple(self._stem(self._same.get(part, part)) for part in split)
        return (self._stem(surface),)

    def resolve(self, surface: str, *, dotted: bool) -> list[Sense]:
        """Say which stems a word of a text may stand for, and whether it is sure.

        A compound gives one entry a part.  Words come again and again: each is looked up once.
        """
        if (meanings := self._told.get((surface, dotted))) is None:
            meanings = self._looked_up(surface, dotted=dotted)
            if len(self._told) < _WORDS_KEPT:
                self._told[surface, dotted] = meanings
        return meanings

    def _looked_up(self, surface: str, *, dotted: bool) -> list[Sense]:
        stems = self.stems_of(surface)
        if any(stem in self._stems for stem in stems):
            return [(frozenset({stem}) & self._stems, True) for stem in stems]
        if surface.isdecimal():
            return [(frozenset({surface.lstrip("0") or "0"}), True)]
        folded = folded_word(surface)
        if known := self._known.get(folded):
            return [(frozenset(known), True)]
        found, sure = self._guess(folded, dotted=dotted)
        if (not found or not sure) and self.parts and (halves := self._halves(folded)):
            return [(frozenset(self._known[half]), True) for half in halves]
        return [(frozenset(found), sure)]

    def _halves(self, folded: str) -> tuple[str, ...]:
        """Two known words a compound is made of."""
        for size in range(len(folded) - _HALF_FROM, _HALF_FROM - 1, -1):
            if folded[:size] not in self._known:
                continue
            for link in _LINKS:
                if folded[size:].startswith(link) and folded[size + len(link) :] in self._known:
                    return folded[:size], folded[size + len(link) :]
        return ()

    def _guess(self, folded: str, *, dotted: bool) -> tuple[set[str], bool]:
        for end in range(1, 4):
            begun = self._known.get(folded[:-end], ())
            if begun and len(folded) - end >= _BEGIN_FROM and folded[-end:] in self._ends:
                return set(begun), True
        if dotted and len(folded) >= _CUT_FROM:
            cut = {s for known in self._begun_with(folded) for s in self._known[known]}
            if cut:
                return cut, len(cut) == 1
        if folded == _consonants(folded) and len(folded) >= _CONSONANTS_FROM:
            return set(self._by_consonants.get(folded, ())), False
        found = self._misspelt(folded)
        return found, _NOT_ALONE not in found

    def _misspelt(self, folded: str) -> set[str]:
        """Find the one known word that a word of the text may be a misspelling of."""
        from rapidfuzz import process  # noqa: PLC0415 - only texts of work orders need it
        from rapidfuzz.distance import OSA  # noqa: PLC0415

        size = len(folded)
        if size < _TYPO_FROM:
            return self._perhaps_misspelt(folded)
        most = 1 + (size >= _TWO_TYPOS_FROM)
        near = process.extract(
            folded,
            [
                k
                for k in self._known
                if k[0] == folded[0] and len(k) >= _TYPO_FROM - 1 and abs(len(k) - size) <= 1
            ],
            scorer=OSA.distance,
            score_cutoff=most,
            limit=5,
        )
        closest = {
            frozenset(self._known[name]) for name, distance, _ in near if distance == near[0][1]
        }
        return set(next(iter(closest))) if len(closest) == 1 else set()

    def _perhaps_misspelt(self, folded: str) -> set[str]:
        """Find short words one letter off: they count only beside a word that is sure."""
        from rapidfuzz.distance import OSA  # noqa: PLC0415

        size = len(folded)
        if size < _SHORT_TYPO_FROM:
            return set()
        near = {
            stem
            for known, stems in self._known.items()
            if known[0] == folded[0]
            and _SHORT_TYPO_FROM <= len(known) <= size + 1
            and OSA.distance(folded, known, score_cutoff=1) <= 1
            for stem in stems
        }
        return near | {_NOT_ALONE} if near else near

    def _stem(self, word: str) -> str:
        if (stem := self._stemmed.get(word)) is not None:
            return stem
        if self._stem_word is None:
            from snowballstemmer import stemmer  # noqa: PLC0415 - only texts of work orders need it

            self._stem_word = stemmer(_STEMMERS[self.language]).stemWord
        is_short = self.language == "de" and len(word) <= _SHORT_GERMAN
        stem = folded_word(word if is_short else self._stem_word(word))
        if len(self._stemmed) < _WORDS_KEPT:
            self._stemmed[word] = stem
        return stem


def plain_words(name: str) -> list[str]:
    """Words of a name in small letters, accents kept for the stemmer.

    >>> plain_words("Capteur d'arbre à cames 2")
    ['capteur', 'arbre', 'à', 'cames', '2']
    """
    small = _ELISION.sub("", name.casefold())
    return re.findall(r"[^\W\d_]+|\d+", small)


def words_in(text: str, vocabulary: Vocabulary) -> list[Word]:
    """Cut a text into words, with the breaks before them."""
    text = _ELISION.sub("", text[:_LONGEST_TEXT])
    text = _R_AND_R.sub("replace", text)
    text = _BOTH.sub(BOTH_SIDES, text)
    text = _INITIALS.sub(lambda m: "".join(g for g in m.groups() if g), text)
    text = _FIRST_LETTER.sub(r"\1 ", text)
    found = list(_TOKEN.finditer(text))
    words: list[Word] = []
    breaks, depth, begun = 0, 0, 0
    for at, match in enumerate(found):
        token = match.group()
        if not token[0].isalnum():
            if token in _JOINS:
                words.append(Word(token, frozenset(), sure=True, breaks=breaks, aside=depth > 0))
                breaks = 0
                continue
            depth = max(0, depth + _DEPTH.get(token, 0))
            before = words[-1].text if len(words) > begun else ""
            breaks = max(breaks, _break(token.strip(), text[match.end() :], before, vocabulary))
            if _closes(token, text[match.end() :], words[begun:], vocabulary):
                breaks = SENTENCE
            continue
        if breaks == SENTENCE:
            begun = len(words)
        dotted = at + 1 < len(found) and found[at + 1].group() == "."
        small = token.casefold()
        small = vocabulary.dotted.get(small, small) if dotted else small
        for stems, sure in vocabulary.resolve(small, dotted=dotted):
            words.append(Word(small, stems, sure, breaks, depth > 0, token))
            breaks = 0
    return words


def _break(sign: str, after: str, before: str, vocabulary: Vocabulary) -> int:
    """Tell what a sign divides; a full stop may only cut a word short or follow a number."""
    if sign != ".":
        return SENTENCE if sign in ";!?|" or not sign else 1
    ends = not after.strip() or after.lstrip()[:1].isupper()
    return SENTENCE if ends and not before.isdecimal() and vocabulary.is_whole(before) else 0


def _closes(sign: str, after: str, sentence: list[Word], vocabulary: Vocabulary) -> bool:
    """Tell whether a short word for work ends its sentence: "Turbo ern. Ladedruck geprüft"."""
    return (
        sign == "."
        and len(sentence) > 1
        and folded_word(sentence[-1].text) in vocabulary.closers
        and after.lstrip()[:1].isupper()
    )


def folded_word(word: str) -> str:
    """One spelling: no accents, ae for a with dots as a."""
    folded = without_accents(word)
    for pair, vowel in (("ae", "a"), ("oe", "o"), ("ue", "u")):
        folded = folded.replace(pair, vowel)
    return folded


def _consonants(word: str) -> str:
    """Consonants of a word, doubles once: how ``snsr`` stands for ``sensor``."""
    bare = "".join(letter for letter in word if letter not in "aeiouy")
    return re.sub(r"(.)\1", r"\1", bare)


def _split(word: str, parts: frozenset[str]) -> tuple[str, ...]:
    """Parts of a compound, the longest first; empty if some of it is no known part."""
    if not word:
        return ()
    for size in range(len(word), 1, -1):
        if word[:size] not in parts:
            continue
        rest = word[size:]
        for link in _LINKS:
            if rest.startswith(link):
                tail = rest[len(link) :]
                if not tail:
                    return (word[:size],)
                if further := _split(tail, parts):
                    return (word[:size], *further)
    return ()
