"""Workbooks (xlsx, xls, ods, xlsb) as grids of text cells, read by calamine.

Cells come as the numbers and times the workbook holds, not as it shows them: ``12.0`` becomes
``12``, a cell formatted as a time becomes ISO 8601.  Formulas give their last computed value. Text
or a time in cells merged over several rows applies to each of them, so headings of two lines can be
read by the lower one.  A number does not: what a merged amount means for each row is not known, and
a cost must not count twice; nor does a number that is kept as text.
"""

import datetime as dt
import io
import re
import zipfile
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO

from python_calamine import CalamineError, CalamineWorkbook, SheetVisibleEnum

from afterclear.errors import RefusedFileError, worded
from afterclear.readers.formats.biff_records import beyond_a_sheet, why_no_workbook
from afterclear.readers.formats.struck_rows import struck_rows
from afterclear.readers.limits import check_zip
from afterclear.readers.maps.struck_cells import StruckCells

# Cells of one sheet, empty ones included: a sheet may claim a million rows of 16,000 columns.
MAX_CELLS = 50_000_000
MAX_WHOLE = 1e15  # whole numbers below are exact as doubles
_ZIP = b"PK\x03\x04"
_PDF = b"%PDF-"
_COMPOUND = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"  # the container of xls
_SHEET_PART = re.compile(r"xl/worksheets/[^/]+\.xml", re.IGNORECASE)
_PLACE = re.compile(rb'\br="([A-Z]{1,3})([0-9]{1,7})"')  # of a cell, ISO/IEC 29500-1 18.18.7
_DAY = re.compile(r"\d{1,4}([-./])\d{1,2}\1\d{1,4}\b")  # a day kept as text
_PIECE = 1 << 20
_MANY = 100_000
_SIGNS = ("[Content_Types].xml", "mimetype", "content.xml")

Range = tuple[tuple[int, int], tuple[int, int]]  # first and last cell, each (row, column) from 0
Cell = int | float | str | bool | dt.time | dt.date | dt.timedelta


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet: rows from its first, each with its 1-based number."""

    name: str
    grid: list[tuple[int, list[str | None]]]
    is_hidden: bool = False  # whoever opens the workbook does not see it


def is_packed(path: Path) -> bool:
    """Whether a file's kind shows only when it is unpacked, by the first bytes alone."""
    with path.open("rb") as file:
        return file.read(len(_COMPOUND)).startswith((_ZIP, _COMPOUND, _PDF))


# what opening or unpacking a damaged zip may raise
DAMAGED = (
    *(zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError),
    ValueError,  # a place before the file's first byte
)


def is_workbook(head: bytes, path: Path) -> bool:
    """Recognise a workbook by its first bytes and, for a zip, by its members."""
    if head.startswith(_COMPOUND):
        return True
    if not head.startswith(_ZIP):
        return False
    try:
        with zipfile.ZipFile(path) as packed:
            names = packed.namelist()
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        return False
    parts = ("xl/", "content.xml")
    return any(sign in names for sign in _SIGNS) and any(n.startswith(parts) for n in names)


def read_sheets(
    raw: bytes, where: str, *, decimal: str = ".", first_rows: int | None = None
) -> list[Sheet]:
    """Read every sheet's cells; ``first_rows``: no more than so many of each.

    ``decimal``: the mark numbers are written with, the map's own, so that a number kept as
    text and one kept as a number read alike.

    Raises:
        RefusedFileError: it is no workbook, is damaged, or would be too large unpacked.

    """
    if raw.startswith(_ZIP):
        check_zip(io.BytesIO(raw), where)
        _check_corners(raw, where)
    elif why := why_no_workbook(raw):
        raise RefusedFileError(worded("{where} {why}.", where=where, why=why))
    elif what := beyond_a_sheet(raw):
        raise RefusedFileError(
            worded(
                "{where} is damaged: it {what}, and a sheet of an xls has 65,536 rows and 256 "
                "columns. Save it anew, or as CSV.",
                where=where,
                what=what,
            )
        )
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(raw))
        hidden = {s.name for s in book.sheets_metadata if s.visible != SheetVisibleEnum.Visible}
        sheets = [
            replace(_sheet(book, name, where, (decimal, first_rows)), is_hidden=name in hidden)
            for name in book.sheet_names
        ]
    except RefusedFileError:
        raise
    # the parser's errors are several, and a panic of its native code is a BaseException
    except (CalamineError, ValueError, OSError, TypeError, OverflowError, MemoryError) as error:
        raise RefusedFileError(
            worded("{where} cannot be read as a workbook: {error}.", where=where, error=error)
        ) from error
    except BaseException as error:
        if type(error).__name__ != "PanicException":
            raise
        raise RefusedFileError(
            worded("{where} is damaged; its parser gave up on it.", where=where)
        ) from error
    struck = struck_rows(raw)
    return [_with_struck(sheet, struck.get(sheet.name, set())) for sheet in sheets]


