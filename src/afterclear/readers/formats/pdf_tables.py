"""Tables of printed pages: words to lines, lines to columns, lines that are one row to a row.

A printed table does not mark its cells, so their places decide: text below a heading belongs to its
column, and a line that continues a cell is recognised by the lines drawn between rows or by its
distance. If neither decides, the line is a row of its own. A line that fits no columns becomes a
row of a single cell, so that it is refused and not lost.

Line numbers count the printed lines from the first page on.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

from afterclear.errors import RefusedFileError
from afterclear.readers.formats.printed_pages import Page, Rule, Word

MAX_LINES = 2_000  # of one page; A3 in small print has some 300
# Own judgement, in heights of the letters.
_SAME_LINE = 0.35  # of one baseline
_CELL_GAP = 0.7  # a wider gap parts two cells; a blank is 0.28
_TIGHT_GAP = 0.4  # ... a narrower one only where two headings say so
_OVERLAP = 0.9  # nearer lines are cells of one row, set at different heights
_WRAPPED = 1.5  # a line of the same cell is no further down
_FAR = 5.0  # further down is another table
_CLEARLY = 0.88  # a gap is smaller than another
_MOST_MISFITS = 2  # lines in turn that fit no column: the table has ended
_FACTS = 2  # columns of a table of labels and values


@dataclass(slots=True)
class PrintedTable:
    """One table: its rows by printed line, and the text that applies to it."""

    above: str
    rows: list[tuple[int, list[str]]] = field(default_factory=list)

    @property
    def name(self) -> str:
        """Its first line, to know it by."""
        return ", ".join(cell for cell in self.rows[0][1] if cell)[:80]

    @property
    def is_facts(self) -> bool:
        """Whether it is a label and its value, line by line."""
        return len(self.rows[0][1]) == _FACTS


@dataclass(slots=True)
class _Piece:
    """Text printed without a gap: a cell, or several close together."""

    words: list[Word]

    @property
    def left(self) -> float:
        return self.words[0].left

    @property
    def right(self) -> float:
        return self.words[-1].right

    @property
    def text(self) -> str:
        return " ".join(word.text for word in self.words)


@dataclass(slots=True)
class _Line:
    number: int
    base: float
    size: float
    pieces: list[_Piece]
    cells: dict[int, str] = field(default_factory=dict)  # column -> text; empty: it fits none

    @property
    def text(self) -> str:
        return "  ".join(piece.text for piece in self.pieces)


@dataclass(slots=True)
class _Region:
    """Lines of one table, and where its columns are: [left, right]."""

    first: int
    last: int
    columns: list[list[float]]

    def weigh(self, lines: Sequence[_Line]) -> int:
        """Count the cells of its rows."""
        found = [_fitted(line, self.columns) for line in lines[self.first : self.last + 1]]
        return sum(len(each) for each in found if each and len(each) > 1)


def printed_text(pages: Sequence[Page]) -> str:
    """Give the printed lines as text."""
    return "\n".join(line.text for _, lines in _numbered(pages) for line in lines)


def printed_tables(pages: Sequence[Page], where: str) -> list[PrintedTable]:
    """List the tables in the order in which they are printed.

    Raises:
        RefusedFileError: there are none.

    """
    tables: list[PrintedTable] = []
    text: list[str] = []  # that applies to the next table
    columns: list[list[float]] = []  # of the last table
    for page, lines in _numbered(pages):
        at, is_first = 0, True
        for region in _regions(lines):
            before, text = text, _held(text, lines[at : region.first])
            rows = _rows(lines[region.first : region.last + 1], region.columns, page.rules)
            if is_first and tables and _continues(rows, region, tables[-1], columns):
                tables[-1].rows += rows
            else:
                n_held = len(before) if text[: len(before)] == before else 0
                # the nearest comes first, so that a pattern finds it before earlier text
                above = [*text[n_held:], *text[:n_held][::-1]]
                tables.append(PrintedTable("\n".join(above), rows))
            if len(region.columns) == _FACTS:
                text = _held(text, lines[region.first : region.last + 1])
            at, is_first, columns = region.last + 1, False, region.columns
        text = _held(text, lines[at:])
    if not tables:
        raise RefusedFileError(
            f"{where} has no table that could be found. If it is a report, write a map of the kind "
            "'text' with patterns, as help/imports.md of the program tells."
        )
    return tables


# --- lines --------------------------------------------------------------------------------------


def _numbered(pages: Sequence[Page]) -> Iterator[tuple[Page, list[_Line]]]:
    number = 0
    for page in pages:
        lines = _lines(page, number)
        number += len(lines)
        yield page, lines


def _lines(page: Page, before: int) -> list[_Line]:
    """Put words of one baseline together, from the top down."""
    lines: list[list[Word]] = []
    for word in sorted(page.words, key=lambda w: (-w.base, w.left)):
        if not lines or lines[-1][0].base - word.base > _SAME_LINE * word.size:
            lines.append([])
            if len(lines) > MAX_LINES:
                raise RefusedFileError(
                    f"Page {page.number} has more than {MAX_LINES:,} lines of text; no report has."
                )
        lines[-1].append(word)
    return [
        _Line(before + n, words[0].base, max(w.size for w in words), _pieces(words, _CELL_GAP))
        for n, words in enumerate(lines, 1)
    ]


def _pieces(words: Sequence[Word], gap: float) -> list[_Piece]:
    pieces: list[_Piece] = []
    for word in sorted(words, key=lambda w: w.left):
        if not pieces or word.left - pieces[-1].right > gap * word.size:
            pieces.append(_Piece([]))
        pieces[-1].words.append(word)
    return pieces


def _held(text: list[str], lines: Sequence[_Line]) -> list[str]:
    """Add text from lines outside tables; a fact repeated with another value begins a report."""
    new = [said for line in lines for said in _said(line)]
    facts = {label: value for label, _, value in (x.partition(": ") for x in text) if value}
    for label, _, value in (x.partition(": ") for x in new):
        if value and facts.get(label, value) != value:
            return new
    return [*text, *new]


def _said(line: _Line) -> Iterator[str]:
    """Give each label with its value, a line each; other text as it is."""
    label = ""
    for piece in line.pieces:
        text = f"{label} {piece.text}".strip()
        label = ""
        if re.search(r"\S\s*:\s*$", text) or (
            ":" not in text and piece is not line.pieces[-1] and len(line.pieces) % 2 == 0
        ):
            label = text
        else:
            yield re.sub(r"\s*:\s+", ": ", text, count=1)
    if label:
        yield label


# --- columns ------------------------------------------------------------------------------------


def _regions(lines: list[_Line]) -> list[_Region]:
    """Find the tables of a page: each time the lines that fill the most cells together."""
    found: list[_Region] = []
    spans = [(0, len(lines))]
    while spans:
        begin, end = spans.pop()
        made = [r for at in range(begin, end) if (r := _region(lines, at, end))]
        best = max(made, key=lambda r: (r.weigh(lines), -r.first), default=None)
        if best is not None:
            found.append(best)
            spans += [(begin, best.first), (best.last + 1, end)]
    return sorted(found, key=lambda r: r.first)


def _region(lines: list[_Line], first: int, end: int) -> _Region | None:
    """Follow the columns of a line downwards; None: no table begins there."""
    if len(lines[first].pieces) < _FACTS:
        return None
    columns = [[piece.left, piece.right] for piece in lines[first].pieces]
    last, misfits = first, 0
    for at in range(first + 1, end):
        line, gap = lines[at], _gap(lines[at - 1], lines[at])
        if gap > _FAR or misfits > _MOST_MISFITS:
            break
        placed = _fitted(line, columns)
        if placed is None:
            misfits += 1
            continue
        _widen(columns, placed)
        if len(placed) > 1 or (0 not in placed and gap <= _WRAPPED):
            last, misfits = at, 0
        else:
            misfits += 1
    if last == first:
        return None
    return _Region(first, _last_near(lines, first, last, end, columns), columns)


def _last_near(
    lines: list[_Line], first: int, last: int, end: int, columns: list[list[float]]
) -> int:
    """Follow the lines right below a table that may be rows of it, though they do not fit.

    A line with several cells, or digits, is not part of the text that follows: it becomes a row of
    one cell, so that it is refused and not lost.
    """
    usual = max(_gap(a, b) for a, b in pairwise(lines[first : last + 1])) * 1.1
    at = last
    while at + 1 < end and _gap(lines[at], lines[at + 1]) <= usual:
        at += 1
        placed = _fitted(lines[at], columns)
        if placed is not None and set(placed) == {0}:
            last = at
            break  # a name without anything else ends a table
        may_be_row = len(lines[at].pieces) > 1 or any(map(str.isdigit, lines[at].text))
        if placed is not None or not may_be_row:
            break
        last = at
    return last


def _gap(above: _Line, below: _Line) -> float:
    return (above.base - below.base) / max(above.size, below.size)


def _fitted(line: _Line, columns: Sequence[Sequence[float]]) -> dict[int, list[_Piece]] | None:
    """Put a line's pieces under columns; -1, -2 ...: beside all of them.  None: it fits none."""
    placed: dict[int, list[_Piece]] = {}
    n_new = 0
    for piece in line.pieces:
        under = _under(piece, columns)
        parts = [piece]
        if len(under) > 1:  # two cells close together
            parts = _pieces(piece.words, _TIGHT_GAP)
        for part in parts:
            own = _under(part, columns)
            if len(own) > 1:
                return None
            if not own:
                n_new += 1
            placed.setdefault(own[0] if own else -n_new, []).append(part)
    return placed if any(at >= 0 for at in placed) else None


