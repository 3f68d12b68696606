"""Words as letters: how two spellings are one, where a compound parts, what is no word."""

import re
from functools import lru_cache
from typing import Final

from afterclear.catalogue.folded_words import without_accents

LINKS: Final = ("", "s", "n", "en", "es")  # between the parts of a German compound
ELISION: Final = re.compile(r"\b(?:l|d|qu)['\u2019](?=\w)", re.IGNORECASE)
_WORDS_KEPT: Final = 50_000
# signs of measures, counts and numbers, in any of the languages: never the beginning of a word
MEASURES: Final = frozenset(
    word
    for words in (
        "nm km std aw ltr mm cm bar mbar volt amp ohm kohm mohm kpa psi rpm hz khz kw mg kg min",
        "st stk szt uds pcs pz hrs sek seg sec rbg godz eur usd gbp tkm",
        "ref réf art nr no pn pos ut",
    )
    for word in words.split()
)


def is_measure(word: str) -> bool:
    """Whether a word is a sign of a measure or a count: no part."""
    return len(word) == 1 or word in MEASURES


def plain_words(name: str) -> list[str]:
    """Words of a name in small letters, accents kept for the stemmer.

    >>> plain_words("Capteur d'arbre à cames 2")
    ['capteur', 'arbre', 'à', 'cames', '2']
    """
    small = ELISION.sub("", name.casefold())
    return re.findall(r"[^\W\d_]+|\d+", small)


@lru_cache(maxsize=_WORDS_KEPT)
def folded_word(word: str) -> str:
    """One spelling: no accents, ae for a with dots as a."""
    folded = without_accents(word)
    for pair, vowel in (("ae", "a"), ("oe", "o"), ("ue", "u")):
        folded = folded.replace(pair, vowel)
    return folded


def is_changed(word: str, known: str) -> bool:
    """Whether one letter stands for another: "roczny" is no "reczny".

    >>> is_changed("roczny", "reczny"), is_changed("isnpector", "inspector")
    (True, False)
    """
    return len(word) == len(known) and sorted(word) != sorted(known)


def consonants_of(word: str) -> str:
    """Consonants of a word, doubles once: how ``snsr`` stands for ``sensor``."""
    bare = "".join(letter for letter in word if letter not in "aeiouy")
    return re.sub(r"(.)\1", r"\1", bare)


def parted(word: str, parts: frozenset[str]) -> tuple[str, ...]:
    """Parts of a compound, the longest first; empty if some of it is no known part."""
    if not word:
        return ()
    for size in range(len(word), 1, -1):
        if word[:size] not in parts:
            continue
        rest = word[size:]
        for link in LINKS:
            if rest.startswith(link):
                tail = rest[len(link) :]
                if not tail:
                    return (word[:size],)
                if further := parted(tail, parts):
                    return (word[:size], *further)
        # one of three equal letters left out
        is_double = rest and word[size - 2] == word[size - 1]
        if is_double and (further := parted(word[size - 1 :], parts)):
            return (word[:size], *further)
    return ()
