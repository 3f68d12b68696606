"""The words of all languages read from ``config``, and every problem found in them at once."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from afterclear.catalogue.config_tables import read_settings
from afterclear.catalogue.lexicon import Component
from afterclear.catalogue.order_words.consumables import Consumable
from afterclear.catalogue.order_words.meanings import WIRING
from afterclear.catalogue.order_words.speech import ACTIONS, LANGUAGES, Speech
from afterclear.catalogue.order_words.vocabulary import ENGLISH
from afterclear.errors import ConfigError

_SECTIONS: Final = {
    "same", "components", "beside", "positions", "before", "actions", "not_done", "advised",
    "untouched", "heads", "joins", "parts", "beyond", "other", "flowing", "stems", "states",
    "negators", "conditions", "contrasts", "pronouns", "attributes", "weak", "dotted",
    "neutral", "sundries", "quantities", "elsewhere", "here", "likewise", "findings", "remade",
    "pointers", "rubs", "bulbs", "removed", "fits",
    "trial", "purposes", "earths", "good", "after", "vague", "short", "nouns", "also", "tools",
    "given", "plain", "light", "resets", "flows", "causes", "refitted", "aims", "twos",
    "counts", "drives", "lights", "swaps", "wanders", "aligns", "between",
    "only", "echoes", "unions", "kept", "ordinals", "numerals",
}  # fmt: skip


def load_speeches(
    config_dir: Path, known: Mapping[str, Component], consumables: Mapping[str, Consumable]
) -> tuple[Speech, ...]:
    """Read the words of every language.

    Raises:
        ConfigError: a file is missing or wrong; all problems at once.

    """
    tables = {language: _tables(config_dir, language) for language in LANGUAGES}
    components = {*known, WIRING}
    problems = [p for lang in LANGUAGES for p in _problems(lang, tables[lang][1], components)]
    speeches = tuple(Speech(language, tables, consumables) for language in LANGUAGES)
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
