"""A file's table as it was found in a grid of cells: its headings, what stands above, its rows."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import polars as pl

from afterclear.catalogue.codes import NormalCode, normal_code
from afterclear.readers.formats.grids import STRUCK_OUT, Grid, table_of_grid
from afterclear.readers.formats.nested import Node
from afterclear.readers.maps.checked_map import MapTable
from afterclear.readers.maps.heading_words import HeadingWords
from afterclear.readers.suggest.columns.profiles import heading_meanings

LOOKED_AT = 20_000  # rows
HEADER_ROWS = 30  # the headings are among this many first rows


@dataclass(frozen=True, slots=True)
class Fact:
    """A fact above a table: a label and its value."""

    label: str
    text: str


@dataclass(slots=True)
class Seen:
    """A file's table as it was found: the keys of the map that find it, and its rows."""

    kind: str
    keys: dict[str, object]  # of the map
    table_keys: dict[str, object]
    frame: pl.DataFrame
    facts: tuple[Fact, ...] = ()
    rows_above: Grid = ()  # above the headings
    title: str = ""  # all text above, and the sheet's name
    sheets: tuple[str, ...] = ()  # sheets with the same headings
    notes: list[str] = field(default_factory=list)
    struck: tuple[str, ...] = ()  # rows with struck-out text
    units: dict[str, str] = field(default_factory=dict)  # heading -> unit in the row below it
    legend: tuple[str, ...] = ()  # what marks mean, as another sheet tells: "P = present"
    heard: list[str] = field(default_factory=list)  # lines beside the table that decided something
    tree: Node = None  # the whole file, where it is nested


def of_grid(
    kind: str,
    grid: Grid,
    keys: dict[str, object],
    table_keys: dict[str, object],
    words: HeadingWords,
) -> Seen:
    """Find the table in a grid, and the keys by which a map finds it again."""
    at, _ = best_header(grid, words)
    n_rows = 2 if _is_group_row(grid, at, words) else 1
    at -= n_rows - 1
    spec = MapTable(into="scans", header=at + 1, header_has=(), header_rows=n_rows, columns={})
    is_text = kind == "delimited"  # whose reader keeps what stands under no heading
    table = table_of_grid(grid, spec, "the file", fill_short=True, nameless=is_text)
    headings = grid[at + n_rows - 1][1]
    has = [c for c in headings if c and c.strip()]
    unique = [c for c in has if has.count(c) == 1]
    more: dict[str, object] = {"header_rows": n_rows} if n_rows > 1 else {}
    if at > 0 and n_rows == 1:
        more["header_has"] = unique[:3]
    elif at > 0:
        more["header"] = at + 1
    facts = tuple(_facts_of_grid(grid[:at]))
    struck = tuple(r.row or "" for r in table.rejections if r.expected == STRUCK_OUT)
    return Seen(
        kind,
        keys,
        {**table_keys, **more},
        table.frame,
        facts,
        rows_above=grid[:at],
        title=table.above,
        struck=struck,
    )


def _is_group_row(grid: Grid, at: int, words: HeadingWords) -> bool:
    """Whether the row above the headings names groups of columns."""
    below = [(c or "").strip().casefold() for c in grid[at][1]]
    repeated = len([c for c in below if c]) > len({c for c in below if c})
    if at == 0 or not repeated:
        return False
    above = [(c or "").strip() for c in grid[at - 1][1]]
    named = [c for c in above if c]
    return len(named) >= 2 and len(above) >= len(below) - 1 and bool(words)


def best_header(grid: Grid, words: HeadingWords) -> tuple[int, float]:
    """Give the row that looks most like headings, and how much."""
    best, most = 0, -1.0
    for at, (_, cells) in enumerate(grid[:HEADER_ROWS]):
        named = [c for c in cells if c and c.strip()]
        if len(named) < 2:
            continue
        known = sum(max(heading_meanings(c, words).values(), default=0.0) for c in named)
        data = sum(is_data(c) for c in named)
        score = known + 0.1 * len(named) / len(cells) - 0.01 * at - data
        if score > most or (most < 0 and score > most):
            best, most = at, score
    return best, most


def is_data(cell: str) -> bool:
    """Recognise a cell that is a value and no heading: a number, a date, a code."""
    text = cell.strip()
    if re.fullmatch(r"[\d.,:/ -]{3,}", text):
        return True
    spelled = normal_code(text)
    return isinstance(spelled, NormalCode) and spelled.space != "maker"


def _facts_of_grid(rows: Grid) -> Iterator[Fact]:
    for _, cells in rows:
        texts = [c.strip() for c in cells if c and c.strip()]
        if len(texts) >= 2:
            for label, text in zip(texts[::2], texts[1::2], strict=False):
                yield Fact(label.rstrip(" :"), text)
        elif texts:
            yield from facts_of_lines(texts)


def facts_of_lines(lines: Sequence[str]) -> Iterator[Fact]:
    """List the labels of some lines with what stands behind them."""
    for line in lines:
        if found := re.match(r"\s*([^:=]{2,40}?)\s*[:=]\s*(\S.*?)\s*$", line):
            yield Fact(found[1], found[2])
