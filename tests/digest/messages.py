"""Every text of the pages, taken from templates and code: what a catalogue must have.

``python -m tests.digest.messages`` merges new texts into each language's ``.po``; compile with
``python -m tests.digest.messages --compile``.
"""

import ast
import io
import sys
from collections.abc import Container, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

from babel.messages.catalog import Catalog
from babel.messages.extract import extract
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po

import afterclear
from afterclear.catalogue.code_tables import CodeTables, unlisted_words
from afterclear.catalogue.config_tables import read_table
from afterclear.catalogue.lexicon import Lexicon
from afterclear.config import shipped
from afterclear.plain import TABLES
from afterclear.wording.code_words import _BETWEEN, _message

ROOT = Path(afterclear.__file__).parent
LOCALE = ROOT / "locale"
LANGUAGES = ("de",)
PARTS = ("desk", "digest", "finding_tables", "wording")
KEYWORDS = {"t": None, "tn": (1, 2), "mark": None, "counted": (1, 2), "worded": None}
# what a cell may hold (``store/intake/spelling.py``)
KEYWORDS |= {"_says": None, "_says_choices": None}
# catalogues are made anew to the byte: their heads carry no clock
_DATE = datetime(2026, 1, 1, tzinfo=UTC)
_JINJA = {"trimmed": "false", "silent": "false"}


def all_messages() -> Catalog:
    """Gather every text, in the order of files and lines."""
    found = Catalog(project="afterclear", charset="utf-8")
    paths = {p for part in PARTS for p in (ROOT / part).rglob("*")} | _worded_elsewhere()
    for path in sorted(paths):
        if path.suffix == ".py":
            method, options = _texts_of_code, {}
        elif path.suffix == ".html":
            method, options = "jinja2", _JINJA
        else:
            continue
        with path.open("rb") as file:
            for line, message, _, _ in extract(method, file, KEYWORDS, options=options):
                place = (path.relative_to(ROOT).as_posix(), line)
                found.add(message, locations=[place])
    for place, message in _texts_of_tables():
        found.add(message, locations=[(place, 0)])
    return found


def _worded_elsewhere() -> set[Path]:
    """Give the modules of other parts that say something with its places kept (``Worded``)."""
    return {path for path in ROOT.rglob("*.py") if b"worded(" in path.read_bytes()}


def _texts_of_tables() -> Iterator[tuple[str, str]]:
    """Gather what the tables say of codes, components and work on them."""
    config = shipped("config")
    tables = CodeTables.load(config / "codes")
    entries = (*tables.codes.values(), *tables.spns.values(), *tables.schemes.values())
    texts = [entry.meaning for entry in entries]
    texts += [*tables.fmis.values(), *tables.failure_types.values()]
    texts += [subsystem for *_, subsystem in tables.blocks]
    texts += [component.label for component in Lexicon.load(config).components.values()]
    texts += [unlisted_words("maker", "own numbering"), "reserved failure mode", "unassigned"]
    for part in (part for text in texts for part in _BETWEEN.split(text)[::2]):
        message, _ = _message(part)
        if message != "{a}":
            yield "config", message
    for means in (column.means for table in TABLES.values() for column in table.columns):
        if means:
            yield "plain.py", means
    for row in read_table(config / "safety.csv", ("title", "text")):
        yield "config/safety.csv", row["title"]
        yield "config/safety.csv", row["text"]


def _texts_of_code(
    file: BinaryIO,
    keywords: Container[str],
    _tags: object,
    options: object,  # noqa: ARG001
) -> Iterator[tuple[int, str, tuple[str | None, ...], list[str]]]:
    """Gather a module's texts from its syntax: Babel's own reader misses those in an f-string."""
    calls = [each for each in ast.walk(ast.parse(file.read())) if isinstance(each, ast.Call)]
    for node in sorted(calls, key=lambda call: (call.lineno, call.col_offset)):
        name = getattr(node.func, "attr", None) or getattr(node.func, "id", "")
        if name in keywords:
            said = (getattr(argument, "value", None) for argument in node.args)
            yield node.lineno, name, tuple(t if isinstance(t, str) else None for t in said), []


def catalogue(language: str) -> Catalog:
    """Read one language's texts."""
    with po_path(language).open("rb") as file:
        return read_po(file, locale=language)


def po_path(language: str) -> Path:
    """Where one language's texts stand."""
    return LOCALE / language / "LC_MESSAGES" / "afterclear.po"


def compiled(texts: Catalog) -> bytes:
    """Compile a catalogue as the program reads it."""
    out = io.BytesIO()
    write_mo(out, texts)
    return out.getvalue()


def _update() -> None:
    template = all_messages()
    for language in LANGUAGES:
        path = po_path(language)
        texts = catalogue(language) if path.exists() else Catalog(locale=language)
        texts.update(template, no_fuzzy_matching=True)
        texts.obsolete.clear()
        texts.fuzzy = False
        texts.project, texts.version = "afterclear", "1"
        texts.header_comment = f"# The pages in {language}.  Licence: as the project."
        texts.msgid_bugs_address = texts.last_translator = texts.language_team = "afterclear"
        texts.creation_date = texts.revision_date = _DATE
        with path.open("wb") as file:
            write_po(file, texts, width=100, omit_header=False, include_lineno=False)


def _compile() -> None:
    for language in LANGUAGES:
        po_path(language).with_suffix(".mo").write_bytes(compiled(catalogue(language)))


if __name__ == "__main__":
    _compile() if "--compile" in sys.argv else _update()
