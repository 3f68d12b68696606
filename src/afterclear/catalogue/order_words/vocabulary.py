"""A work order's text cut into words, each as the stems it may stand for.

A workshop writes ``snsr``, ``press.``, ``Zündspulen`` and ``czujnikw``; the words of one language
identify the meaning: by the stem, by a shared beginning, by the consonants, and within narrow
limits by its letters. A word that none of these identifies stays unknown.
"""

import re
from bisect import bisect_left
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

from afterclear.catalogue.order_words.letters import (
    LINKS,
    MEASURES,
    consonants_of,
    folded_word,
    is_changed,
    parted,
    plain_words,
)

ENGLISH: Final = "en"
GERMAN: Final = "de"
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
TYPO_FROM, _TWO_TYPOS_FROM = 6, 9
_SHORT_TYPO_FROM = 4
_CHANGED_FROM = 8  # letters of a word that may have a wrong one in it
_WHOLE_FROM = 3  # letters of an unknown word that ends a sentence
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
_SHIFTED_FROM = 3  # letters of a word before an end that changes its stem
_CUT_FROM = 2  # letters before the full stop of an abbreviation
_CUT_OPEN_FROM = 4  # letters of one without a full stop: "accel pedal"
_CONSONANTS_FROM = 3
# "only" is no sun, a lining is no line, a casing no case, a charge no charger, a measure no earth
_NAMED_BY_WORK: Final = {
    "en": {"lining": "linin", "linings": "linin", "casing": "casin"},
    "de": {"mass": "mindestmass"},
    "es": {"solo": "soloo"},
    "fr": {"charge": "charj", "charges": "charj", "passage": "passaj"},
}
_HALF_FROM = 4  # letters of each word of a compound no table has the parts of
_WORDS_KEPT = 50_000

Sense = tuple[frozenset[str], bool]  # stems a word may stand for, and whether it is sure

NO_STEMS: Final[frozenset[str]] = frozenset()
NO_SENSE: Final[Sense] = (NO_STEMS, True)  # of a sign of a measure

_CUT_WORD = re.compile(r"([^\W\d_]{2,})\.")
BOTH_SIDES: Final = "bothsides"
REFITTED: Final = "outandin"  # a part taken out and fitted again is as it was
ASKED: Final = "?"  # at the end of a sentence
SENTENCE: Final = 2  # the text before a word ends a sentence


@dataclass(frozen=True, slots=True)
class Word:
    """A word of a text, with what it may stand for."""

    text: str  # in small letters, as written
    stems: frozenset[str]  # empty: unknown
    sure: bool  # it is a word itself, not an abbreviation of several words
    breaks: int = 0  # before it: 0 nothing, 1 a comma, ``SENTENCE``
    aside: bool = False  # it is in brackets
    written: str = ""  # as written in the text
    after_colon: bool = False

    @property
    def guessed(self) -> bool:
        """Whether it is only like a short word: it counts beside one that is sure."""
        return _NOT_ALONE in self.stems


