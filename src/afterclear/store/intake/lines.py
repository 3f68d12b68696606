"""Where a refused row is in its file: its 1-based line.

The database numbers rows, not lines; quoted line breaks, blank lines and rows it could not even
split make the two differ.  Only a file with something to refuse pays for this search.
"""

import csv
import mmap
from collections.abc import Iterator
from pathlib import Path

_CHUNK = 1 << 20
csv.field_size_limit(1 << 30)  # a refused file may hold anything; the loader has its own limit


def lines_of_bytes(path: Path, positions: list[int]) -> list[int]:
    """Find the lines of the bytes at these 1-based positions, which ascend."""
    if not positions:
        return []
    lines, counted, n_breaks = [], 0, 0
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
        for position in positions:
            at = position - 1
            while content[at : at + 1] in (b"\n", b"\r"):
                at += 1  # the database reports a row as beginning at the blank lines before it
            n_breaks += _n_breaks(content, counted, at)
            counted = at
            lines.append(n_breaks + 1)
    return lines


def csv_row_lines(path: Path, refused: set[int]) -> Iterator[int]:
    """Give the first line of each data row, in order, without those that begin in ``refused``."""
    with path.open(encoding="utf-8-sig", errors="replace", newline="") as file:
        reader = csv.reader(file)
        begin, is_header = 1, True
        for cells in reader:
            if cells and begin not in refused:
                if not is_header:
                    yield begin
                is_header = False
            begin = reader.line_num + 1


def text_row_lines(path: Path) -> Iterator[int]:
    """Give the line of each line that is not blank, in order."""
    with path.open(encoding="utf-8-sig", errors="replace", newline="\n") as file:
        yield from (i for i, line in enumerate(file, start=1) if line.strip())


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
        return (_n_breaks(content, 0, begin) + 1, size) if size >= limit else None


def _line_end(content: mmap.mmap, at: int) -> int:
    """Find where the line that holds a byte ends: at the first line break, or with the file."""
    end = content.find(b"\n", at)
    end = len(content) if end < 0 else end
    carriage = content.find(b"\r", at, end)
    return end if carriage < 0 else carriage


def _n_breaks(content: mmap.mmap, begin: int, end: int) -> int:
    return sum(content[at : min(at + _CHUNK, end)].count(b"\n") for at in range(begin, end, _CHUNK))
