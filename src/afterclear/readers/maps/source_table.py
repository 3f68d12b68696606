"""A source's table before it is mapped: its own headings, text cells, each row's line."""

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import polars as pl

from afterclear.errors import RefusedFileError, worded
from afterclear.records import Rejection

LINE = "\x1fline"  # no heading is called so
AFTER = "lines after the table"
Cells = Sequence[str | None]

# Widest table taken: the widest known exports have a few hundred columns.
MAX_COLUMNS = 5000


@dataclass(slots=True)
class SourceTable:
    """One table as the source has it.

    ``frame``: a String column for each heading, cells trimmed nowhere, empty is null or ''; and
    ``LINE`` (Int64).  ``above``: the text before the headings.  ``rejections``: rows that could not
    even be split into cells.  ``left_out``: what was skipped on purpose, counted.
    """

    frame: pl.DataFrame
    above: str = ""
    sheet: str = ""  # the workbook's sheet
    rejections: list[Rejection] = field(default_factory=list)
    left_out: Counter[str] = field(default_factory=Counter)
    # plain column -> its text in every row, where it was read from the file before its rows came
    # here by themselves
    told: dict[str, str] = field(default_factory=dict)


def plain_heading(text: str) -> str:
    """Give a heading as it is compared: lower case, single blanks, no line breaks."""
    return " ".join(text.replace("\ufeff", "").split()).casefold()


def find_column(heading: str, names: Sequence[str], where: str) -> str:
    """Find a column by its heading.

    Raises:
        RefusedFileError: there is none.

    """
    key = plain_heading(heading)
    for name in names:
        if plain_heading(name) == key:
            return name
    columns = ", ".join(repr(n) for n in names if n != LINE)
    raise RefusedFileError(
        worded(
            "{where} has no column {heading!r}. It has: {columns}.",
            where=where,
            heading=heading,
            columns=columns[:2000],
        )
    )


def joined_headings(rows: Sequence[Cells]) -> list[str | None]:
    """Join several rows of headings: a group's name holds for the columns to its right."""
    width = max(map(len, rows), default=0)
    parts: list[list[str]] = [[] for _ in range(width)]
    for n, cells in enumerate(rows):
        held = ""
        for at in range(width):
            text = " ".join(((cells[at] if at < len(cells) else None) or "").split())
            is_last = n == len(rows) - 1
            held = text or ("" if is_last else held)
            if held and held not in parts[at]:
                parts[at].append(held)
    return [" ".join(each) or None for each in parts]


def unique_headings(cells: Iterable[str | None]) -> list[str]:
    """Name each column: its heading, ``#2`` added to the second of the same, a number if empty."""
    seen: Counter[str] = Counter()
    names = []
    for number, cell in enumerate(cells, 1):
        text = " ".join((cell or "").split()) or f"column {number}"
        key = plain_heading(text)
        seen[key] += 1
        name = text if seen[key] == 1 else f"{text}#{seen[key]}"
        while plain_heading(name) in seen and seen[key] > 1:
            seen[key] += 1
            name = f"{text}#{seen[key]}"
        names.append(name)
        if seen[key] > 1:
            seen[plain_heading(name)] += 1
    if len(names) > MAX_COLUMNS:
        raise RefusedFileError(
            worded(
                "the table has {n_names:,} columns; no known export has so many", n_names=len(names)
            )
        )
    return names


def frame_of(names: Sequence[str], rows: Sequence[tuple[int, Cells]]) -> pl.DataFrame:
    """Build a frame from (line, cells); each row has as many cells as there are names."""
    columns = list(zip(*(cells for _, cells in rows), strict=True)) if rows else [()] * len(names)
    data = {
        name: pl.Series(name, cells, dtype=pl.String)
        for name, cells in zip(names, columns, strict=True)
    }
    data[LINE] = pl.Series(LINE, [line for line, _ in rows], dtype=pl.Int64)
    return pl.DataFrame(data)


def find_header(
    grid: Sequence[tuple[int, Cells]], header: int, header_has: Sequence[str], where: str
) -> int:
    """Give the index of the heading row; -1: there are no headings.

    Raises:
        RefusedFileError: no row has those headings, or the table is shorter.

    """
    if header_has:
        wanted = {plain_heading(h) for h in header_has}
        for at, (_, cells) in enumerate(grid):
            if wanted <= {plain_heading(c) for c in cells if c}:
                return at
        raise RefusedFileError(
            worded(
                "{where} has no row with the headings {header_has}.",
                where=where,
                header_has=", ".join(header_has),
            )
        )
    if header > len(grid):
        raise RefusedFileError(
            worded(
                "{where} has {n_grid} rows; its headings should be row {header}.",
                where=where,
                n_grid=len(grid),
                header=header,
            )
        )
    return header - 1


def is_total(totals: str | None, cells: Cells) -> bool:
    """Recognise a totals row by how its first cell that is not empty begins."""
    first = next((c.strip() for c in cells if c and c.strip()), "")
    return bool(totals and re.match(totals, first))
