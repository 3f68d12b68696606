"""The reader of whatever an import map says: finds the tables of a file, maps each.

One reader for each map.  Every row of a table that is taken ends in the plain layout or among
the rejections; sheets and tables that no part of the map takes are told in the note.

Mapped text is read column by column, a run of equal cells once. The parser's own row numbers are
not used: they keep it to one core.
"""

from collections.abc import Callable, Iterator, Sequence
from fnmatch import fnmatchcase
from pathlib import PurePosixPath
from re import search

from afterclear.errors import RefusedFileError
from afterclear.readers.base import MAP_PREFIX
from afterclear.readers.formats.delimited import DelimitedFile
from afterclear.readers.formats.grids import Grid, table_of_grid
from afterclear.readers.formats.html_tables import html_tables, is_facts
from afterclear.readers.formats.nested import json_tree, nested_table
from afterclear.readers.formats.text_report import fixed_grid, report_table
from afterclear.readers.formats.workbook import is_workbook, read_sheets
from afterclear.readers.formats.xml_tree import xml_tree
from afterclear.readers.mapped.map_rows import Mapped, mapped_rows, origins_of
from afterclear.readers.maps.import_map import BrokenMap, ImportMap, MapTable
from afterclear.readers.maps.source_table import SourceTable
from afterclear.readers.text.text_of_bytes import decoded, head_text
from afterclear.records import Delivery, PlainRows, ReadFile, Rejection

HEAD_BYTES = 1 << 16
HEAD_ROWS = 30

# (table of the map, what it found, where that stands, for messages)
Found = tuple[MapTable, SourceTable, str]


class MapReader:
    """Reads the files one import map is for."""

    def __init__(self, import_map: ImportMap) -> None:
        self.map = import_map
        self.name = f"{MAP_PREFIX}{import_map.name}"

    def identify(self, delivery: Delivery) -> bool:
        """Tell by the file's name, its kind and the map's content test."""
        if not _is_named(delivery, self.map.files):
            return False
        with delivery.path.open("rb") as file:
            head = file.read(HEAD_BYTES)
        if (self.map.kind == "workbook") != is_workbook(head, delivery.path):
            return False
        if not self.map.contains:
            return True
        text = _looked_at(self.map, delivery, head)
        return all(search(pattern, text) for pattern in self.map.contains)

    def read(self, delivery: Delivery) -> ReadFile:
        """Bring the file into the plain layout.

        Raises:
            RefusedFileError: its tables, headings or encoding are not what the map says.

        """
        notes: list[str] = []
        rejections: list[Rejection] = []
        found = list(_FINDERS[self.map.kind](delivery, self.map, notes, rejections))
        mapped = [mapped_rows(t, spec, self.map, delivery, where) for spec, t, where in found]
        return ReadFile(
            parts=_parts(mapped),
            rejections=(*rejections, *(r for m in mapped for r in m.rejections)),
            note="; ".join(dict.fromkeys([*notes, *(n for m in mapped for n in m.notes)])),
        )


class BrokenMapReader:
    """Refuses the files a wrong map names, with every mistake of the map."""

    def __init__(self, broken: BrokenMap) -> None:
        self.broken = broken
        self.name = f"{MAP_PREFIX}{broken.name}"

    def identify(self, delivery: Delivery) -> bool:
        """Tell by the file's name."""
        return _is_named(delivery, self.broken.files)

    def read(self, delivery: Delivery) -> ReadFile:
        """Refuse the file.

        Raises:
            RefusedFileError: always; what is wrong with the map, and what to do.

        """
        raise RefusedFileError(
            f"{delivery.name} waits for its map to be mended: {'; '.join(self.broken.problems)}. "
            "Then 'afterclear replay' reads it again."
        )


def _is_named(delivery: Delivery, patterns: Sequence[str]) -> bool:
    name = PurePosixPath(delivery.name.replace("\\", "/")).name.lower()
    return any(fnmatchcase(name, pattern.lower()) for pattern in patterns)


def _parts(mapped: list[Mapped]) -> tuple[PlainRows, ...]:
    return tuple(m.rows for m in mapped if not m.rows.frame.is_empty())


