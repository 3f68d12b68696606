"""Names of control units in all languages, and which unit's box may hold another's function.

They stand in ``config/lexicon*.toml`` beside the names of components, and are read by themselves
where nothing else of the lexicon is asked: there are thousands of components.
"""

from collections.abc import Iterable, Mapping
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
        refuse_problems(
            f"{name}: {problem}"
            for name, settings in lexicon_files(config_dir)
            for problem in units.add(settings)
        )
        return units

    def add(self, settings: Mapping[str, Any]) -> list[str]:
        """Take in one file's units; say what is wrong with them."""
        problems: list[str | None] = []
        for key, entry in settings.get("ecus", {}).items():
            names = list(entry.get("names", ()))
            if "label" in entry:
                self.labels[key] = entry["label"]
                self.may_sit_in[key] = tuple(entry.get("may_sit_in", ()))
                names = [key, entry["label"], *names]
            elif key not in self.labels:
                problems.append(f"the control unit {key} is not in lexicon.toml")
            problems += [self._names.add(name, key) for name in names]
        return [problem for problem in problems if problem]

    def named(self, text: str) -> str | None:
        """Name the control unit a text speaks about; None if it names no known one."""
        best = longest(self._names.runs(words_of(text)))
        return best.meaning if best else None

    def among(self, words: Words) -> list[Run]:
        """Find the control units named among words."""
        return self._names.runs(words)


def lexicon_files(config_dir: Path) -> list[tuple[str, dict[str, Any]]]:
    """Read the lexicon and then its other languages: file name and settings of each.

    Raises:
        ConfigError: one is missing, not UTF-8 or not TOML.

    """
    paths = (config_dir / "lexicon.toml", *sorted(config_dir.glob("lexicon_*.toml")))
    return [(path.name, read_settings(path)) for path in paths]


def refuse_problems(problems: Iterable[str]) -> None:
    """Raise a ConfigError that names all problems, if there are any."""
    if found := list(problems):
        raise ConfigError("The lexicon is wrong:\n  " + "\n  ".join(found))
