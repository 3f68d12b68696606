"""Where a refused row stands in its file: its 1-based line.

The database numbers rows, not lines; quoted line breaks, blank lines and rows it could not
even split make the two differ.  Only a file with something to refuse pays for this look.
"""

import csv
import io
from bisect import bisect_right
from pathlib import Path

csv.field_size_limit(1 << 30)  # a refused file may hold anything; the loader has its own limit


def line_of_byte(path: Path, positions: list[int]) -> list[int]:
    """Find the lines in which the bytes at these 1-based positions stand."""
    content = path.read_bytes()
    breaks = [i for i, byte in enumerate(content) if byte == ord("\n")] if positions else []
    lines = []
    for position in positions:
        at = position - 1
        while at < len(content) and content[at : at + 1] in (b"\n", b"\r"):
            at += 1  # a row is told to begin at the blank lines before it
        lines.append(bisect_right(breaks, at - 1) + 1)
    return lines


def csv_row_lines(path: Path, refused: set[int]) -> list[int]:
    """First line of each data row, in order, without the rows that begin in ``refused``."""
    text = path.read_text(encoding="utf-8-sig", errors="replace")
    reader = csv.reader(io.StringIO(text, newline=""))
    starts, begin = [], 1
    for cells in reader:
        if cells and begin not in refused:
            starts.append(begin)
        begin = reader.line_num + 1
    return starts[1:]  # without the header


def text_row_lines(path: Path) -> list[int]:
    """Line of each line that is not blank, in order."""
    lines = path.read_text(encoding="utf-8-sig", errors="replace").split("\n")
    return [i for i, line in enumerate(lines, start=1) if line.strip()]
