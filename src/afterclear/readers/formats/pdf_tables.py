"""Tables of printed pages: lines that are one row to a row.

A printed table does not mark its cells, so their places decide: ``printed_columns`` finds the
columns; a line that continues a cell is recognised by the lines drawn between rows or by its
distance. If neither decides, the line is a row of its own. A line that fits no columns becomes a
row of a single cell, so that it is refused and not lost.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

from afterclear.errors import RefusedFileError, worded
from afterclear.readers.formats.printed_columns import (
    FACTS,
    FAR,
    WRAPPED,
    Region,
    fitted,
    regions_of,
    under,
)
from afterclear.readers.formats.printed_lines import Line, gap_between, held_text, numbered
from afterclear.readers.formats.printed_pages import Page, Rule

# Own judgement, in heights of the letters.
_OVERLAP = 0.9  # nearer lines are cells of one row, set at different heights
_CLEARLY = 0.88  # a gap is smaller than another


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
        return len(self.rows[0][1]) == FACTS


def printed_tables(pages: Sequence[Page], where: str) -> list[PrintedTable]:
    """List the tables in the order in which they are printed.

    Raises:
        RefusedFileError: there are none.

    """
    tables: list[PrintedTable] = []
    text: list[str] = []  # that applies to the next table
    columns: list[list[float]] = []  # of the last table
    for page, lines in numbered(pages):
        at, is_first = 0, True
        for region in regions_of(lines):
            before, text = text, held_text(text, lines[at : region.first])
            rows = _rows(lines[region.first : region.last + 1], region.columns, page.rules)
            if is_first and tables and _continues(rows, region, tables[-1], columns):
                tables[-1].rows += rows
            else:
                n_held = len(before) if text[: len(before)] == before else 0
                # the nearest comes first, so that a pattern finds it before earlier text
                above = [*text[n_held:], *text[:n_held][::-1]]
                tables.append(PrintedTable("\n".join(above), rows))
            if len(region.columns) == FACTS:
                text = held_text(text, lines[region.first : region.last + 1])
            at, is_first, columns = region.last + 1, False, region.columns
        text = held_text(text, lines[at:])
    if not tables:
        raise RefusedFileError(
            worded(
                "{where} has no table that could be found. If it is a report, write a map of the "
                "kind 'text' with patterns, as help/imports.md of the program tells.",
                where=where,
            )
        )
    return tables


def _continues(
    rows: list[tuple[int, list[str]]],
    region: Region,
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
    lines: Sequence[Line], columns: list[list[float]], rules: Sequence[Rule]
) -> list[tuple[int, list[str]]]:
    """Give a table's rows; a line that fits no columns is a row of one cell."""
    columns = _merged(lines, columns)
    for line in lines:
        placed = fitted(line, columns)
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


def _merged(lines: Sequence[Line], columns: list[list[float]]) -> list[list[float]]:
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


def _under_any(line: Line, column: Sequence[float]) -> bool:
    return any(under(piece, [column]) for piece in line.pieces)


def _joined(cell: str, more: str) -> str:
    """Join the lines of a cell; a hyphen at the end of one needs no blank after it."""
    return cell + more if cell.endswith("-") else f"{cell} {more}".strip()


def _grouped(
    lines: Sequence[Line], columns: Sequence[Sequence[float]], rules: Sequence[Rule]
) -> Iterator[list[Line]]:
    """Put the lines of each row together."""
    places = _drawn(columns, rules)
    ruled = _ruled(lines, len(columns), places)
    begins = _begins(lines, len(columns)) if ruled is None else ruled
    group: list[Line] = []
    for line, is_new in zip(lines, begins, strict=True):
        if is_new and set(line.cells) == {0} and not _is_boxed(line, places):
            line.cells = {}  # a row of its name only, or a remark: it cannot be decided
        if group and (is_new or not line.cells or not group[0].cells):
            yield group
            group = []
        group.append(line)
    if group:
        yield group


def _leads(line: Line, n_columns: int) -> bool:
    """Recognise a complete line: it fills the first column, or most of them."""
    n_cells = len(line.cells)
    return 0 in line.cells or (n_cells > 1 and 2 * n_cells >= n_columns)


def _drawn(columns: Sequence[Sequence[float]], rules: Sequence[Rule]) -> list[float]:
    """Give the places of lines drawn across a table, or across a column of it."""
    left, right = columns[0][0], columns[-1][1]
    least = (right - left) / (2 * len(columns))
    return [r.at for r in rules if min(r.right, right) - max(r.left, left) > least]


def _is_boxed(line: Line, places: Sequence[float]) -> bool:
    """Recognise a line between two drawn lines."""
    reach = FAR / 2 * line.size
    return any(line.base < at < line.base + reach for at in places) and any(
        line.base - reach < at < line.base + line.size / 2 for at in places
    )


def _ruled(lines: Sequence[Line], n_columns: int, places: Sequence[float]) -> list[bool] | None:
    """Say which lines begin a row by what is drawn between rows; None: that is not drawn."""
    begins = [True] + [
        any(below.base + below.size / 2 < at < above.base for at in places)
        for above, below in pairwise(lines)
    ]
    n_bands = sum(begins)
    n_leading = sum(_leads(line, n_columns) for line in lines)
    return begins if n_bands > 1 and n_leading <= n_bands else None


def _begins(lines: Sequence[Line], n_columns: int) -> list[bool]:
    """Say which lines begin a row by how far they are from those above and below."""
    gaps = [gap_between(a, b) for a, b in pairwise(lines)]
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
        elif not leading[at] and before <= WRAPPED:
            is_near = before < _CLEARLY * pitch and before <= after / _CLEARLY
            # a lone piece of words only is no row: nothing in it could be a code or a time
            is_words = len(lines[at].cells) == 1 and not any(map(str.isdigit, lines[at].text))
            begins[at] = not (is_near or (is_words and before <= after * 1.1))
    return begins
