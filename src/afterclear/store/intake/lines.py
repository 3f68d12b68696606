"""Where a refused row is in its file: its 1-based line.

The database numbers rows, not lines; quoted line breaks, blank lines and rows it could not even
split make the two differ.  Only a file with something to refuse pays for this search.
"""

import csv
import io
import mmap
from bisect import bisect_right
from pathlib import Path

_CHUNK = 1 << 20
csv.field_size_limit(1 << 30)  # a refused file may hold anything; the loader has its own limit


def line_of_byte(path: Path, positions: list[int]) -> list[int]:
    """Find the lines of the bytes at these 1-based positions."""
    content = path.read_bytes()
    breaks = [i for i, byte in enumerate(content) if byte == ord("\n")] if positions else []
    lines = []
    for position in positions:
        at = position - 1
        while at < len(content) and content[at : at + 1] in (b"\n", b"\r"):
            at += 1  # the database reports a row as beginning at the blank lines before it
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


def longest_line(path: Path, limit: int) -> tuple[int, int] | None:
    """Find the longest line of ``limit`` bytes or more: its 1-based number and its bytes.

    Such a line covers a whole block of half that size, so most of a file is not read for it.
    """
    if path.stat().st_size < limit:
        return None
    block, best = limit // 2, (0, 0)
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
        at = 0
        while at + block <= len(content):
            end = _line_end(content, at)
            if end < at + block:
                at += block
                continue
            begin = max(content.rfind(b"\n", 0, at), content.rfind(b"\r", 0, at)) + 1
            best = max(best, (end - begin, begin))
            at = (end // block + 1) * block
        size, begin = best
        return (_n_lines(content, begin) + 1, size) if size >= limit else None


def _line_end(content: mmap.mmap, at: int) -> int:
    """Find where the line that holds a byte ends: at the first line break, or with the file."""
    end = content.find(b"\n", at)
    end = len(content) if end < 0 else end
    carriage = content.find(b"\r", at, end)
    return end if carriage < 0 else carriage


def _n_lines(content: mmap.mmap, until: int) -> int:
    return sum(content[at : min(at + _CHUNK, until)].count(b"\n") for at in range(0, until, _CHUNK))
