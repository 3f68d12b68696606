"""A file line by line: no table is looked for, and nothing is understood."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from afterclear.readers.formats.html_tables import html_tables
from afterclear.readers.formats.nested import LINE_KEY, Node
from afterclear.readers.formats.printed_lines import printed_text
from afterclear.readers.suggest.columns.numbers import OWN_DECIMAL
from afterclear.readers.suggest.evidence.source_file import SourceFile
from afterclear.readers.suggest.evidence.table_seen import LOOKED_AT
from afterclear.readers.text.text_of_bytes import decoded

_COMMENT = re.compile(rb"<!--(.*?)-->", re.DOTALL)


@dataclass(frozen=True, slots=True)
class SourceLine:
    """One line or row: its number (0: it has none), its sheet or path, and its text."""

    number: int
    place: str
    text: str


def source_lines(source: SourceFile, encoding: str, tree: Node) -> Iterator[SourceLine]:
    """Give all that a file says, hidden sheets apart: whoever opens it does not see them.

    ``tree``: the part of a nested file that is looked at; None: it is none.
    """
    if tree is not None:
        yield from _of_tree(tree, ())
        for said in _COMMENT.findall(source.raw):
            yield SourceLine(0, "", " ".join(said.decode("utf-8", "replace").split()))
    elif source.is_workbook:
        yield from _of_workbook(source)
    elif source.is_pdf:
        yield from _of_text(printed_text(source.pages))
    else:
        is_found = encoding == "detect"
        text = (source.text if is_found else decoded(source.raw, encoding, source.name)).text
        begin = text.lstrip("\ufeff \t\r\n")[:2000].lower()
        if "<table" in text.lower() and begin.startswith("<"):
            yield from _of_html(text, source.name)
        else:
            yield from _of_text(text)


def _of_text(text: str) -> Iterator[SourceLine]:
    plain = text.replace("\r\n", "\n").replace("\r", "\n")
    for number, line in enumerate(plain.split("\n")[:LOOKED_AT], 1):
        yield SourceLine(number, "", line)


def _of_workbook(source: SourceFile) -> Iterator[SourceLine]:
    for sheet in [s for s in source.sheets if not s.is_hidden] or source.sheets:
        for number, cells in sheet.grid:
            text = " ; ".join(c for c in cells if c and c.strip())
            yield SourceLine(number, sheet.name, text.replace(OWN_DECIMAL, "."))


def _of_html(text: str, where: str) -> Iterator[SourceLine]:
    for table in html_tables(text, where):
        yield from (SourceLine(0, "", line) for line in table.above.splitlines())
        for number, cells in table.rows[:LOOKED_AT]:
            yield SourceLine(number, "", " ; ".join(dict.fromkeys(c for c in cells if c)))
    after = re.sub(r"<[^>]*>", "\n", text[text.lower().rfind("</table") :])
    yield from (SourceLine(0, "", line.strip()) for line in after.splitlines())


def _of_tree(node: Node, path: tuple[str, ...]) -> Iterator[SourceLine]:
    """Give each value with the path that leads to it."""
    if isinstance(node, Mapping):
        for key, value in node.items():
            if key != LINE_KEY:
                yield from _of_tree(value, (*path, key))
    elif isinstance(node, list):
        for each in node[:LOOKED_AT]:
            yield from _of_tree(each, path)
    elif node is not None:
        yield SourceLine(0, ".".join(path), str(node).replace(OWN_DECIMAL, "."))