def _with_struck(sheet: Sheet, rows: set[int]) -> Sheet:
    if not rows:
        return sheet
    grid = [(n, StruckCells(cells) if n in rows else cells) for n, cells in sheet.grid]
    return replace(sheet, grid=grid)


def _check_corners(raw: bytes, where: str) -> None:
    """Refuse a sheet with a cell so far out that the empty ones before it fill the memory.

    The parser lays out the whole rectangle before it says how large it is.
    """
    with zipfile.ZipFile(io.BytesIO(raw)) as packed:
        for part in packed.namelist():
            if not _SHEET_PART.fullmatch(part):
                continue
            try:
                with packed.open(part) as file:
                    row, column = _corner(file)
            except DAMAGED:
                continue  # damaged; the parser says so in its own words
            if row * column > MAX_CELLS:
                raise RefusedFileError(_too_large(f"{where}, {part}", row, column))


def _corner(file: IO[bytes]) -> tuple[int, int]:
    """Give the last row and the last column that a sheet of an xlsx names."""
    cells: set[tuple[bytes, bytes]] = set()
    rest = b""
    while piece := file.read(_PIECE):
        whole, _, rest = (rest + piece).rpartition(b"<")
        cells.update(_PLACE.findall(whole))
        if len(cells) > _MANY:
            cells = {(_last([c for c, _ in cells]), b"%d" % max(int(r) for _, r in cells))}
    cells.update(_PLACE.findall(rest))
    column = 0
    for letter in _last([c for c, _ in cells]):
        column = 26 * column + letter - ord("A") + 1
    return max((int(row) for _, row in cells), default=0), column


def _last(columns: list[bytes]) -> bytes:
    return max(columns, key=lambda column: (len(column), column), default=b"")


def _too_large(where: str, n_rows: int, n_columns: int) -> str:
    return (
        f"{where} has {n_rows:,} rows of {n_columns:,} columns. "
        "Delete what is empty, or save the sheet as CSV."
    )


def _sheet(book: CalamineWorkbook, name: str, where: str, how: tuple[str, int | None]) -> Sheet:
    decimal, first_rows = how
    try:
        sheet = book.get_sheet_by_name(name)
    except CalamineError as error:  # a chart alone on its sheet has no cells
        if "no worksheet" in str(error).lower() or "not found" in str(error).lower():
            return Sheet(name, [])
        raise
    if sheet.total_height * sheet.total_width > MAX_CELLS:
        place = f"{where}, sheet {name!r}"
        raise RefusedFileError(_too_large(place, sheet.total_height, sheet.total_width))
    cells = sheet.to_python(skip_empty_area=False, nrows=first_rows)
    _fill_down(cells, sheet.merged_cell_ranges or (), where)
    # a sheet that is wide and long is mostly empty cells
    texts = ([None if cell == "" else _text(cell, decimal) for cell in row] for row in cells)
    return Sheet(name, [*enumerate(texts, 1)])


def _fill_down(cells: list[list[Cell]], merged: Sequence[Range], where: str) -> None:
    """Repeat the content of cells merged over several rows in each row of their first column."""
    if sum(last - first for (first, _), (last, _) in merged) > MAX_CELLS:
        raise RefusedFileError(
            worded("{where} merges more cells than a sheet has. Save it as CSV.", where=where)
        )
    for (first, column), (last, _) in merged:
        held = cells[first][column] if first < len(cells) and column < len(cells[first]) else ""
        words = isinstance(held, str) and (
            any(letter.isalpha() for letter in held) or bool(_DAY.match(held))
        )
        if words or isinstance(held, dt.date | dt.time):
            for row in cells[first + 1 : last + 1]:
                if row[column] == "":
                    row[column] = held


def _text(cell: Cell | None, decimal: str) -> str | None:  # noqa: PLR0911 - one a kind of cell
    """Write a cell as text."""
    if cell is None or cell == "":
        return None
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, float):
        is_whole = cell.is_integer() and abs(cell) < MAX_WHOLE
        return str(int(cell)) if is_whole else repr(cell).replace(".", decimal)
    if isinstance(cell, dt.datetime):
        # rounded to the second: a day number of a spreadsheet holds a time to a few ms only
        rounded = cell + dt.timedelta(microseconds=500_000)
        return rounded.replace(microsecond=0).isoformat()
    if isinstance(cell, dt.date | dt.time):
        return cell.isoformat()
    if isinstance(cell, dt.timedelta):
        return repr(cell.total_seconds()).replace(".", decimal)
    return str(cell)