def _under(piece: _Piece, columns: Sequence[Sequence[float]]) -> list[int]:
    return [at for at, (a, b) in enumerate(columns) if piece.left < b and piece.right > a]


def _widen(columns: list[list[float]], placed: dict[int, list[_Piece]]) -> None:
    """Let columns reach as far as their cells; beside all is a column without heading."""
    for at, pieces in placed.items():
        if at >= 0:
            columns[at][0] = min(columns[at][0], *(p.left for p in pieces))
            columns[at][1] = max(columns[at][1], *(p.right for p in pieces))
    if len(placed) > 1:
        columns += [[p.left, p.right] for at, own in placed.items() if at < 0 for p in own]
        columns.sort()


def _continues(
    rows: list[tuple[int, list[str]]],
    region: _Region,
    last: PrintedTable,
    columns: Sequence[Sequence[float]],
) -> bool:
    """Recognise a table that goes on over the page, without its headings again."""
    if rows[0][1] == last.rows[0][1] or len(region.columns) != len(columns):
        return False
    return all(
        a[0] < b[1] and a[1] > b[0] for a, b in zip(region.columns, columns, strict=True)
    ) and not any(
        a[0] < b[1] and a[1] > b[0]
        for n, a in enumerate(region.columns)
        for m, b in enumerate(columns)
        if n != m
    )


