"""Tables of an HTML page as grids of cells, with the text before each.

Cells that span rows or columns are repeated in all places they cover.  Nothing is fetched or run;
text outside tables is kept only as the text above the next one.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from html.parser import HTMLParser

from afterclear.errors import RefusedFileError, told_by, worded
from afterclear.readers.maps.struck_cells import StruckCells

MAX_SPAN = 1000  # the HTML standard's own limit on colspan
MAX_CELLS = 20_000_000
MAX_DEPTH = 64  # tables within tables
_SILENT = {"script", "style", "template", "head"}
_STRIKING = {"s", "strike", "del"}
_THROUGH = "line-through"
_STRUCK_CLASS = re.compile(r"\.([\w-]+)[^{}]*\{[^{}]*line-through")
_EMPTY = {"br", "hr", "img", "input", "col", "wbr", "meta", "link", "area", "base", "source"}
_BREAKS = {"br", "p", "div", "h1", "h2", "h3", "h4", "li", "dt", "caption"}


@dataclass(slots=True)
class HtmlTable:
    """One table: its rows with their lines, and the page's text between it and the one before."""

    above: str
    rows: list[tuple[int, list[str]]] = field(default_factory=list)
    spans: dict[int, tuple[int, str]] = field(default_factory=dict)  # column -> rows to come, text


class _Tables(HTMLParser):
    def __init__(self, struck_classes: set[str]) -> None:
        super().__init__(convert_charrefs=True)
        self._struck_classes = struck_classes
        self._struck: list[str] = []  # open elements, from the first that strikes its text out
        self._is_row_struck = False
        self.tables: list[HtmlTable] = []
        self.text: list[str] = []  # outside tables, since the last one
        self._open: list[HtmlTable] = []
        self._cell: tuple[list[str], int, int] | None = None  # text, columns, rows it spans
        self._row: tuple[int, list[str]] | None = None
        self._silent = 0
        self._n_cells = 0

    def handle_starttag(self, tag: str, attrs: Sequence[tuple[str, str | None]]) -> None:
        self._strike(tag, dict(attrs))
        if tag in _SILENT:
            self._silent += 1
        elif tag == "table":
            self._end_row()
            if len(self._open) >= MAX_DEPTH:
                raise RefusedFileError(worded("it has tables nested too deep."))
            self._open.append(HtmlTable(" ".join("".join(self.text).split(" "))))
            self.tables.append(self._open[-1])
            self.text = []
        elif tag == "tr" and self._open:
            self._end_row()
            self._row = (self.getpos()[0], [])
        elif tag in {"td", "th"} and self._open:
            self._end_cell()
            if self._row is None:
                self._row = (self.getpos()[0], [])
            attributes = dict(attrs)
            self._cell = ([], _span(attributes.get("colspan")), _span(attributes.get("rowspan")))
        elif tag == "dd" and self._cell is None:
            self._end_term()
        elif tag in _BREAKS:
            self.handle_data("\n")

    def handle_endtag(self, tag: str) -> None:
        if tag in self._struck:
            del self._struck[len(self._struck) - 1 - self._struck[::-1].index(tag) :]
        if tag in _SILENT:
            self._silent = max(0, self._silent - 1)
        elif tag in {"td", "th"}:
            self._end_cell()
        elif tag == "tr":
            self._end_row()
        elif tag == "table" and self._open:
            self._end_row()
            self._open.pop()
        elif tag == "dd" or (tag in _BREAKS and tag != "dt"):
            self.handle_data("\n")

    def handle_data(self, data: str) -> None:
        if self._silent:
            return
        if self._cell is not None:
            self._cell[0].append(data)
            self._is_row_struck |= bool(self._struck and data.strip())
        elif not self._open or data.strip():
            self.text.append(data)

    def _strike(self, tag: str, attributes: dict[str, str | None]) -> None:
        """Note an element that strikes its text out, and those within it."""
        for outer in ("tr", "td", "th"):  # their end may be left out
            if outer in self._struck and tag in {"tr", outer}:
                del self._struck[self._struck.index(outer) :]
        classes = set((attributes.get("class") or "").split())
        strikes = (
            tag in _STRIKING
            or _THROUGH in (attributes.get("style") or "")
            or bool(classes & self._struck_classes)
        )
        if (self._struck or strikes) and tag not in _EMPTY:
            self._struck.append(tag)

    def finish(self) -> list[HtmlTable]:
        self.close()
        self._end_row()
        return self.tables

    def _end_term(self) -> None:
        """Let what a term of a list means stand behind it, as behind a label."""
        term = "".join(self.text).rstrip(" \n\t:")
        self.text = [f"{term}: " if term else ""]

    def _end_cell(self) -> None:
        if self._cell is None or self._row is None:
            return
        texts, n_columns, n_rows = self._cell
        self._cell = None
        text = " ".join("".join(texts).split())
        row, table = self._row[1], self._open[-1]
        self._take_spans()
        for _ in range(n_columns):
            if n_rows > 1:
                table.spans[len(row)] = (n_rows, text)
            row.append(text)
            self._n_cells += 1
        if self._n_cells > MAX_CELLS:
            raise RefusedFileError(
                worded("it has more than {max_cells:,} cells.", max_cells=MAX_CELLS)
            )

    def _take_spans(self) -> None:
        """Fill in what cells of rows above reach down to here."""
        if self._row is None or not self._open:
            return
        row, spans = self._row[1], self._open[-1].spans
        while (at := len(row)) in spans and spans[at][0] > 1:
            row.append(spans[at][1])
            spans[at] = (spans[at][0] - 1, spans[at][1])

    def _end_row(self) -> None:
        self._end_cell()
        if self._row is None or not self._open:
            self._row = None
            return
        self._take_spans()
        line, cells = self._row
        self._open[-1].rows.append((line, StruckCells(cells) if self._is_row_struck else cells))
        self._row = None
        self._is_row_struck = False


