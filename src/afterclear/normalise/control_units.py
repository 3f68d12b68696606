"""Names of control units in all languages, and which unit's box may hold another's function.

They stand in ``config/lexicon*.toml`` beside the names of components, and are read by themselves
where nothing else of the lexicon is asked: there are thousands of components.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from afterclear.errors import ConfigError
from afterclear.normalise.tables import read_settings
from afterclear.normalise.words import Names, Run, Words, longest, words_of


class ControlUnits:
    """Control units by their names."""

    def __init__(self) -> None:
        self.labels: dict[str, str] = {}
        self.may_sit_in: dict[str, tuple[str, ...]] = {}  # unit -> others whose box may hold it
        self._names = Names()

    @classmethod
    def load(cls, config_dir: Path) -> "ControlUnits":
        """Read the control units of every ``lexicon*.toml``.

        Raises:
            ConfigError: a file is missing or wrong, or one name means two units; all at once.

        """
        units = cls()
        read_lexicon(config_dir, units.add)
        return units

    def add(self, settings: Mapping[str, Any]) -> Iterator[str]:
        """Take in one file's units; say what is wrong with them."""
        for key, entry in settings.get("ecus", {}).items():
            names = list(entry.get("names", ()))
            if "label" in entry:
                self.labels[key] = entry["label"]
                self.may_sit_in[key] = tuple(entry.get("may_sit_in", ()))
                names = [key, entry["label"], *names]
            elif key not in self.labels:
                yield f"the control unit {key} is not in lexicon.toml"
            yield from self._names.add_all(names, key)

    def named(self, text: str) -> str | None:
        """Name the control unit a text speaks about; None if it names no known one."""
        best = longest(self._names.runs(words_of(text)))
        return best.meaning if best else None

    def among(self, words: Words) -> list[Run]:
        """Find the control units named among words."""
        return self._names.runs(words)


def read_lexicon(config_dir: Path, take: Callable[[Mapping[str, Any]], Iterable[str]]) -> None:
    """Hand the lexicon and then its other languages to ``take``, which says what is wrong.

    Raises:
        ConfigError: a file is missing, not TOML, or wrong; all that is wrong at once.

    """
    paths = (config_dir / "lexicon.toml", *sorted(config_dir.glob("lexicon_*.toml")))
    problems = [
        f"{path.name}: {problem}" for path in paths for problem in take(read_settings(path))
    ]
    if problems:
        raise ConfigError("The lexicon is wrong:\n  " + "\n  ".join(problems))
