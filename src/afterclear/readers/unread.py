"""Why nothing reads a file: as exact as its first bytes allow, with what to do.

Only for files that no map and no reader takes.  The signs of other kinds of file are the first
bytes their publishers give: PDF ISO 32000-1 7.5.2, PNG ISO/IEC 15948 5.2, JPEG ISO/IEC 10918-1
B.1, GIF89a 17; those of 7z and RAR are from memory.
"""

import csv
import sys
from collections.abc import Iterator
from difflib import get_close_matches
from functools import reduce
from pathlib import PurePosixPath

from afterclear.errors import RefusedFileError, told_by, worded
from afterclear.plain import MILE_COLUMNS, TABLES, Table
from afterclear.readers.formats.printed_pages import is_pdf, pages_of
from afterclear.readers.formats.workbook import is_workbook
from afterclear.readers.text.text_of_bytes import head_text
from afterclear.records import Delivery

_HEAD_BYTES = 1 << 14
_FIRST_PAGES = 10
_BLANK = b" \t\r\n\xef\xbb\xbf\xff\xfe\x00"
_PICTURE = worded(
    "a picture, which shows a table for people; ask for the data behind it, as CSV or as a workbook"
)
_OTHER_KINDS = (
    (b"\x89PNG\r\n", _PICTURE),
    (b"\xff\xd8\xff", _PICTURE),
    (b"GIF8", _PICTURE),
    (b"PAR1", worded("a Parquet file that is damaged or lacks the columns of the plain layout")),
    (
        b"7z\xbc\xaf\x27\x1c",
        worded("a 7z archive, which is opened by nothing here; pack it as zip, tar or gz"),
    ),
    (
        b"Rar!\x1a\x07",
        worded("a RAR archive, which is opened by nothing here; pack it as zip, tar or gz"),
    ),
)
_WORKBOOKS = (".xlsx", ".xls", ".xlsm", ".xlsb", ".ods")
_MARKS = {
    ",": worded("text in another encoding"),
    ";": worded("text with semicolons"),
    "\t": worded("text with tabs"),
    "|": worded("text with bars"),
}
_FEW = 2  # plain headings in a row: fewer say nothing


def why_unread(delivery: Delivery) -> str | None:
    """Say why a file cannot be read; None if its bytes show no reason."""
    with delivery.path.open("rb") as file:
        head = file.read(_HEAD_BYTES)
    name = delivery.name
    if not head.strip(_BLANK):
        return (
            worded("{name} holds nothing but blanks. Have it exported or sent again.", name=name)
            if head
            else worded(
                "{name} is empty: it has no bytes. Have it exported or sent again.", name=name
            )
        )
    if said := next((what for sign, what in _OTHER_KINDS if head.startswith(sign)), None):
        return worded("{name} is {what}.", name=name, what=said)
    if is_pdf(delivery.path):
        return _why_no_pages(delivery)
    if is_workbook(head, delivery.path):
        return None
    if PurePosixPath(name.lower()).suffix in _WORKBOOKS:
        return worded(
            "{name} is called a workbook, but is none or is damaged. Open it and save it anew.",
            name=name,
        )
    return _nearly_plain(name, head_text(head))


def _why_no_pages(delivery: Delivery) -> str | None:
    try:
        pages_of(delivery.path, delivery.name, sys.maxsize, first_pages=_FIRST_PAGES)
    except RefusedFileError as error:
        return told_by(error)
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
        return worded(
            "{name} looks like {table} in the plain layout, but {missing}.",
            name=name,
            table=table.name,
            missing=reduce(
                lambda one, other: worded("{one}; {other}", one=one, other=other),
                _lacking(lacking, header, table),
            ),
        )
    return worded(
        "{name} has the headings of {table} in the plain layout, but that is UTF-8 text with "
        "commas, and this is {form}. Save it so, or let "
        "'afterclear map-check FILE -o config/imports/NAME.toml' write a map for files like it.",
        name=name,
        table=table.name,
        form=_MARKS[mark],
    )


def _in_km(heading: str) -> str:
    return next((km for km, miles in MILE_COLUMNS.items() if miles == heading), heading)


def _lacking(columns: list[str], header: list[str], table: Table) -> Iterator[str]:
    others = [heading for heading in header if heading not in table.names]
    for column in columns:
        near = get_close_matches(column, others, n=1)
        meant = worded(" (is {near!r} meant for it?)", near=near[0]) if near else ""
        yield worded(
            "it has no column {column}, which is required{meant}", column=column, meant=meant
        )
