"""The sentence of a finding's row in the reader's words, from its declaration.  Pure."""

from collections.abc import Callable
from datetime import datetime
from functools import cache
from string import Formatter
from typing import Final

from afterclear.finding_tables.declaration import Clause, Column, Finding, Unit, columns_of
from afterclear.finding_tables.registry import of_row
from afterclear.wording.cells import Cells
from afterclear.wording.language import GAP
from afterclear.wording.units import unit_words


def rate_words(cells: Cells, per_10000km: float) -> str:
    """Write a rate for 10,000 of the reader's units of distance."""
    rate = cells.number(per_10000km / cells.shown(1.0), 2)
    each = f"{cells.number(10_000)}{GAP}{cells.units}"
    return cells.t("{rate} per {distance}", rate=rate, distance=each)


_WRITTEN: Final[dict[Unit | None, Callable[[Cells, float], str]]] = {
    "km": Cells.distance,
    "per_10000km": rate_words,
    "share": Cells.percent,
    "times": Cells.times,
    "money": Cells.number,
}


def finding_words(row: object, cells: Cells, finding: Finding | None = None) -> str:
    """Return the sentence of a row; ``finding``: its finding, if its class does not show it."""
    return "".join(finding_parts(row, cells, finding))


def finding_parts(row: object, cells: Cells, finding: Finding | None = None) -> tuple[str, ...]:
    """Return what the sentence of a row is put together from."""
    declared = finding or of_row(row)
    columns = _columns(declared.row)
    return tuple(
        _filled(clause, row, columns, cells)
        for clauses in declared.says
        for clause in [next((each for each in clauses if each.when(row)), None)]
        if clause is not None
    )


def cell_words(row: object, column: Column, cells: Cells) -> str:
    """Write one column of a row."""
    value, means = getattr(row, column.name), column.means
    if value is None and means.unknown:
        return cells.t(means.unknown)
    if column.kind is str and value is not None:
        return _text(value, column, cells)
    if column.kind is int or value is None:
        return cells.number(value)
    if means.unit in _WRITTEN:
        return _WRITTEN[means.unit](cells, value)
    return cells.day(value) if column.kind is datetime else cells.number(value, means.digits)


def _text(value: str, column: Column, cells: Cells) -> str:
    words = column.means.words
    if value in words:
        return cells.t(words[value])
    return unit_words(value, cells.words) if column.means.unit == "unit" else value


# an export has a hundred thousand sentences: what a declaration needs is worked out once
@cache
def _columns(row: type) -> dict[str, Column]:
    return {column.name: column for column in columns_of(row)}


@cache
def _places(texts: tuple[str, ...]) -> frozenset[str]:
    return frozenset(name for text in texts for _, name, _, _ in Formatter().parse(text) if name)


def _filled(clause: Clause, row: object, columns: dict[str, Column], cells: Cells) -> str:
    texts = clause.text if isinstance(clause.text, tuple) else (clause.text,)
    values = {name: cell_words(row, columns[name], cells) for name in _places(texts)}
    if len(texts) == 1:
        return cells.t(texts[0], **values)
    return cells.tn(*texts, getattr(row, clause.count), **values)
