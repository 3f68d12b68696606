"""Where the tables of a printed page are, and their columns: text below a heading is of its column.

A line that fits no columns stays with the table it follows, so that it is refused and not lost.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from afterclear.readers.formats.printed_lines import (
    TIGHT_GAP,
    Line,
    Piece,
    gap_between,
    pieces_of,
)

# Own judgement, in heights of the letters.
WRAPPED = 1.5  # a line of the same cell is no further down
FAR = 5.0  # further down is another table
_MOST_MISFITS = 2  # lines in turn that fit no column: the table has ended
FACTS = 2  # columns of a table of labels and values


@dataclass(slots=True)
class Region:
    """Lines of one table, and where its columns are: [left, right]."""

    first: int
    last: int
    columns: list[list[float]]

    def weigh(self, lines: Sequence[Line]) -> int:
        """Count the cells of its rows."""
        found = [fitted(line, self.columns) for line in lines[self.first : self.last + 1]]
        return sum(len(each) for each in found if each and len(each) > 1)


def regions_of(lines: list[Line]) -> list[Region]:
    """Find the tables of a page: each time the lines that fill the most cells together."""
    found: list[Region] = []
    spans = [(0, len(lines))]
    while spans:
        begin, end = spans.pop()
        made = [r for at in range(begin, end) if (r := _region(lines, at, end))]
        best = max(made, key=lambda r: (r.weigh(lines), -r.first), default=None)
        if best is not None:
            found.append(best)
            spans += [(begin, best.first), (best.last + 1, end)]
    return sorted(found, key=lambda r: r.first)


def _region(lines: list[Line], first: int, end: int) -> Region | None:
    """Follow the columns of a line downwards; None: no table begins there."""
    if len(lines[first].pieces) < FACTS:
        return None
    columns = [[piece.left, piece.right] for piece in lines[first].pieces]
    last, misfits = first, 0
    for at in range(first + 1, end):
        line, gap = lines[at], gap_between(lines[at - 1], lines[at])
        if gap > FAR or misfits > _MOST_MISFITS:
            break
        placed = fitted(line, columns)
        if placed is None:
            misfits += 1
            continue
        _widen(columns, placed)
        if len(placed) > 1 or (0 not in placed and gap <= WRAPPED):
            last, misfits = at, 0
        else:
            misfits += 1
    if last == first:
        return None
    return Region(first, _last_near(lines, first, last, end, columns), columns)


def _last_near(
    lines: list[Line], first: int, last: int, end: int, columns: list[list[float]]
) -> int:
    """Follow the lines right below a table that may be rows of it, though they do not fit.

    A line with several cells, or digits, is not part of the text that follows: it becomes a row of
    one cell, so that it is refused and not lost.
    """
    usual = max(gap_between(a, b) for a, b in pairwise(lines[first : last + 1])) * 1.1
    at = last
    while at + 1 < end and gap_between(lines[at], lines[at + 1]) <= usual:
        at += 1
        placed = fitted(lines[at], columns)
        if placed is not None and set(placed) == {0}:
            last = at
            break  # a name without anything else ends a table
        may_be_row = len(lines[at].pieces) > 1 or any(map(str.isdigit, lines[at].text))
        if placed is not None or not may_be_row:
            break
        last = at
    return last


def fitted(line: Line, columns: Sequence[Sequence[float]]) -> dict[int, list[Piece]] | None:
    """Put a line's pieces under columns; -1, -2 ...: beside all of them.  None: it fits none."""
    placed: dict[int, list[Piece]] = {}
    n_new = 0
    for piece in line.pieces:
        below = under(piece, columns)
        parts = [piece]
        if len(below) > 1:  # two cells close together
            parts = pieces_of(piece.words, TIGHT_GAP)
        for part in parts:
            own = under(part, columns)
            if len(own) > 1:
                return None
            if not own:
                n_new += 1
            placed.setdefault(own[0] if own else -n_new, []).append(part)
    return placed if any(at >= 0 for at in placed) else None


def under(piece: Piece, columns: Sequence[Sequence[float]]) -> list[int]:
    """Give the columns a piece stands under, even in part."""
    return [at for at, (a, b) in enumerate(columns) if piece.left < b and piece.right > a]


def _widen(columns: list[list[float]], placed: dict[int, list[Piece]]) -> None:
    """Let columns reach as far as their cells; beside all is a column without heading."""
    for at, pieces in placed.items():
        if at >= 0:
            columns[at][0] = min(columns[at][0], *(p.left for p in pieces))
            columns[at][1] = max(columns[at][1], *(p.right for p in pieces))
    if len(placed) > 1:
        columns += [[p.left, p.right] for at, own in placed.items() if at < 0 for p in own]
        columns.sort()
