"""A printed list, whose columns are places in its lines: found by where every line has a blank.

Pages of a list repeat their title and headings, and a list ends with sums and legends: such lines
are told by their words, left out, and heard as what stands beside the table.
"""

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import pairwise

from afterclear.catalogue.folded_words import words_of
from afterclear.readers.formats.text_report import fixed_grid
from afterclear.readers.maps.heading_words import HeadingWords
from afterclear.readers.maps.source_table import LINE, Cells
from afterclear.readers.suggest.evidence.footers import footer_word
from afterclear.readers.suggest.evidence.table_seen import (
    HEADER_ROWS,
    LOOKED_AT,
    Seen,
    best_header,
    facts_of_lines,
    of_grid,
)

_Lines = list[tuple[int, str]]  # number from 1, text
_RULE = re.compile(r"[-=_ ]*[-=_]{3,}[-=_ ]*")
_LEGEND = re.compile(r"\b\w{1,3}\s*=\s*\w+.*\b\w{1,3}\s*=\s*\w+")
_FEW_NUMBERS = 2  # of a line that only counts pages
_HEADED = 2.0
_LONG = 0.6  # of the longest line
_COLUMNS = 3
_WIDEST = 999


def in_fixed(text: str, words: HeadingWords) -> Seen | None:
    """Find the columns of a printed list; None: it has none."""
    plain = text.replace("\r\n", "\n").replace("\r", "\n")
    if "\t" in plain:
        return None  # its columns stand elsewhere than its letters
    lines = list(enumerate(plain.split("\n")[:LOOKED_AT], 1))
    at = _heading(lines, words)
    rows = _rows(lines, at)
    width = max((len(x) for _, x in rows), default=0)
    long = [*rows[:1], *((n, x) for n, x in rows[1:] if len(x) > _LONG * width)]
    if len(long) < max(_COLUMNS, _LONG * len(rows)):
        return None
    positions = _positions(lines[at:], long)
    if len(positions) < _COLUMNS:
        return None
    whole = "\n".join(x for _, x in lines)
    grid = {n: cells for n, cells in fixed_grid(whole, positions) if n > at}
    is_long = {n for n, _ in long}
    wanted = [n for n, _ in rows if n in is_long or _is_row(grid[n], len(positions))]
    return _seen(whole, at, (wanted, grid), positions, words)


def _heading(lines: _Lines, words: HeadingWords) -> int:
    """Give the place of the line of headings; where none is known, that of the first line."""
    filled = [at for at, (_, x) in enumerate(lines) if x.strip()][:HEADER_ROWS]
    grid = [(at, list(re.split(r"\s{2,}", lines[at][1].strip()))) for at in filled]
    if not grid:
        return 0
    best, known = best_header(grid, words)
    return filled[best] if known >= _HEADED else 0


def _rows(lines: _Lines, at: int) -> _Lines:
    """Leave the headings, and the lines that are rows: no titles of pages, rules, sums, legends."""
    alike = Counter(re.sub(r"\d+", "0", x.strip()) for _, x in lines)
    head = lines[at][1].strip()
    kept = lines[at : at + 1]
    for n, x in lines[at + 1 :]:
        text = x.strip()
        is_of_pages = (
            alike[re.sub(r"\d+", "0", text)] > 1 and len(re.findall(r"\d+", text)) <= _FEW_NUMBERS
        )
        is_beside = (
            footer_word(text.strip(" *#.=-")) or _LEGEND.search(text) or _RULE.fullmatch(text)
        )
        if text and any(map(str.isalnum, text)) and text != head and not (is_of_pages or is_beside):
            kept.append((n, x))
    return kept


def _positions(lines: _Lines, rows: _Lines) -> list[tuple[int, int]]:
    """Give where columns are: by a rule in pieces below the headings, or by blanks in all rows."""
    rule = next((x for _, x in lines[1:3] if _RULE.fullmatch(x)), "")
    runs = [(found.start() + 1, found.end()) for found in re.finditer(r"[-=_]+", rule)]
    if len(runs) >= _COLUMNS:
        return [*runs[:-1], (runs[-1][0], _WIDEST)]
    width = max(len(x) for _, x in rows)
    filled = [any(x[at : at + 1].strip() for _, x in rows) for at in range(width)]
    edges = [at for at, (a, b) in enumerate(pairwise([False, *filled, False])) if a != b]
    head = rows[0][1].ljust(width)
    found: list[tuple[int, int]] = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if found and not head[a:b].strip():
            found[-1] = (found[-1][0], b)  # words of one cell: nothing heads them
        else:
            found.append((a + 1, b))
    return [*found[:-1], (found[-1][0], _WIDEST)] if found else []


def _is_row(cells: Cells, width: int) -> bool:
    """Whether a short line fits the columns, and fills several: no word at the end of a list."""
    return len(cells) <= width and sum(bool(c) for c in cells) > 1


def _seen(
    text: str,
    at: int,
    rows: tuple[Sequence[int], Mapping[int, Cells]],
    positions: list[tuple[int, int]],
    words: HeadingWords,
) -> Seen | None:
    """Cut the lines, and say in keys of the map which are left out."""
    lines = text.split("\n")
    wanted, grid = set(rows[0]), rows[1]
    kept = [(n, cells) for n, cells in grid.items() if n in wanted]
    if any(len(cells) > len(positions) for _, cells in kept):
        return None
    seen = of_grid("fixed", kept, {}, {}, words)
    names = [n for n in seen.frame.columns if n != LINE]
    if len(names) != len(positions):
        return None
    beside = [(n, cells) for n, cells in grid.items() if n not in wanted and cells]
    begins = dict.fromkeys(_begin(cells) for _, cells in beside)
    first = [next((c for c in cells if c), "") for _, cells in kept[1:]]
    begins = {b: None for b in begins if not any(re.match(b, cell) for cell in first)}
    seen.table_keys = {"header": at + 1, "names": names, "positions": positions}
    if begins:
        seen.table_keys["totals"] = f"(?:{'|'.join(begins)})"
    if any(not any(cells[:-1]) for _, cells in kept[1:]):
        seen.table_keys["goes_on"] = names[-1:]
        seen = _joined(seen, names)
    above = [x for x in lines[:at] if x.strip()]
    pieces = [piece for x in above for piece in re.split(r"\s{2,}", x.strip())]
    seen.facts = tuple(facts_of_lines(pieces))
    seen.title = "\n".join([*above, *(lines[n - 1].strip() for n, _ in beside)])
    return seen


def _begin(cells: Cells) -> str:
    """Give a pattern of how a line begins that is no row."""
    text = next(c for c in cells if c)
    rule = re.sub(r"([-=_*])\1{2,}", "\x00", text)
    if "\x00" in rule:
        return re.escape(text[:3])
    return re.sub(r"\d+", r"\\d+", re.escape(text)) + ("$" if words_of(text) else "")


def _joined(seen: Seen, names: list[str]) -> Seen:
    """Add lines that fill the last column only to the row above."""
    rows: list[dict[str, object]] = []
    for row in seen.frame.iter_rows(named=True):
        if rows and not any(row[name] for name in names[:-1]):
            rows[-1][names[-1]] = f"{rows[-1][names[-1]] or ''} {row[names[-1]] or ''}".strip()
        else:
            rows.append(row)
    seen.frame = type(seen.frame)(rows, schema=seen.frame.schema)
    return seen
