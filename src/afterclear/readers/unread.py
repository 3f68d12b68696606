"""Why nothing reads a file: as exact as its first bytes allow, with what to do.

Only for files that no map and no reader takes.  The signs of other kinds of file are the first
bytes their publishers give: PDF ISO 32000-1 7.5.2, PNG ISO/IEC 15948 5.2, JPEG ISO/IEC 10918-1
B.1, GIF89a 17; those of 7z and RAR are from memory.
"""

import csv
import sys
from collections.abc import Iterator
from difflib import get_close_matches
from pathlib import PurePosixPath

from afterclear.errors import RefusedFileError
from afterclear.plain import MILE_COLUMNS, TABLES, Table
from afterclear.readers.formats.printed_pages import is_pdf, pages_of
from afterclear.readers.formats.workbook import is_workbook
from afterclear.readers.text.text_of_bytes import head_text
from afterclear.records import Delivery

_HEAD_BYTES = 1 << 14
_FIRST_PAGES = 10
_BLANK = b" \t\r\n\xef\xbb\xbf\xff\xfe\x00"
_PAGES = "shows a table for people; ask for the data behind it, as CSV or as a workbook"
_PACKED = "is opened by nothing here; pack it as zip, tar or gz"
_OTHER_KINDS = (
    (b"\x89PNG\r\n", f"a picture, which {_PAGES}"),
    (b"\xff\xd8\xff", f"a picture, which {_PAGES}"),
    (b"GIF8", f"a picture, which {_PAGES}"),
    (b"PAR1", "a Parquet file that is damaged or lacks the columns of the plain layout"),
    (b"7z\xbc\xaf\x27\x1c", f"a 7z archive, which {_PACKED}"),
    (b"Rar!\x1a\x07", f"a RAR archive, which {_PACKED}"),
)
_WORKBOOKS = (".xlsx", ".xls", ".xlsm", ".xlsb", ".ods")
_MARKS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
_FEW = 2  # plain headings in a row: fewer say nothing


def why_unread(delivery: Delivery) -> str | None:
    """Say why a file cannot be read; None if its bytes show no reason."""
    with delivery.path.open("rb") as file:
        head = file.read(_HEAD_BYTES)
    name = delivery.name
    if not head.strip(_BLANK):
        what = "holds nothing but blanks" if head else "is empty: it has no bytes"
        return f"{name} {what}. Have it exported or sent again."
    if said := next((what for sign, what in _OTHER_KINDS if head.startswith(sign)), None):
        return f"{name} is {said}."
    if is_pdf(delivery.path):
        return _why_no_pages(delivery)
    if is_workbook(head, delivery.path):
        return None
    if PurePosixPath(name.lower()).suffix in _WORKBOOKS:
        return f"{name} is called a workbook, but is none or is damaged. Open it and save it anew."
    return _nearly_plain(name, head_text(head))


def _why_no_pages(delivery: Delivery) -> str | None:
    try:
        pages_of(delivery.path, delivery.name, sys.maxsize, first_pages=_FIRST_PAGES)
    except RefusedFileError as error:
        return str(error)
    return None


def _nearly_plain(name: str, text: str) -> str | None:
    """Say what a table lacks whose headings are mostly those of the plain layout."""
    first = next(iter(text.lstrip("\ufeff").splitlines()), "")
    mark = max(_MARKS, key=first.count)
    header = [cell.strip() for cell in next(csv.reader([first], delimiter=mark), [])]
    plain = {_in_km(heading) for heading in header}
    table = max(TABLES.values(), key=lambda t: len(plain & set(t.names)))
    known = plain & set(table.names)
    if len(known) < _FEW or 2 * len(known) < len(plain):
        return None
    lacking = [column for column in table.required if column not in plain]
    if lacking:
        missing = "; ".join(_lacking(lacking, header, table))
        return f"{name} looks like {table.name} in the plain layout, but {missing}."
    form = f"text with {_MARKS[mark]}" if mark != "," else "text in another encoding"
    return (
        f"{name} has the headings of {table.name} in the plain layout, but that is UTF-8 text with "
        f"commas, and this is {form}. Save it so, or let "
        "'afterclear map-check FILE -o config/imports/NAME.toml' write a map for files like it."
    )


def _in_km(heading: str) -> str:
    return next((km for km, miles in MILE_COLUMNS.items() if miles == heading), heading)


def _lacking(columns: list[str], header: list[str], table: Table) -> Iterator[str]:
    others = [heading for heading in header if heading not in table.names]
    for column in columns:
        near = get_close_matches(column, others, n=1)
        meant = f" (is {near[0]!r} meant for it?)" if near else ""
        yield f"it has no column {column}, which is required{meant}"
