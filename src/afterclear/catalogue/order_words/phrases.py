"""Names of parts, places and actions found among the words of a text."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from afterclear.catalogue.order_words.vocabulary import Word

_SPREAD = 2  # words that may stand between the words of one name
_SEVERAL = 2  # names that may overlap

_NO_WALLS: frozenset[int] = frozenset()

_Name = tuple[str, ...]  # the stems of its words


@dataclass(frozen=True, slots=True)
class Found:
    """A name found among words."""

    places: tuple[int, ...]  # of its words, as written
    meaning: str

    @property
    def start(self) -> int:
        """Place of its first word."""
        return min(self.places)

    @property
    def end(self) -> int:
        """Place after its last word."""
        return max(self.places) + 1


@dataclass(slots=True)
class Phrases:
    """Names of one kind by their stems.  The first meaning of a name stays."""

    _meanings: dict[_Name, str] = field(default_factory=dict)
    _first: dict[str, list[_Name]] = field(default_factory=lambda: defaultdict(list))
    _rarest: dict[str, list[_Name]] = field(default_factory=dict)  # made when first asked

    def add(self, stems: tuple[str, ...], meaning: str) -> None:
        """Take a name."""
        if stems and stems not in self._meanings:
            self._meanings[stems] = meaning
            self._first[stems[0]].append(stems)

    def _is_sure(self, run: list[Word]) -> bool:
        """Whether words cut short can only mean this.

        One of several words must be written in full; a lone one may only begin names of one
        meaning.
        """
        if len(run) > 1 or run[0].sure:
            return any(word.sure for word in run)
        begun = {m for stem in run[0].stems if (m := self._meanings.get((stem,))) is not None}
        others = sum((stem,) not in self._meanings for stem in run[0].stems)
        return len(begun) == 1 and not others

    def in_order(self, words: list[Word]) -> list[Found]:
        """Names whose words follow each other, the longest first; none overlap."""
        found = []
        for start, word in enumerate(words):
            names = [n for stem in word.stems if stem in self._first for n in self._first[stem]]
            for name in names:
                run = words[start : start + len(name)]
                if (
                    len(run) == len(name)
                    and all(stem in w.stems for stem, w in zip(name, run, strict=True))
                    and self._is_sure(run)
                ):
                    places = tuple(range(start, start + len(name)))
                    found.append(Found(places, self._meanings[name]))
        return _apart(found)

    def scattered(
        self, words: list[Word], passed: set[int], walls: frozenset[int] = _NO_WALLS
    ) -> list[Found]:
        """Names whose words are all close together, in any order; ``passed`` do not count.

        No name lies across a word of ``walls``, which may only be one of its own.
        """
        found: dict[tuple[tuple[int, ...], frozenset[str]], Found] = {}
        for name in self._within(words):
            for start, word in enumerate(words):
                if word.stems.isdisjoint(name):
                    continue
                places = _gather(name, words, start, passed, walls)
                if places and self._is_sure([words[at] for at in places]):
                    found[places, frozenset(name)] = self._in_turn(name, places, words, found)
        return _apart(list(found.values()))

    def _in_turn(
        self,
        name: _Name,
        places: tuple[int, ...],
        words: list[Word],
        found: Mapping[tuple[tuple[int, ...], frozenset[str]], Found],
    ) -> Found:
        """Prefer the name whose words stand in this order: "filtr oleju" to "olej, filtr"."""
        before = found.get((places, frozenset(name)))
        is_in_turn = all(s in words[at].stems for s, at in zip(name, places, strict=True))
        one = Found(places, self._meanings[name])
        return one if is_in_turn or before is None else before

    def _within(self, words: list[Word]) -> list[_Name]:
        """Names whose stems all occur somewhere among words."""
        if not self._rarest:
            self._rarest = _by_rarest(self._meanings)
        present = {stem for word in words for stem in word.stems}
        return [n for stem in present for n in self._rarest.get(stem, ()) if present.issuperset(n)]


def _by_rarest(names: Iterable[_Name]) -> dict[str, list[_Name]]:
    """Names by the stem of theirs that fewest other names have."""
    often = Counter(stem for name in names for stem in name)
    held: dict[str, list[_Name]] = {}
    for name in names:
        held.setdefault(min(name, key=lambda stem: often[stem]), []).append(name)
    return held


def _gather(
    name: _Name, words: list[Word], start: int, passed: set[int], walls: frozenset[int]
) -> tuple[int, ...]:
    wanted = list(name)
    places: list[int] = []
    spare = _SPREAD if len(name) > 1 else 0
    for at in range(start, len(words)):
        stem = next((s for s in wanted if s in words[at].stems), None)
        if stem is not None:
            wanted.remove(stem)
            places.append(at)
            if not wanted:
                return tuple(places)
        elif at in walls:
            return ()
        elif at not in passed:
            spare -= 1
            if spare < 0:
                return ()
    return ()


def _apart(found: list[Found]) -> list[Found]:
    """Keep the longest of names that overlap; of equal ones the closest, then the first."""
    if len(found) < _SEVERAL:
        return found
    kept: list[Found] = []
    taken: set[int] = set()
    for one in sorted(found, key=lambda f: (-len(f.places), f.end - f.start, f.start, f.meaning)):
        if taken.isdisjoint(one.places):
            taken.update(one.places)
            kept.append(one)
    return sorted(kept, key=lambda f: f.start)
