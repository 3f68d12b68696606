"""How one language speaks of work: names, places, actions, and words that say "not done".

``config/lexicon*.toml`` has what components and places are called, ``config/work_words*.toml``
what workshops write beside.  Both are read when the first text of a work order is.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from afterclear.catalogue.config_tables import read_settings
from afterclear.catalogue.order_text.vocabulary import (
    ENGLISH,
    Vocabulary,
    Word,
    folded_word,
    plain_words,
)
from afterclear.errors import ConfigError

WIRING: Final = "wiring"
OTHER: Final = ""  # what is no component: oil, fluids, filters of a service
LANGUAGES: Final = ("en", "de", "fr", "es", "pl")
ACTIONS: Final = ("replace", "repair", "clean", "software", "adjust", "inspect")
# words that carry no meaning for a name
_FILLERS: Final = {
    "en": "the of for a an to on in at",
    "de": "der die das den dem des im am vom von zum zur für am bei",
    "fr": "de du des la le les à au aux en d l",
    "es": "de la el los las del al en a",
    "pl": "w we z ze do na od dla",
}
_SECTIONS: Final = {
    "same", "components", "beside", "positions", "before", "actions", "not_done", "advised",
    "untouched", "heads", "joins", "parts", "beyond", "other", "flowing",
}  # fmt: skip
_SPREAD = 2  # words that may stand between the words of one name


@dataclass(frozen=True, slots=True)
class Found:
    """A name met among words."""

    places: tuple[int, ...]  # of its words, as they stand
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

    _meanings: dict[tuple[str, ...], str] = field(default_factory=dict)
    _holding: dict[str, set[tuple[str, ...]]] = field(default_factory=lambda: defaultdict(set))

    def add(self, stems: tuple[str, ...], meaning: str) -> None:
        """Take a name."""
        if stems and stems not in self._meanings:
            self._meanings[stems] = meaning
            for stem in stems:
                self._holding[stem].add(stems)

    def _is_sure(self, run: list[Word]) -> bool:
        """Tell whether words cut short can only mean this.

        One of several words must stand there in full; a lone one may only begin names of one
        meaning.
        """
        if len(run) > 1 or run[0].sure:
            return any(word.sure for word in run)
        begun = {m for stem in run[0].stems if (m := self._meanings.get((stem,))) is not None}
        others = sum((stem,) not in self._meanings for stem in run[0].stems)
        return len(begun) == 1 and not others

    def in_order(self, words: list[Word]) -> list[Found]:
        """Names whose words stand one after the other, the longest first; none overlap."""
        found = []
        for start, word in enumerate(words):
            for name in {n for stem in word.stems for n in self._holding.get(stem, ())}:
                run = words[start : start + len(name)]
                if (
                    len(run) == len(name)
                    and all(stem in w.stems for stem, w in zip(name, run, strict=True))
                    and self._is_sure(run)
                ):
                    places = tuple(range(start, start + len(name)))
                    found.append(Found(places, self._meanings[name]))
        return _apart(found)

    def scattered(self, words: list[Word], passed: set[int]) -> list[Found]:
        """Names all of whose words stand close together, in any order; ``passed`` count nothing."""
        found = []
        for start, word in enumerate(words):
            for name in {n for stem in word.stems for n in self._holding.get(stem, ())}:
                places = _gather(name, words, start, passed)
                if places and self._is_sure([words[at] for at in places]):
                    found.append(Found(places, self._meanings[name]))
        return _apart(found)


def _gather(
    name: tuple[str, ...], words: list[Word], start: int, passed: set[int]
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
        elif at not in passed:
            spare -= 1
            if spare < 0:
                return ()
    return ()


def _apart(found: list[Found]) -> list[Found]:
    """Keep the longest of names that overlap; of equal ones the closest, then the first."""
    kept: list[Found] = []
    taken: set[int] = set()
    for one in sorted(found, key=lambda f: (-len(f.places), f.end - f.start, f.start, f.meaning)):
        if taken.isdisjoint(one.places):
            taken.update(one.places)
            kept.append(one)
    return sorted(kept, key=lambda f: f.start)


class Speech:
    """The words of one language, and the English names, which are met in all."""

    def __init__(self, language: str, tables: Mapping[str, list[Mapping[str, Any]]]) -> None:
        self.language = language
        self.vocabulary = Vocabulary(language)
        self.components, self.beside = Phrases(), Phrases()
        self.positions, self.before = Phrases(), Phrases()
        self.actions, self.said = Phrases(), Phrases()
        self.problems: list[str] = []
        self.fillers = frozenset(_FILLERS[language].split())
        self.heads: set[str] = set()
        self.flowing: set[str] = set()  # oil, fuel: what runs in pipes
        self.joins: set[str] = set()
        self.beyond: set[str] = set()  # "behind": what follows is where it was
        own = tables[language]
        english = [] if language == ENGLISH else tables[ENGLISH]
        for table in own:
            self.vocabulary.parts |= frozenset(
                folded_word(part) for part in table.get("parts", {}).get("names", ())
            )
            self.problems += self.vocabulary.count_as_one(table.get("same", {}))
        for table in reversed(own):  # what work orders say comes before what codes say
            self._take(table)
        self.own = self.vocabulary.words()
        for table in reversed(english):
            self._take_components(table)

    def is_own(self, word: str) -> bool:
        """Tell whether a word, in small letters, is one of this language."""
        return (
            word in self.fillers
            or word in self.joins
            or folded_word(word) in self.own
            or any(stem in self.own for stem in self.vocabulary.stems_of(word))
        )

    def _take(self, table: Mapping[str, Any]) -> None:
        self._take_components(table)
        for spec, names in table.get("positions", {}).items():
            self._add(self.positions, names, spec)
        for axis, names in (*table.get("before", {}).items(), *table.get("numbered", {}).items()):
            if axis in {"cylinder", "bank"}:
                self._add(self.before, names, axis)
        for action, names in table.get("actions", {}).items():
            self._add(self.actions, names, action)
        for kind in ("not_done", "advised", "untouched"):
            self._add(self.said, table.get(kind, {}).get("names", ()), kind)
        for name in table.get("heads", {}).get("names", ()):
            self.heads.add(self.vocabulary.learn(name)[-1])
        for name in table.get("flowing", {}).get("names", ()):
            self.flowing.update(self.vocabulary.learn(name))
        self.joins.update(table.get("joins", {}).get("names", ()))
        self.beyond.update(table.get("beyond", {}).get("names", ()))
        self._add_components(table.get("other", {}).get("names", ()), OTHER)

    def _take_components(self, table: Mapping[str, Any]) -> None:
        for key, entry in table.get("components", {}).items():
            names = entry if isinstance(entry, list) else entry.get("names", ())
            label = [] if isinstance(entry, list) else [entry["label"]] if "label" in entry else []
            self._add_components((*label, *names), key)
        for key, names in table.get("beside", {}).items():
            self._add(self.beside, names, key)

    def _add(self, into: Phrases, names: Iterable[str], meaning: str) -> None:
        for name in names:
            into.add(self.vocabulary.learn(name), meaning)

    def _add_components(self, names: Iterable[str], meaning: str) -> None:
        for name in names:
            kept = " ".join(w for w in plain_words(name) if w not in self.fillers)
            self.components.add(self.vocabulary.learn(kept or name), meaning)


def load_speeches(config_dir: Path, known: Iterable[str]) -> tuple[Speech, ...]:
    """Read the words of every language.

    Raises:
        ConfigError: a file is missing or wrong; all problems at once.

    """
    tables = {language: _tables(config_dir, language) for language in LANGUAGES}
    components = {*known, WIRING}
    problems = [p for lang in LANGUAGES for p in _problems(lang, tables[lang][1], components)]
    speeches = tuple(Speech(language, tables) for language in LANGUAGES)
    problems += [f"work_words of {s.language}: {p}" for s in speeches for p in s.problems]
    if problems:
        raise ConfigError("Words for work are wrong:\n  " + "\n  ".join(problems))
    return speeches


def _tables(config_dir: Path, language: str) -> list[Mapping[str, Any]]:
    end = "" if language == ENGLISH else f"_{language}"
    return [read_settings(config_dir / f"{name}{end}.toml") for name in ("lexicon", "work_words")]


def _problems(language: str, table: Mapping[str, Any], components: set[str]) -> Iterator[str]:
    where = f"work_words of {language}"
    yield from (f"{where} has no section [{s}]" for s in sorted(table.keys() - _SECTIONS))
    for section in ("components", "beside"):
        for key in sorted(table.get(section, {}).keys() - components):
            yield f"{where}: the component {key} is not in lexicon.toml"
    for action in sorted(table.get("actions", {}).keys() - set(ACTIONS)):
        yield f"{where}: {action} is no action; expected one of {', '.join(ACTIONS)}"
