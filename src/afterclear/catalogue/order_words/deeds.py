"""Words for work that are written short or wrong: "repalced", "rplct"."""

from typing import Final

from afterclear.catalogue.order_words.letters import folded_word

_MISSPELT_FROM: Final = 8  # letters of a misspelt word for work; longer ones may have two wrong
_PICKED_FROM: Final = 4  # letters of a word for work written by consonants alone
_VOWELS: Final = frozenset("aeiouy")
_WORDS_KEPT: Final = 50_000


class Deeds:
    """The words of one language for what was done."""

    def __init__(self) -> None:
        self._names: dict[str, str] = {}  # folded -> action
        self._misspelt: dict[str, str] = {}  # as met -> action

    def add(self, name: str, action: str) -> None:
        """Take a word long enough to be known when misspelt; the first action stays."""
        folded = folded_word(name.casefold())
        if len(folded) >= _MISSPELT_FROM - 1 and folded.isalpha():
            self._names.setdefault(folded, action)

    def misspelt(self, word: str) -> str:
        """Find the action of the words for work that are next to an unknown word."""
        if (told := self._misspelt.get(word)) is None:
            folded = folded_word(word)
            is_short = len(folded) < _MISSPELT_FROM
            meant = self._shortened(folded) if is_short else self._nearest(folded)
            told = meant.pop() if len(meant) == 1 else ""
            if len(self._misspelt) < _WORDS_KEPT:
                self._misspelt[word] = told
        return told

    def _nearest(self, folded: str) -> set[str]:
        """Find the actions of the words for work that have fewest other letters."""
        from rapidfuzz import process  # noqa: PLC0415 - only texts of work orders need it
        from rapidfuzz.distance import OSA  # noqa: PLC0415

        near = process.extract(
            folded,
            [name for name in self._names if name[0] == folded[0]],
            scorer=OSA.distance,
            score_cutoff=1 + (len(folded) > _MISSPELT_FROM),
        )
        return {self._names[name] for name, far, _ in near if far == near[0][1]}

    def _shortened(self, folded: str) -> set[str]:
        """Find the actions whose consonants a short word picks: "rplct", "chkd"."""
        if len(folded) < _PICKED_FROM or not _VOWELS.isdisjoint(folded):
            return set()
        return {action for name, action in self._names.items() if _picks(folded, name)}


def _picks(short: str, name: str) -> bool:
    """Whether a short word has letters of a name, in its order, and its first."""
    rest = iter(name)
    return name[0] == short[0] and all(letter in rest for letter in short)