# --- rows ---------------------------------------------------------------------------------------


def _rows(
    lines: Sequence[_Line], columns: list[list[float]], rules: Sequence[Rule]
) -> list[tuple[int, list[str]]]:
    """Give a table's rows; a line that fits no columns is a row of one cell."""
    columns = _merged(lines, columns)
    for line in lines:
        placed = _fitted(line, columns)
        fits = placed is not None and all(at >= 0 for at in placed)
        line.cells = (
            {at: " ".join(p.text for p in own) for at, own in sorted(placed.items())}
            if placed and fits
            else {}
        )
    rows: list[tuple[int, list[str]]] = []
    for group in _grouped(lines, columns, rules):
        if not group[0].cells:
            rows.append((group[0].number, [group[0].text]))
            continue
        cells = [""] * len(columns)
        for line in group:
            for at, text in line.cells.items():
                cells[at] = _joined(cells[at], text)
        rows.append((group[0].number, cells))
    return rows


def _merged(lines: Sequence[_Line], columns: list[list[float]]) -> list[list[float]]:
    """Put cells beside a heading, not below it, under the only heading left for them."""
    heads = [bool(_under_any(lines[0], column)) for column in columns]
    bodies = [any(_under_any(line, column) for line in lines[1:]) for column in columns]
    merged: list[list[float]] = []
    at = 0
    while at < len(columns):
        column = columns[at]
        if at + 1 < len(columns) and (heads[at], bodies[at], heads[at + 1], bodies[at + 1]) in {
            (True, False, False, True),
            (False, True, True, False),
        }:
            column = [column[0], columns[at + 1][1]]
            at += 1
        merged.append(column)
        at += 1
    return merged


