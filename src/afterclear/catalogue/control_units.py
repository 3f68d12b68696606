"""Names of control units in all languages, and which unit's box may hold another's function.

They are in ``config/control_units*.toml``, apart from the thousands of names of components, and are
read by themselves if nothing else is needed.
"""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from afterclear.catalogue.config_tables import read_by_language
from afterclear.catalogue.folded_words import Names, Run, Words, longest, words_of


class ControlUnits:
    """Control units by their names."""

    def __init__(self) -> None:
        self.labels: dict[str, str] = {}
        self.may_sit_in: dict[str, tuple[str, ...]] = {}  # unit -> others whose box may hold it
        self._names = Names()

    @classmethod
    def load(cls, config_dir: Path) -> "ControlUnits":
        """Read ``control_units.toml`` and then the other languages.

        Raises:
            ConfigError: a file is missing or wrong, or one name means two units; all at once.

        """
        units = cls()
        read_by_language(config_dir, "control_units", units._add)
        return units

    def _add(self, settings: Mapping[str, Any]) -> Iterator[str]:
        """Add one file's units; return the problems found."""
        for key, entry in settings.items():
            names = list(entry.get("names", ()))
            if "label" in entry:
                self.labels[key] = entry["label"]
                self.may_sit_in[key] = tuple(entry.get("may_sit_in", ()))
                names = [key, entry["label"], *names]
            elif key not in self.labels:
                yield f"the control unit {key} is not in control_units.toml"
            yield from self._names.add_all(names, key)

    def named(self, text: str) -> str | None:
        """Name the control unit a text is about; None if it names no known one."""
        best = longest(self._names.runs(words_of(text)))
        return best.meaning if best else None

    def among(self, words: Words) -> list[Run]:
        """Find the control units named among words."""
        return self._names.runs(words)
