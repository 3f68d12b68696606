"""Words on pages that are nobody's names: the program's own, and shown texts."""

import re
from collections.abc import Iterable, Iterator
from importlib.resources import files
from pathlib import Path
from typing import Final

import polars as pl

from afterclear.digest.input.frames import FleetFrames
from afterclear.digest.input.pseudonyms import may_quote

_WORD: Final = re.compile(r"\w+")
_WRITTEN: Final = {".py", ".html", ".css", ".js", ".svg", ".pot", ".mo", ".toml", ".csv", ".json"}


def own_words(tables: Path) -> frozenset[str]:
    """Gather the words of the program's pages, sentences and tables of codes."""
    places = (Path(str(files("afterclear"))), tables)
    found: set[str] = set()
    for place in places:
        for path in place.rglob("*"):
            if path.suffix in _WRITTEN:
                found.update(_WORD.findall(path.read_text(encoding="utf-8", errors="replace")))
    return frozenset(found)


def shown_words(frames: FleetFrames) -> frozenset[str]:
    """Gather the words pages show in full: makes, sites, brands, tokens for names.

    ``frames``: with tokens in place of names.
    """
    found: set[str] = set()
    for frame in (frames.fleet, frames.attempts, *frames.findings.values()):
        for text in _shown(frame):
            found.update(_WORD.findall(text))
    return frozenset(found)


def sought(names: Iterable[str], words: frozenset[str]) -> list[str]:
    """Keep the names that no page has unless somebody is named: not all their words are shown."""
    return [name for name in names if not words.issuperset(_WORD.findall(name))]


def _shown(frame: pl.DataFrame) -> Iterator[str]:
    for name in frame.columns:
        if frame.schema[name] == pl.String and not may_quote(name):
            yield from frame[name].drop_nulls().unique()
