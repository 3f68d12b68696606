"""Findings that the fleet page shows in a table, by their declaration.  Pure."""

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from afterclear.digest.common.choosing import MOST
from afterclear.digest.common.model import VehicleRef
from afterclear.digest.common.roster import Roster
from afterclear.digest.input.row_frames import read_rows
from afterclear.finding_tables.declaration import Column, Finding, Section, columns_of
from afterclear.finding_tables.registry import FINDINGS
from afterclear.wording.cells import Cells, capital
from afterclear.wording.findings import cell_words, finding_words

_NUMBERS = (int, float)


@dataclass(frozen=True, slots=True)
class SectionHead:
    """The heading of a column."""

    text: str
    is_number: bool


@dataclass(frozen=True, slots=True)
class SectionLine:
    """One row: the vehicle it is about, and its cells as text."""

    vehicle: VehicleRef
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SectionView:
    """A finding's table on the fleet page."""

    name: str  # of the export
    title: str
    heads: tuple[SectionHead, ...]
    lines: tuple[SectionLine, ...]  # the first of them
    n_lines: int
    where: str  # which rows of the export these are
    none: str  # the text if there is no row
    tally: str  # how often each other word of a column occurs


def section_views(
    frames: Mapping[str, pl.DataFrame], roster: Roster, cells: Cells
) -> tuple[SectionView, ...]:
    """Lay out every finding that declares a section."""
    return tuple(
        _view(finding, finding.section, frames[finding.name], roster, cells)
        for finding in FINDINGS
        if finding.section is not None
    )


def _view(
    finding: Finding, section: Section, frame: pl.DataFrame, roster: Roster, cells: Cells
) -> SectionView:
    columns = {column.name: column for column in columns_of(finding.row)}
    shown = frame.filter(pl.sql_expr(section.where))
    first = shown.sort(
        [name.removeprefix("-") for name in section.order],
        descending=[name.startswith("-") for name in section.order],
        nulls_last=True,
        maintain_order=True,
    ).head(MOST)
    return SectionView(
        name=finding.name,
        title=cells.t(section.title),
        heads=tuple(
            SectionHead(cells.t(text), name in columns and columns[name].kind in _NUMBERS)
            for name, text in section.columns.items()
        ),
        lines=tuple(
            SectionLine(
                roster.ref(row.vehicle_id),
                tuple(_cell(row, columns.get(name), cells) for name in section.columns),
            )
            for row in read_rows(first, finding.row)
        ),
        n_lines=shown.height,
        where=section.where.replace("'", ""),
        none=cells.t(section.none),
        tally=_tally(frame.filter(~pl.sql_expr(section.where)), columns.get(section.tally), cells),
    )


def _cell(row: object, column: Column | None, cells: Cells) -> str:
    return finding_words(row, cells) if column is None else cell_words(row, column, cells)


def _tally(others: pl.DataFrame, column: Column | None, cells: Cells) -> str:
    """Count the rows not shown by a column's words: ``Getting better: 2.``."""
    if column is None:
        return ""
    counts = dict(others[column.name].value_counts().iter_rows())
    return " ".join(
        f"{capital(cells.t(words))}: {cells.number(counts[word])}."
        for word, words in column.means.words.items()
        if word in counts
    )
