"""What headings and status words mean, in several languages: ``config/imports/headings.csv``."""

import csv
from dataclasses import dataclass
from pathlib import Path

from afterclear.catalogue.folded_words import Words, words_of
from afterclear.errors import ConfigError

EXACT, PART = 0.9, 0.6  # certainty from a whole heading, and from one that only holds the words


@dataclass(frozen=True, slots=True)
class HeadingWords:
    """Folded words -> what they may mean: a plain column, or ``status:confirmed``."""

    meanings: dict[Words, tuple[str, ...]]

    def of_heading(self, heading: str) -> dict[str, float]:
        """Give the columns a heading may mean, and how strongly it points to each."""
        words = words_of(heading.rpartition(".")[2] or heading)
        found: dict[str, float] = {}
        for known, means in self.meanings.items():
            share = _share(known, words)
            for name in means if share else ():
                if ":" not in name:
                    found[name] = max(found.get(name, 0.0), share)
        return found

    def of_word(self, column: str, word: str) -> str | None:
        """Translate a word of a choice column; None: not known, or it means several things."""
        means = self.meanings.get(words_of(word), ())
        ours = [name.partition(":")[2] for name in means if name.startswith(f"{column}:")]
        return ours[0] if len(ours) == 1 else None


def _share(known: Words, words: Words) -> float:
    if known == words:
        return EXACT
    n = len(known)
    is_within = any(words[at : at + n] == known for at in range(len(words) - n + 1))
    # the more of the heading the words are, the surer
    return PART * n / len(words) if n and is_within else 0.0


def read_heading_words(path: Path) -> HeadingWords:
    """Read the table.

    Raises:
        ConfigError: it is missing or has other columns.

    """
    try:
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        pairs = [(words_of(w), row["means"]) for row in rows for w in row["words"].split("|")]
    except (OSError, KeyError, UnicodeDecodeError) as error:
        raise ConfigError(f"{path} cannot be read as means,words,source: {error}") from error
    meanings: dict[Words, tuple[str, ...]] = {}
    for words, means in pairs:
        if means not in meanings.get(words, ()):
            meanings[words] = (*meanings.get(words, ()), means)
    return HeadingWords(meanings)