def _looked_at(how: ImportMap, delivery: Delivery, head: bytes) -> str:
    if how.kind != "workbook":
        return head_text(head)
    try:
        sheets = read_sheets(delivery.path.read_bytes(), delivery.name, first_rows=HEAD_ROWS)
    except RefusedFileError:
        return ""  # whether it is this map's file cannot be told
    return "\n".join(" ".join(filter(None, cells)) for s in sheets for _, cells in s.grid)


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
        yield spec, table_of_grid(grid, spec, delivery.name, fill_short=fill), delivery.name


def _in_report(
    delivery: Delivery, how: ImportMap, notes: list[str], _: list[Rejection]
) -> Iterator[Found]:
    text = _text(delivery, how, notes)
    for spec in how.table:
        table = report_table(text, spec)
        if table.frame.is_empty() and not any(spec.section):
            raise RefusedFileError(f"{delivery.name} has no line that is a row by the map.")
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
    if how.encoding != "detect":  # else the document says it itself
        raw = _text(delivery, how, notes)
    tree = xml_tree(raw, delivery.name)
    for spec in how.table:
        yield spec, nested_table(tree, spec, delivery.name), delivery.name


def _in_workbook(
    delivery: Delivery, how: ImportMap, notes: list[str], _: list[Rejection]
) -> Iterator[Found]:
    raw = delivery.path.read_bytes()
    sheets = {s.name: s.grid for s in read_sheets(raw, delivery.name, decimal=how.decimal)}
    taken: set[str] = set()
    for spec in how.table:
        named = {name: grid for name, grid in sheets.items() if fnmatchcase(name, spec.sheet)}
        grids = [(f"{delivery.name}, sheet {name!r}", grid) for name, grid in named.items()]
        for at, table in _in_grids(grids, spec, fill_short=True):
            table.sheet = list(named)[at]
            taken.add(table.sheet)
            yield spec, table, grids[at][0]
    left = [name for name, grid in sheets.items() if name not in taken and grid]
    if left:
        notes.append(f"sheets not taken: {', '.join(left)}")


def _in_html(
    delivery: Delivery, how: ImportMap, notes: list[str], _: list[Rejection]
) -> Iterator[Found]:
    tables = html_tables(_text(delivery, how, notes), delivery.name)
    grids = [(f"{delivery.name}, table {n}", t.rows) for n, t in enumerate(tables, 1)]
    taken: set[int] = set()
    for spec in how.table:
        for at, table in _in_grids(grids, spec, fill_short=how.short_rows == "fill"):
            taken.add(at)
            above = "\n".join(t.above for t in tables[: at + 1])
            facts = [cells for t in tables[:at] if is_facts(t) for _, cells in t.rows]
            above += "".join(f"\n{' '.join(cells)}" for cells in facts)
            table.above = f"{above}\n{table.above}"
            yield spec, table, grids[at][0]
    if len(taken) < len(tables):
        notes.append(f"{len(tables) - len(taken)} tables of the page not taken")


def _in_grids(
    grids: Sequence[tuple[str, Grid]], spec: MapTable, *, fill_short: bool
) -> Iterator[tuple[int, SourceTable]]:
    """Take the table from every grid that has its headings; one must."""
    n_taken = 0
    why = ""
    for at, (where, grid) in enumerate(grids):
        if not grid:
            continue
        try:
            table = table_of_grid(grid, spec, where, fill_short=fill_short)
            origins_of(table, spec, where)
        except RefusedFileError as error:
            why = why or str(error)
            continue
        n_taken += 1
        yield at, table
    if not n_taken:
        places = ", ".join(where for where, _ in grids)
        raise RefusedFileError(why or f"no table for {spec.into} in: {places or 'the file'}.")


_FINDERS: dict[
    str, Callable[[Delivery, ImportMap, list[str], list[Rejection]], Iterator[Found]]
] = {
    "delimited": _in_delimited,
    "fixed": _in_fixed,
    "workbook": _in_workbook,
    "json": _in_json,
    "xml": _in_xml,
    "html": _in_html,
    "text": _in_report,
}
