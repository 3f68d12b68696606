"""A file line by line, read anew: no table is looked for, and nothing is understood."""

import re
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from afterclear.readers.formats.html_tables import html_tables
from afterclear.readers.formats.nested import LINE_KEY, Node, json_tree
from afterclear.readers.formats.printed_lines import printed_text
from afterclear.readers.formats.printed_pages import is_pdf, pages_of
from afterclear.readers.formats.workbook import is_workbook, read_sheets
from afterclear.readers.formats.xml_tree import xml_tree
from afterclear.readers.text.text_of_bytes import decoded
from afterclear.records import Delivery

MOST_LINES = 20_000
_MOST_PAGES = 50
_COMMENT = re.compile(r"<!--(.*?)-->", re.DOTALL)


@dataclass(frozen=True, slots=True)
class SourceLine:
    """One line or row: its number (0: it has none), its sheet or path, and its text."""

    number: int
    place: str
    text: str


def source_lines(delivery: Delivery, encoding: str) -> Iterator[SourceLine]:
    """Give all that a file says, hidden sheets apart: whoever opens it does not see them."""
    raw = delivery.path.read_bytes()
    if is_workbook(raw[:8], delivery.path):
        yield from _of_workbook(raw, delivery)
    elif is_pdf(delivery.path):
        pages = pages_of(delivery.path, delivery.name, sys.maxsize, first_pages=_MOST_PAGES)
        yield from _of_text(printed_text(pages))
    else:
        text = decoded(raw, encoding, delivery.name).text
        begin = text.lstrip("\ufeff \t\r\n")[:2000].lower()
        if begin.startswith(("{", "[")):
            tree, _ = json_tree(text, delivery.name)
            yield from _of_tree(tree, ())
        elif "<table" in text.lower() and begin.startswith("<"):
            yield from _of_html(text, delivery)
        elif begin.startswith("<"):
            yield from _of_tree(xml_tree(raw, delivery.name), ())
            yield from (
                SourceLine(0, "", " ".join(said.split())) for said in _COMMENT.findall(text)
            )
        else:
            yield from _of_text(text)


def _of_text(text: str) -> Iterator[SourceLine]:
    plain = text.replace("\r\n", "\n").replace("\r", "\n")
    for number, line in enumerate(plain.split("\n")[:MOST_LINES], 1):
        yield SourceLine(number, "", line)


def _of_workbook(raw: bytes, delivery: Delivery) -> Iterator[SourceLine]:
    sheets = read_sheets(raw, delivery.name, first_rows=MOST_LINES)
    for sheet in [s for s in sheets if not s.is_hidden] or sheets:
        for number, cells in sheet.grid:
            yield SourceLine(number, sheet.name, " ; ".join(c for c in cells if c and c.strip()))


def _of_html(text: str, delivery: Delivery) -> Iterator[SourceLine]:
    for table in html_tables(text, delivery.name):
        yield from (SourceLine(0, "", line) for line in table.above.splitlines())
        for number, cells in table.rows[:MOST_LINES]:
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
        for each in node[:MOST_LINES]:
            yield from _of_tree(each, path)
    elif node is not None:
        yield SourceLine(0, ".".join(path), str(node))
