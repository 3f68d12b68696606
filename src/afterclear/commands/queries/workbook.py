"""An exported table as a workbook: typed cells, headings that stay, and a sheet that explains them.

Office Open XML (ECMA-376): a sheet has 1,048,576 rows, and a cell 32,767 characters.  Instants are
UTC, as a workbook knows no offset.
"""

import math
from pathlib import Path
from typing import Any, Final

import polars as pl
import xlsxwriter
from xlsxwriter.exceptions import FileCreateError

from afterclear.commands.queries.plain_cells import as_text
from afterclear.errors import UsageError
from afterclear.export_columns import Holds

MOST_ROWS: Final = 1_048_575  # beside the headings
LONGEST: Final = 32_767  # characters of a cell
_CUT: Final = " [cut]"
_INSTANT: Final = "yyyy-mm-dd hh:mm:ss"
_DATE: Final = "yyyy-mm-dd"
_WIDEST: Final = 40
_NO_CELLS: Final = {pl.Binary, pl.Object, pl.Duration, pl.Time}
_LOOKED_AT: Final = 200  # rows by which a column's width is chosen


def write_workbook(frame: pl.DataFrame, path: Path, sheet: str, about: Holds | None) -> None:
    """Write rows to a workbook.

    Text is written as text: nothing in it is run as a formula or made a link.

    Raises:
        UsageError: a sheet cannot hold so many rows.
        OSError: the file cannot be written.

    """
    if len(frame) > MOST_ROWS:
        raise UsageError(
            f"A workbook's sheet holds {MOST_ROWS:,} rows; these are {len(frame):,}. "
            "Use --format parquet or csv."
        )
    with path.open("ab"):  # a place that cannot be written is found before all rows are
        pass
    try:
        _write_book(frame, path, sheet, about)
    except FileCreateError as error:
        # the library wraps what the system said; what is wrong with the place is said elsewhere
        cause = error.args[0] if error.args else None
        if isinstance(cause, OSError):
            raise cause from None
        raise


def _write_book(frame: pl.DataFrame, path: Path, sheet: str, about: Holds | None) -> None:
    rows = _plain(frame)
    options = {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(str(path), options) as book:
        page = book.add_worksheet(sheet[:31])
        head = book.add_format({"bold": True, "bottom": 1})
        shapes = {
            pl.Datetime: book.add_format({"num_format": _INSTANT}),
            pl.Date: book.add_format({"num_format": _DATE}),
        }
        by_column = [shapes.get(kind.base_type()) for kind in frame.schema.values()]
        for place, name in enumerate(frame.columns):
            page.set_column(place, place, _width(rows, name), by_column[place])
        page.freeze_panes(1, 0)
        if frame.width:
            page.autofilter(0, 0, len(frame), frame.width - 1)
        page.write_row(0, 0, frame.columns, head)
        if about is not None:
            # meaning and unit where the pointer rests; the heading itself stays a name to read by
            for place, name in enumerate(frame.columns):
                page.write_comment(0, place, about.columns.get(name, name))
        for line, row in enumerate(rows.iter_rows(), start=1):
            for place, cell in enumerate(row):
                if cell is not None:
                    _write(page, line, place, cell, by_column[place])
        if about is not None:
            _explain(book, head, about)


def _write(page: Any, line: int, place: int, cell: object, shape: Any) -> None:  # noqa: ANN401
    if isinstance(cell, str):
        page.write_string(line, place, _fitting(cell))
    elif isinstance(cell, float) and not math.isfinite(cell):
        page.write_string(line, place, str(cell))
    else:
        page.write(line, place, cell, shape)


def _plain(frame: pl.DataFrame) -> pl.DataFrame:
    """Bring columns to kinds a cell can hold: instants without offset, lists as text."""
    zoned = [name for name, kind in frame.schema.items() if getattr(kind, "time_zone", None)]
    utc = pl.col(zoned).dt.convert_time_zone("UTC").dt.replace_time_zone(None)
    return as_text(frame.with_columns(utc), lambda kind: kind.is_nested() or kind in _NO_CELLS)


def _fitting(text: str) -> str:
    return text if len(text) <= LONGEST else text[: LONGEST - len(_CUT)] + _CUT


def _width(frame: pl.DataFrame, name: str) -> int:
    shown = frame[name].head(_LOOKED_AT).cast(pl.String, strict=False).str.len_chars().max()
    return min(_WIDEST, max(len(name) + 3, int(str(shown or 0)) + 1))


def _explain(book: Any, head: Any, about: Holds) -> None:  # noqa: ANN401 - untyped library
    page = book.add_worksheet("columns")
    page.set_column(0, 0, 26)
    page.set_column(1, 1, 90)
    page.write_row(0, 0, ("column", "holds"), head)
    lines = [("(the table)", about.about), *about.columns.items()]
    for line, (name, means) in enumerate(lines, start=1):
        page.write_string(line, 0, name)
        page.write_string(line, 1, means)