def _under_any(line: _Line, column: Sequence[float]) -> bool:
    return any(_under(piece, [column]) for piece in line.pieces)


def _joined(cell: str, more: str) -> str:
    """Join the lines of a cell; a hyphen at the end of one needs no blank after it."""
    return cell + more if cell.endswith("-") else f"{cell} {more}".strip()


def _grouped(
    lines: Sequence[_Line], columns: Sequence[Sequence[float]], rules: Sequence[Rule]
) -> Iterator[list[_Line]]:
    """Put the lines of each row together."""
    places = _drawn(columns, rules)
    ruled = _ruled(lines, len(columns), places)
    begins = _begins(lines, len(columns)) if ruled is None else ruled
    group: list[_Line] = []
    for line, is_new in zip(lines, begins, strict=True):
        if is_new and set(line.cells) == {0} and not _is_boxed(line, places):
            line.cells = {}  # a row of its name only, or a remark: it cannot be decided
        if group and (is_new or not line.cells or not group[0].cells):
            yield group
            group = []
        group.append(line)
    if group:
        yield group


def _leads(line: _Line, n_columns: int) -> bool:
    """Recognise a complete line: it fills the first column, or most of them."""
    n_cells = len(line.cells)
    return 0 in line.cells or (n_cells > 1 and 2 * n_cells >= n_columns)


def _drawn(columns: Sequence[Sequence[float]], rules: Sequence[Rule]) -> list[float]:
    """Give the places of lines drawn across a table, or across a column of it."""
    left, right = columns[0][0], columns[-1][1]
    least = (right - left) / (2 * len(columns))
    return [r.at for r in rules if min(r.right, right) - max(r.left, left) > least]


def _is_boxed(line: _Line, places: Sequence[float]) -> bool:
    """Recognise a line between two drawn lines."""
    reach = _FAR / 2 * line.size
    return any(line.base < at < line.base + reach for at in places) and any(
        line.base - reach < at < line.base + line.size / 2 for at in places
    )


def _ruled(lines: Sequence[_Line], n_columns: int, places: Sequence[float]) -> list[bool] | None:
    """Say which lines begin a row by what is drawn between rows; None: that is not drawn."""
    begins = [True] + [
        any(below.base + below.size / 2 < at < above.base for at in places)
        for above, below in pairwise(lines)
    ]
    n_bands = sum(begins)
    n_leading = sum(_leads(line, n_columns) for line in lines)
    return begins if n_bands > 1 and n_leading <= n_bands else None


def _begins(lines: Sequence[_Line], n_columns: int) -> list[bool]:
    """Say which lines begin a row by how far they are from those above and below."""
    gaps = [_gap(a, b) for a, b in pairwise(lines)]
    leading = [_leads(line, n_columns) for line in lines]
    pitch = median(
        [gap for gap, a, b in zip(gaps, leading, leading[1:], strict=False) if a and b] or [2.0]
    )
    begins = [True] * len(lines)
    for at in range(1, len(lines)):
        before = gaps[at - 1]
        after = gaps[at] if at < len(gaps) else 99.0
        if before < _OVERLAP:
            begins[at] = False
        elif not leading[at] and before <= _WRAPPED:
            is_near = before < _CLEARLY * pitch and before <= after / _CLEARLY
            # a lone piece of words only is no row: nothing in it could be a code or a time
            is_words = len(lines[at].cells) == 1 and not any(map(str.isdigit, lines[at].text))
            begins[at] = not (is_near or (is_words and before <= after * 1.1))
    return begins
