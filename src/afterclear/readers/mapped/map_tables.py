"""Finds a map's tables in a file, and maps each.

Every row of a table that is taken ends in the plain layout or among the rejections; the note names
sheets and tables that no part of the map takes.

Mapped text is read column by column, a run of equal cells once. The parser's own row numbers are
not used: with them it uses one core only.
"""

from collections.abc import Callable, Iterator, Sequence
from fnmatch import fnmatchcase
from functools import partial

from afterclear.errors import RefusedFileError, worded
from afterclear.readers.formats.delimited import DelimitedFile
from afterclear.readers.formats.grids import Grid, table_of_grid
from afterclear.readers.formats.html_tables import html_tables, texts_above
from afterclear.readers.formats.nested import json_tree, nested_table
from afterclear.readers.formats.pdf_tables import printed_tables
from afterclear.readers.formats.printed_lines import printed_text
from afterclear.readers.formats.printed_pages import is_pdf, pages_of
from afterclear.readers.formats.text_report import fixed_grid, report_table
from afterclear.readers.formats.workbook import read_sheets
from afterclear.readers.formats.xml_tree import xml_tree
from afterclear.readers.mapped.cell_origins import origins_of
from afterclear.readers.mapped.map_rows import Mapped, mapped_rows
from afterclear.readers.maps.checked_map import ImportMap, MapTable
from afterclear.readers.maps.source_table import SourceTable, find_header
from afterclear.readers.text.text_of_bytes import decoded
from afterclear.records import Delivery, PlainRows, ReadFile, Rejection

# (table of the map, what it found, its place, for messages)
Found = tuple[MapTable, SourceTable, str]


def read_by_map(import_map: ImportMap, delivery: Delivery, max_pages: int) -> ReadFile:
    """Bring a file into the plain layout; ``max_pages``: of a PDF.

    Raises:
        RefusedFileError: its tables, headings or encoding are not what the map says.

    """
    notes: list[str] = []
    rejections: list[Rejection] = []
    printed = partial(_in_pdf, max_pages=max_pages)
    finder: _Finder = printed if is_pdf(delivery.path) else _FINDERS[import_map.kind]
    found = list(finder(delivery, import_map, notes, rejections))
    mapped = [mapped_rows(t, spec, import_map, delivery, where) for spec, t, where in found]
    return ReadFile(
        parts=_parts(mapped),
        rejections=(*rejections, *(r for m in mapped for r in m.rejections)),
        note="; ".join(dict.fromkeys([*notes, *(n for m in mapped for n in m.notes)])),
    )


def _parts(mapped: list[Mapped]) -> tuple[PlainRows, ...]:
    return tuple(m.rows for m in mapped if not m.rows.frame.is_empty())


# --- one finder for each kind ----------------------------------------------------------------


def _text(delivery: Delivery, how: ImportMap, notes: list[str]) -> str:
    text = decoded(delivery.path.read_bytes(), how.encoding, delivery.name)
    if text.note:
        notes.append(text.note)
    return text.text


def _in_delimited(
    delivery: Delivery, how: ImportMap, notes: list[str], _: list[Rejection]
) -> Iterator[Found]:
    file = DelimitedFile(delivery.path.read_bytes(), how, delivery.name)
    for spec in how.table:
        yield spec, file.table(spec), delivery.name
    if file.note:
        notes.append(file.note)


def _in_fixed(
    delivery: Delivery, how: ImportMap, notes: list[str], _: list[Rejection]
) -> Iterator[Found]:
    text = _text(delivery, how, notes)
    fill = how.short_rows == "fill"
    for spec in how.table:
        grid = fixed_grid(text, spec.positions)
        table = table_of_grid(grid, spec, delivery.name, fill_short=fill)
        at = find_header(grid, spec.header, spec.header_has, delivery.name)
        table.above = "\n".join(text.splitlines()[: max(at, 0)])  # not cut into columns
        yield spec, table, delivery.name


def _in_report(
    delivery: Delivery, how: ImportMap, notes: list[str], _: list[Rejection]
) -> Iterator[Found]:
    yield from _in_lines(_text(delivery, how, notes), delivery, how)


def _in_lines(text: str, delivery: Delivery, how: ImportMap) -> Iterator[Found]:
    for spec in how.table:
        table = report_table(text, spec)
        if table.frame.is_empty() and not any(spec.section):
            raise RefusedFileError(
                worded("{name} has no line that is a row by the map.", name=delivery.name)
            )
        yield spec, table, delivery.name