def is_facts(table: HtmlTable) -> bool:
    """Recognise a table of two columns: a label and its value."""
    widths = [len(cells) for _, cells in table.rows]
    return bool(widths) and max(widths) == 2  # noqa: PLR2004


def texts_above(tables: Sequence[HtmlTable]) -> list[str]:
    """Give the text that applies to each table, the nearest first.

    A repeated label discards its first value and all that followed: facts of one vehicle must not
    pass to the next one.
    """
    found = []
    held: list[tuple[str, str]] = []  # label, line
    for table in tables:
        lines = [(_label(line), line) for line in table.above.splitlines() if line.strip()]
        held = _anew(held, lines)
        near = [line for _, line in lines]
        found.append("\n".join([*near, *(x for _, x in held[: len(held) - len(near)][::-1])]))
        if is_facts(table):
            facts = [
                (cells[0].strip(" :").casefold(), " ".join(cells))
                for _, cells in table.rows
                if cells
            ]
            held = _anew(held, facts)
    return found


def _label(line: str) -> str:
    label, mark, said = line.partition(":")
    return label.strip().casefold() if mark and said.strip() else ""


def _anew(held: list[tuple[str, str]], lines: list[tuple[str, str]]) -> list[tuple[str, str]]:
    labels = {label for label, _ in lines if label}
    first = next((n for n, (label, _) in enumerate(held) if label in labels), len(held))
    return [*held[:first], *lines]


def _span(said: str | None) -> int:
    try:
        return min(max(int(said or 1), 1), MAX_SPAN)
    except ValueError:
        return 1


def html_tables(text: str, where: str) -> list[HtmlTable]:
    """List a page's tables in the order they begin.

    Raises:
        RefusedFileError: there are none, or too many cells.

    """
    parser = _Tables(set(_STRUCK_CLASS.findall(text)) if _THROUGH in text else set())
    try:
        parser.feed(text.replace("\r\n", "\n").replace("\r", "\n"))
        tables = parser.finish()
    except (AssertionError, RecursionError) as error:
        raise RefusedFileError(
            worded("{where} is no HTML: {error}", where=where, error=error)
        ) from error
    except RefusedFileError as error:
        raise RefusedFileError(
            worded("{where} is refused: {why}", where=where, why=told_by(error))
        ) from error
    if not tables:
        raise RefusedFileError(worded("{where} has no table in it.", where=where))
    return tables
