"""Text cut into folded words, and names found among them.

Folding makes one spelling of what people, tools and languages write differently: case, accents,
hyphens, plurals, ``ae`` for ``ä``.  It is applied to names and texts alike, so it may be coarse.
"""

import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

Words = tuple[str, ...]

_LETTERS = str.maketrans({"ł": "l", "ø": "o", "ß": "ss", "æ": "a", "œ": "o", "đ": "d"})
_ELISION = re.compile(r"\b(?:l|d|qu)['\u2019](?=\w)")
_WORD = re.compile(r"[^\W\d_]+|\d+")
_LONGEST_TEXT = 1000
_UMLAUT = re.compile("([aou])e")  # written out: ae for a with dots
_PLURAL_FROM = 5  # letters; shorter words such as "abs", "gas" or "bus" keep their end

# words that carry no meaning for a name
_FILLER_OF = {
    "English": "the of for",
    "German": "der die das den dem im am vom von zum fur",
    "French": "de du des la le les",
    "Spanish": "de la el los las del",
    "Polish": "w z ze do na",
}
_FILLER = frozenset(word for words in _FILLER_OF.values() for word in words.split())


def words_of(text: str) -> Words:
    """Cut a text into folded words: no case, accents, plural s or filler; digits apart.

    Only the first 1,000 characters are read: a description is a sentence, a hostile cell a book.

    >>> words_of("ABS-Sensor, vorne (B1S2)")
    ('abs', 'sensor', 'vorn', 'b', '1', 's', '2')
    """
    plain = without_accents(_ELISION.sub("", text[:_LONGEST_TEXT].casefold()))
    return tuple(_folded(word) for word in _WORD.findall(plain) if word not in _FILLER)


def without_accents(text: str) -> str:
    """Write a text in small plain letters: no case, no accents."""
    plain = unicodedata.normalize("NFKC", text).casefold().translate(_LETTERS)
    plain = unicodedata.normalize("NFD", plain)
    return "".join(char for char in plain if not unicodedata.combining(char))


def _folded(word: str) -> str:
    """One spelling for ae/a, oe/o, ue/u, leading zeros, and for English and French ends."""
    if word.isdecimal():
        return word.lstrip("0") or "0"
    while (shorter := _UMLAUT.sub(r"\1", word)) != word:
        word = shorter
    while len(word) >= _PLURAL_FROM and word.endswith(("s", "e")) and not word.endswith("ss"):
        word = word[:-1]
    return word


@dataclass(frozen=True, slots=True)
class Run:
    """A name found word after word."""

    start: int  # place of its first word
    length: int  # in words
    meaning: str

    @property
    def end(self) -> int:
        """Place of the first word after it."""
        return self.start + self.length


@dataclass(slots=True)
class Names:
    """Names by their words.  A name has one meaning."""

    _meanings: dict[Words, str] = field(default_factory=dict)
    _holding: dict[str, set[Words]] = field(default_factory=lambda: defaultdict(set))
    _longest: int = 1

    def add(self, name: str, meaning: str) -> str | None:
        """Add a name; return the problem with it, or None."""
        words = words_of(name)
        if not words:
            return f"the name {name!r} of {meaning} has no word in it"
        known = self._meanings.setdefault(words, meaning)
        if known != meaning:
            return f"{name!r} is a name of both {known} and {meaning}"
        self._longest = max(self._longest, len(words))
        for word in words:
            self._holding[word].add(words)
        return None

    def add_all(self, names: Iterable[str], meaning: str) -> list[str]:
        """Add several names of one meaning; return the problems found."""
        return [problem for name in names if (problem := self.add(name, meaning))]

    def runs(self, words: Words) -> list[Run]:
        """Find names word after word, the longest at each place; they may overlap."""
        found = []
        for start in range(len(words)):
            for length in range(min(self._longest, len(words) - start), 0, -1):
                meaning = self._meanings.get(words[start : start + length])
                if meaning is not None:
                    found.append(Run(start, length, meaning))
                    break
        return found

    def scattered(self, words: Words) -> str | None:
        """Meaning of the longest name of two or more words that all occur somewhere.

        None if there is none, or several of different meaning.
        """
        present = set(words)
        candidates = {name for word in present for name in self._holding.get(word, ())}
        fitting = [name for name in candidates if len(name) > 1 and present.issuperset(name)]
        most = max(map(len, fitting), default=0)
        meanings = {self._meanings[name] for name in fitting if len(name) == most}
        return meanings.pop() if len(meanings) == 1 else None


def longest(runs: Iterable[Run]) -> Run | None:
    """Pick the longest run; the earliest of several."""
    return max(runs, key=lambda run: (run.length, -run.start), default=None)
