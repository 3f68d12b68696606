"""Words of a printed page to lines, and lines to pieces: text that is printed without a gap.

Line numbers count the printed lines from the first page on.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from afterclear.errors import RefusedFileError, worded
from afterclear.readers.formats.printed_pages import Page, Word

MAX_LINES = 2_000  # of one page; A3 in small print has some 300
# Own judgement, in heights of the letters.
_SAME_LINE = 0.35  # of one baseline
_CELL_GAP = 0.7  # a wider gap parts two cells; a blank is 0.28
TIGHT_GAP = 0.4  # ... a narrower one only where two headings say so


@dataclass(slots=True)
class Piece:
    """Text printed without a gap: a cell, or several close together."""

    words: list[Word]

    @property
    def left(self) -> float:
        """Where it begins."""
        return self.words[0].left

    @property
    def right(self) -> float:
        """Where it ends."""
        return self.words[-1].right

    @property
    def text(self) -> str:
        """Its words as they are read."""
        return " ".join(word.text for word in self.words)


@dataclass(slots=True)
class Line:
    """One printed line: its number, its place and height, and its text in pieces."""

    number: int
    base: float
    size: float
    pieces: list[Piece]
    cells: dict[int, str] = field(default_factory=dict)  # column -> text; empty: it fits none

    @property
    def text(self) -> str:
        """Its words as they are read."""
        return "  ".join(piece.text for piece in self.pieces)


def printed_text(pages: Sequence[Page]) -> str:
    """Give the printed lines as text."""
    return "\n".join(line.text for _, lines in numbered(pages) for line in lines)


def numbered(pages: Sequence[Page]) -> Iterator[tuple[Page, list[Line]]]:
    """Give the lines of each page, numbered from the first page on."""
    number = 0
    for page in pages:
        lines = _lines(page, number)
        number += len(lines)
        yield page, lines


def _lines(page: Page, before: int) -> list[Line]:
    """Put words of one baseline together, from the top down."""
    lines: list[list[Word]] = []
    for word in sorted(page.words, key=lambda w: (-w.base, w.left)):
        if not lines or lines[-1][0].base - word.base > _SAME_LINE * word.size:
            lines.append([])
            if len(lines) > MAX_LINES:
                raise RefusedFileError(
                    worded(
                        "Page {number} has more than {max_lines:,} lines of text; no report has.",
                        number=page.number,
                        max_lines=MAX_LINES,
                    )
                )
        lines[-1].append(word)
    return [
        Line(before + n, words[0].base, max(w.size for w in words), pieces_of(words, _CELL_GAP))
        for n, words in enumerate(lines, 1)
    ]


def pieces_of(words: Sequence[Word], gap: float) -> list[Piece]:
    """Part words where the gap between two is wider than so many heights of the letters."""
    pieces: list[Piece] = []
    for word in sorted(words, key=lambda w: w.left):
        if not pieces or word.left - pieces[-1].right > gap * word.size:
            pieces.append(Piece([]))
        pieces[-1].words.append(word)
    return pieces


def held_text(text: list[str], lines: Sequence[Line]) -> list[str]:
    """Add text from lines outside tables; a fact repeated with another value begins a report."""
    new = [said for line in lines for said in _said(line)]
    facts = {label: value for label, _, value in (x.partition(": ") for x in text) if value}
    for label, _, value in (x.partition(": ") for x in new):
        if value and facts.get(label, value) != value:
            return new
    return [*text, *new]


def _said(line: Line) -> Iterator[str]:
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


def gap_between(above: Line, below: Line) -> float:
    """Give how far one line is below another, in heights of the letters."""
    return (above.base - below.base) / max(above.size, below.size)