def _in_json(
    delivery: Delivery, how: ImportMap, notes: list[str], rejections: list[Rejection]
) -> Iterator[Found]:
    tree, broken = json_tree(_text(delivery, how, notes), delivery.name, how.decimal)
    rejections += [
        Rejection(how.table[0].into, r.line, None, r.value, r.expected, r.row) for r in broken
    ]
    for spec in how.table:
        yield spec, nested_table(tree, spec, delivery.name), delivery.name


def _in_xml(
    delivery: Delivery, how: ImportMap, notes: list[str], _: list[Rejection]
) -> Iterator[Found]:
    raw: bytes | str = delivery.path.read_bytes()
    if how.encoding != "detect":  # otherwise the document states it itself
        raw = _text(delivery, how, notes)
    tree = xml_tree(raw, delivery.name)
    for spec in how.table:
        yield spec, nested_table(tree, spec, delivery.name), delivery.name


def _in_workbook(
    delivery: Delivery, how: ImportMap, notes: list[str], _: list[Rejection]
) -> Iterator[Found]:
    raw = delivery.path.read_bytes()
    found = read_sheets(raw, delivery.name, decimal=how.decimal)
    sheets = {s.name: s.grid for s in found}
    seen = {s.name for s in found if not s.is_hidden} or set(sheets)
    taken: set[str] = set()
    for spec in how.table:
        named = {
            name: grid
            for name, grid in sheets.items()
            if name == spec.sheet or (name in seen and fnmatchcase(name, spec.sheet))
        }
        grids = [(f"{delivery.name}, sheet {name!r}", grid) for name, grid in named.items()]
        for at, table in _in_grids(grids, spec, fill_short=True):
            table.sheet = list(named)[at]
            taken.add(table.sheet)
            yield spec, table, grids[at][0]
    left = [name for name, grid in sheets.items() if name not in taken and grid]
    if left:
        notes.append(worded("sheets not taken: {named}", named=", ".join(left)))


def _in_html(
    delivery: Delivery, how: ImportMap, notes: list[str], _: list[Rejection]
) -> Iterator[Found]:
    tables = html_tables(_text(delivery, how, notes), delivery.name)
    grids = [(f"{delivery.name}, table {n}", t.rows) for n, t in enumerate(tables, 1)]
    above = texts_above(tables)
    taken: set[int] = set()
    for spec in how.table:
        for at, table in _in_grids(grids, spec, fill_short=how.short_rows == "fill"):
            taken.add(at)
            table.above = f"{above[at]}\n{table.above}"
            yield spec, table, grids[at][0]
    if len(taken) < len(tables):
        n_left = len(tables) - len(taken)
        notes.append(worded("tables of the page not taken: {n}", n=n_left))


def _in_pdf(
    delivery: Delivery, how: ImportMap, notes: list[str], _: list[Rejection], max_pages: int
) -> Iterator[Found]:
    pages = pages_of(delivery.path, delivery.name, max_pages)
    if pictures := [str(page.number) for page in pages if page.is_picture]:
        notes.append(worded("pages that are pictures, not read: {n}", n=", ".join(pictures)))
    if how.kind == "text":
        yield from _in_lines(printed_text(pages), delivery, how)
        return
    tables = printed_tables(pages, delivery.name)
    grids = [(f"{delivery.name}, table {n}", t.rows) for n, t in enumerate(tables, 1)]
    taken: set[int] = set()
    for spec in how.table:
        for at, table in _in_grids(grids, spec, fill_short=False):
            taken.add(at)
            table.above = f"{tables[at].above}\n{table.above}"
            yield spec, table, grids[at][0]
    if left := [t.name for n, t in enumerate(tables) if n not in taken]:
        notes.append(worded("tables not taken: {named}", named=", ".join(left)))


def _in_grids(
    grids: Sequence[tuple[str, Grid]], spec: MapTable, *, fill_short: bool
) -> Iterator[tuple[int, SourceTable]]:
    """Take the table from every grid that has its headings; one must."""
    n_taken = 0
    reason = ""
    for at, (where, grid) in enumerate(grids):
        if not grid:
            continue
        try:
            table = table_of_grid(grid, spec, where, fill_short=fill_short)
            origins_of(table, spec, where)
        except RefusedFileError as error:
            reason = reason or str(error)
            continue
        n_taken += 1
        yield at, table
    if not n_taken:
        places = ", ".join(where for where, _ in grids)
        raise RefusedFileError(reason or f"no table for {spec.into} in: {places or 'the file'}.")


_Finder = Callable[[Delivery, ImportMap, list[str], list[Rejection]], Iterator[Found]]
_FINDERS: dict[str, _Finder] = {
    "delimited": _in_delimited,
    "fixed": _in_fixed,
    "workbook": _in_workbook,
    "json": _in_json,
    "xml": _in_xml,
    "html": _in_html,
    "text": _in_report,
}
