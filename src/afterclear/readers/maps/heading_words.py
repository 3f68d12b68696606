"""What headings and status words mean, in several languages: ``config/imports/headings.csv``."""

import csv
import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from afterclear.catalogue.folded_words import Words, words_of
from afterclear.errors import ConfigError

# Certainty from a whole heading, from one with words cut short, from one that only holds the words.
EXACT, SHORT, PART = 0.9, 0.85, 0.6
_INITIALS = re.compile(r"\b(?:[^\W\d_]\.){2,}(?=\s|$)")  # M.O. is MO
_TOO_SHORT = 2  # letters
_SHORTENED = re.compile(r"([^\W\d_]{3,})\.")  # a word of an abbreviation ends with a dot


@dataclass(frozen=True)
class HeadingWords:
    """Folded words -> what they may mean: a plain column, or ``status:confirmed``."""

    meanings: dict[Words, tuple[str, ...]]

    @cached_property
    def _columns(self) -> Mapping[str, Sequence[tuple[int, Words, Sequence[str]]]]:
        """First word -> place in the table, words and columns: every heading is looked up."""
        found: defaultdict[str, list[tuple[int, Words, Sequence[str]]]] = defaultdict(list)
        for at, (known, means) in enumerate(self.meanings.items()):
            if known and (names := [name for name in means if ":" not in name]):
                found[known[0]].append((at, known, names))
        return dict(found)

    @cached_property
    def _beginnings(self) -> Mapping[tuple[str, str], Sequence[tuple[Words, str]]]:
        """Column and first letter -> words and meanings: every cell of a file is looked up."""
        found: defaultdict[tuple[str, str], list[tuple[Words, str]]] = defaultdict(list)
        for known, means in self.meanings.items():
            for column, mark, meaning in (name.partition(":") for name in means):
                if known and mark:
                    found[column, known[0][0]].append((known, meaning))
        return dict(found)

    def of_heading(self, heading: str) -> dict[str, float]:
        """Give the columns a heading may mean, and how strongly it points to each."""
        heading = _INITIALS.sub(lambda m: m[0].replace(".", "") + " ", heading)
        words = words_of(heading.rpartition(".")[2] or heading)
        whole, short = words_of(heading), _shortened(heading)
        found: dict[str, float] = {}
        for _, known, names in sorted(self._that_may_be(words, whole, short)):
            share = _share(known, words)
            if short and _is_short_for(known, whole, short):
                share = max(share, SHORT)
            for name in names if share else ():
                found[name] = max(found.get(name, 0.0), share)
        return found

    def _that_may_be(
        self, words: Words, whole: Words, short: frozenset[str]
    ) -> Iterator[tuple[int, Words, Sequence[str]]]:
        """Give what begins with a word of a heading, or with one that is cut short in it."""
        first = {*words}
        if short and whole:
            first |= {word for word in self._columns if word.startswith(whole[0])}
        return (each for word in first for each in self._columns.get(word, ()))

    def of_word(self, column: str, word: str) -> str | None:
        """Translate a word of a choice column; None: not known, or it means several things."""
        means = self.meanings.get(words_of(word), ())
        ours = [name.partition(":")[2] for name in means if name.startswith(f"{column}:")]
        return ours[0] if len(ours) == 1 else None

    def of_beginning(self, column: str, text: str, *, anywhere: bool = False) -> str:
        """Say what the first words of a text mean; of several that fit, the longest; empty: none.

        Known are beginnings of words, as languages bend their ends: *anulad* of anulado, anulada.
        """
        fits = self._that_begin(column, words_of(text), anywhere=anywhere)
        return max(fits, default=(0, ""))[1]

    def all_of_beginning(self, column: str, text: str, *, anywhere: bool = False) -> set[str]:
        """List all that the words of a text mean: *cancelled, wrong vehicle* is two things."""
        fits = self._that_begin(column, words_of(text), anywhere=anywhere)
        return {meaning for _, meaning in fits}

    def _that_begin(
        self, column: str, words: Words, *, anywhere: bool
    ) -> Iterator[tuple[int, str]]:
        """Give what begins as known words do, with the letters of those."""
        for at, word in enumerate(words if anywhere else words[:1]):
            for known, meaning in self._beginnings.get((column, word[0]), ()):
                if _begins(known, words[at : at + len(known)]):
                    yield len("".join(known)), meaning


def _begins(known: Words, words: Words) -> bool:
    """Whether words are known ones, of which the last may go on."""
    return words[:-1] == known[:-1] and _goes_on(known[-1], words[-1])


def _goes_on(known: str, word: str) -> bool:
    """Whether a word begins with a known one; two letters begin too much: *lu* is not of Luton."""
    return word == known or (len(known) > _TOO_SHORT and word.startswith(known))


def _shortened(heading: str) -> frozenset[str]:
    return frozenset(word for text in _SHORTENED.findall(heading) for word in words_of(text))


def _is_short_for(known: Words, words: Words, short: frozenset[str]) -> bool:
    """Whether a heading is a known one with words cut short, as Auftr.-Nr. is of Auftrag Nr."""
    return len(known) == len(words) and all(
        k == w or (w in short and k.startswith(w)) for k, w in zip(known, words, strict=True)
    )


def _share(known: Words, words: Words) -> float:
    if known == words:
        return EXACT
    n = len(known)
    is_within = any(words[at : at + n] == known for at in range(len(words) - n + 1))
    # the more of the heading the words are, the surer
    return PART * n / len(words) if n and is_within else 0.0


def read_heading_words(*paths: Path) -> HeadingWords:
    """Read the tables.

    Raises:
        ConfigError: one is missing or has other columns.

    """
    pairs = [pair for path in paths for pair in _pairs_of(path)]
    meanings: dict[Words, tuple[str, ...]] = {}
    for words, means in pairs:
        if means not in meanings.get(words, ()):
            meanings[words] = (*meanings.get(words, ()), means)
    return HeadingWords(meanings)


def _pairs_of(path: Path) -> list[tuple[Words, str]]:
    try:
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        return [(words_of(w), row["means"]) for row in rows for w in row["words"].split("|")]
    except (OSError, KeyError, UnicodeDecodeError) as error:
        raise ConfigError(f"{path} cannot be read as means,words,source: {error}") from error