@dataclass(slots=True)
class Vocabulary:
    """The known words of one language by their stems."""

    language: str
    parts: frozenset[str] = frozenset()  # of compounds, folded
    shifts: tuple[tuple[str, str], ...] = ()  # ends of bent words whose stem changes
    prefixes: re.Pattern[str] | None = None  # before verbs
    dotted: dict[str, str] = field(default_factory=dict)  # what a word cut short means
    numerals: dict[str, str] = field(default_factory=dict)  # "three" -> 3, after "cylinder"
    places: set[str] = field(default_factory=set)  # words for a place, folded: "tył", "av"
    plain: set[str] = field(default_factory=set)  # small words that are never a short form
    corners: set[str] = field(default_factory=set)  # those that need no other: "lf", "avg"
    closers: set[str] = field(default_factory=set)  # short words for work: "ern." ends a sentence
    refitted: set[str] = field(default_factory=set)  # "out and in": the same part went back
    is_told: Callable[[str], bool] | None = None  # whether a word is known by how it begins
    _counting: set[str] = field(default_factory=set)  # stems of "cylinder", "bank"
    _same: dict[str, str] = field(default_factory=dict)  # folded variant -> canonical word
    _known: dict[str, set[str]] = field(default_factory=dict)  # folded surface -> stems
    _learned: dict[str, tuple[str, ...]] = field(default_factory=dict)
    _surfaces: set[str] = field(default_factory=set)  # folded, as written in the tables
    _cut: set[str] = field(default_factory=set)  # words names cut short: "Stossd."
    _sorted: list[str] = field(default_factory=list)  # of ``_known``
    _sized: dict[tuple[str, int], list[str]] = field(default_factory=dict)  # when first asked
    _stems: set[str] = field(default_factory=set)
    _by_consonants: dict[str, set[str]] = field(default_factory=dict)
    _told: dict[tuple[str, bool], list[Sense]] = field(default_factory=dict)
    _stemmed: dict[str, str] = field(default_factory=dict)
    _stem_word: Callable[[str], str] | None = None
    _out_and_in: re.Pattern[str] | None = None  # made when first asked

    @property
    def has_ordinals(self) -> bool:
        """Whether a number with a full stop may be an ordinal before a noun: "3. Bremsleuchte"."""
        return self.language == GERMAN

    @property
    def _ends(self) -> list[str]:
        return _ENDS[self.language].split()

    def count_as_one(self, groups: Mapping[str, Iterable[str]]) -> Iterable[str]:
        """Add words that mean another; return the problems found."""
        for canonical, variants in groups.items():
            for variant in variants:
                if len(variant.split()) != 1:
                    yield f"[same] {canonical}: {variant!r} is more than one word"
                self._same[folded_word(variant.casefold())] = canonical.casefold()
        if self.language == ENGLISH:  # other languages bend the word itself
            for short, meant in list(self._same.items()):
                if len(short) >= _CONSONANTS_FROM:
                    self._same.setdefault(f"{short}s", meant)  # "brgs"

    def without_refitting(self, text: str) -> str:
        """Write one word for a part that was taken out and fitted again: "aus- und eingebaut"."""
        if self._out_and_in is None:
            names = sorted(self.refitted, key=len, reverse=True) or ["(?!)"]
            spaced = (r"\W{1,3}".join(map(re.escape, re.findall(r"\w+", n))) or n for n in names)
            self._out_and_in = re.compile(rf"\b(?:{'|'.join(spaced)})\b", re.IGNORECASE)
        return self._out_and_in.sub(f" {REFITTED} ", text)

    def learn(self, name: str) -> tuple[str, ...]:
        """Add the words of a name and give their stems."""
        return tuple(s for surface in plain_words(name) for s in self._learned_word(surface))

    def cut_short(self, name: str) -> None:
        """Take words a name cuts short: a full stop after them ends no sentence."""
        self._cut.update(folded_word(word.casefold()) for word in _CUT_WORD.findall(name))

    def count_by(self, name: str) -> None:
        """Add a word that comes before a number."""
        self._counting.update(self.learn(name))

    def _learned_word(self, surface: str) -> tuple[str, ...]:
        if (stems := self._learned.get(surface)) is None:
            stems = self._learned[surface] = self.stems_of(surface)
            self._surfaces.add(folded_word(surface))
            for stem in stems:
                self._stems.add(stem)
                for known in dict.fromkeys((folded_word(surface), stem)):
                    self._known.setdefault(known, set()).add(stem)
                    if len(bare := consonants_of(known)) >= _CONSONANTS_FROM:
                        self._by_consonants.setdefault(bare, set()).add(stem)
        return stems

    def own_stem(self, surface: str) -> str | None:
        """Stem of a word that is counted as another; None: it is itself."""
        return self._stem(surface) if folded_word(surface) in self._same else None

    def is_whole(self, surface: str) -> bool:
        """Whether a word is written out, as far as anybody knows."""
        folded = folded_word(surface)
        if folded in self._cut:
            return False
        is_bent = folded.startswith(self._same.get(folded, folded))  # "injectors", no short form
        if folded in self._known and is_bent:
            return True
        return len(folded) >= _WHOLE_FROM and not self._begun_with(folded)

    def is_written(self, surface: str) -> bool:
        """Whether a word is in the tables as written, and no longer one begins so."""
        folded = folded_word(surface)
        longer = (known for known in self._begun_with(folded) if len(known) > len(folded) + 1)
        return folded in self._known and not any(longer)

    def is_cut(self, surface: str) -> bool:
        """Whether a word is only the stem of longer ones: "altern"."""
        return folded_word(surface) not in self._surfaces and surface in self._stems

    def counts(self, surface: str) -> bool:
        """Whether a number after a word says which: "cylinder 4"."""
        return not self._counting.isdisjoint(self.stems_of(surface))

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
        split = self._split(folded) if len(folded) > TYPO_FROM else ()
        if len(split) > 1:
            return tuple(self._stem(self._same.get(part, part)) for part in split)
        return (self._stem(surface),)

    def _split(self, folded: str) -> tuple[str, ...]:
        """Parts of a compound, as written or without its end: "Kabelbäume"."""
        ends = ("", *self._ends) if self.parts else ("",)
        bare = (folded.removesuffix(end) for end in ends if folded.endswith(end))
        return next((split for word in bare if (split := parted(word, self.parts))), ())

    def resolve(self, surface: str, *, dotted: bool) -> list[Sense]:
        """Say which stems a word of a text may stand for, and whether it is sure.

        A compound gives one entry a part.  Words repeat often: each is looked up once.
        """
        if (meanings := self._told.get((surface, dotted))) is None:
            meanings = self._looked_up(surface, dotted=dotted)
            if len(self._told) < _WORDS_KEPT:
                self._told[surface, dotted] = meanings
        return meanings

    def _looked_up(self, surface: str, *, dotted: bool) -> list[Sense]:
        stems = self.stems_of(surface)
        if any(stem in self._stems for stem in stems):
            more = self._plain(folded_word(surface)) if len(stems) == 1 else set()
            return [((frozenset({stem}) & self._stems) | more, True) for stem in stems]
        if surface.isdecimal():
            return [(frozenset({surface.lstrip("0") or "0"}), True)]
        folded = folded_word(surface)
        known = self._known.get(folded)
        if known or folded in MEASURES or (known := self._plain(folded)):
            return [(frozenset(known or ()), True)]
        found, sure = self._guess(folded, dotted=dotted)
        if (not found or not sure) and self.parts and (halves := self._halves(folded)):
            return [(frozenset(self._known[half]), True) for half in halves]
        return [(frozenset(found), sure)]

    def _plain(self, folded: str) -> set[str]:
        """Stems of the one known word that was bent with another stem: "przewodzie", "wtyczek"."""
        meant = [
            self._known[plain]
            for bent, end in self.shifts
            if folded.endswith(bent) and len(folded) - len(bent) >= _SHIFTED_FROM
            for last in ("", "a", "o")
            if (plain := folded.removesuffix(bent) + end + last) in self._known
        ]
        return meant[0] if meant and all(stems == meant[0] for stems in meant) else set()

    def _halves(self, folded: str) -> tuple[str, ...]:
        """Two known words a compound is made of."""
        for size in range(len(folded) - _HALF_FROM, _HALF_FROM - 1, -1):
            if folded[:size] not in self._known:
                continue
            for link in LINKS:
                if folded[size:].startswith(link) and folded[size + len(link) :] in self._known:
                    return folded[:size], folded[size + len(link) :]
        return ()

    def _guess(self, folded: str, *, dotted: bool) -> tuple[set[str], bool]:
        for end in range(1, 4):
            begun = self._known.get(folded[:-end], ())
            if begun and len(folded) - end >= _BEGIN_FROM and folded[-end:] in self._ends:
                return set(begun), True
        if dotted and len(folded) >= _CUT_FROM:
            begun_so = [self._known[known] for known in self._begun_with(folded)]
            cut = {s for stems in begun_so for s in stems}
            if cut:
                least = min(begun_so, key=len)
                # all others are compounds of it: "Bremsbel." is no "Bremsbelagsensor"
                return (least, True) if all(least <= more for more in begun_so) else (cut, False)
        if self.language == ENGLISH and _CUT_OPEN_FROM <= len(folded) < TYPO_FROM:
            cut = {s for known in self._begun_with(folded) for s in self._known[known]}
            if cut:
                return cut, False
        if folded == consonants_of(folded) and len(folded) >= _CONSONANTS_FROM:
            return set(self._by_consonants.get(folded, ())), False
        found = self._misspelt(folded)
        return found, _NOT_ALONE not in found

    def _misspelt(self, folded: str) -> set[str]:
        """Find the one known word that a word of the text may be a misspelling of."""
        from rapidfuzz import process  # noqa: PLC0415 - only texts of work orders need it
        from rapidfuzz.distance import OSA  # noqa: PLC0415

        size = len(folded)
        if self.is_told is not None and self.is_told(folded):
            return set()
        if size < TYPO_FROM:
            return self._perhaps_misspelt(folded)
        near = process.extract(
            folded,
            [k for k in self._of_size(folded[0], size) if len(k) >= TYPO_FROM - 1],
            scorer=OSA.distance,
            score_cutoff=1 + (size >= _TWO_TYPOS_FROM),
            limit=5,
        )
        near = [one for one in near if self._is_slip(folded, one[0], one[1])]
        closest = {
            frozenset(self._known[name]) for name, distance, _ in near if distance == near[0][1]
        }
        return set(next(iter(closest))) if len(closest) == 1 else set()

    def _is_slip(self, word: str, known: str, distance: float) -> bool:
        """Whether letters left out or turned round are a slip; another letter, another word.

        What two compounds or verbs begin with does not count: "Bremsanlage" is no "Bremsbelag",
        and "aufgebogen" not "aufgezogen".
        """
        same = next(
            (
                size
                for size in range(min(len(word), len(known)) - 1, 1, -1)
                if word[:size] == known[:size] and self._begins_others(word[:size])
            ),
            0,
        )
        tail = word[same:]
        is_far = distance > 1 + (len(tail) >= _TWO_TYPOS_FROM)
        return not is_far and not (len(tail) < _CHANGED_FROM and is_changed(tail, known[same:]))

    def _begins_others(self, folded: str) -> bool:
        """Whether other words begin so: the first half of compounds, what stands before verbs."""
        is_before = self.prefixes is not None and self.prefixes.fullmatch(folded) is not None
        return is_before or folded in self.parts

    def _perhaps_misspelt(self, folded: str) -> set[str]:
        """Find short words one letter off: they count only beside a word that is sure."""
        from rapidfuzz.distance import OSA  # noqa: PLC0415

        size = len(folded)
        if size < _SHORT_TYPO_FROM:
            return set()
        near = {
            stem
            for known in self._of_size(folded[0], size)
            if len(known) >= _SHORT_TYPO_FROM and OSA.distance(folded, known, score_cutoff=1) <= 1
            for stem in self._known[known]
        }
        return near | {_NOT_ALONE} if near else near

    def _of_size(self, letter: str, size: int) -> list[str]:
        """Known words of a first letter, no more than one letter longer or shorter."""
        if not self._sized:
            for known in self._known:
                self._sized.setdefault((known[0], len(known)), []).append(known)
        return [k for s in (size - 1, size, size + 1) for k in self._sized.get((letter, s), ())]

    def _stem(self, word: str) -> str:
        if (stem := self._stemmed.get(word)) is not None:
            return stem
        if self._stem_word is None:
            from snowballstemmer import stemmer  # noqa: PLC0415 - only texts of work orders need it

            self._stem_word = stemmer(_STEMMERS[self.language]).stemWord
        is_short = self.language == GERMAN and len(word) <= _SHORT_GERMAN
        word = _NAMED_BY_WORK.get(self.language, {}).get(word, word)
        stem = folded_word(word if is_short else self._stem_word(word))
        if len(self._stemmed) < _WORDS_KEPT:
            self._stemmed[word] = stem
        return stem
