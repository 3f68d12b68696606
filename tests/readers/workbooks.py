"""Workbooks made for a test: xlsx by a library, ods and xls by hand, to the published layouts."""

import datetime as dt
import io
import struct
import zipfile
from collections.abc import Sequence
from xml.sax.saxutils import escape

import xlsxwriter

Cell = str | int | float | dt.datetime | None
Sheets = dict[str, Sequence[Sequence[Cell]]]

DONE = dt.datetime(2025, 3, 4, 10, 30)  # noqa: DTZ001 - workbooks know no zone
ORDERS: Sheets = {
    "Cover": [["Brookfield", None], ["made by hand", None]],
    "2025-03": [
        ["Work orders", None, None, None, None, None, None, None, None],
        ["Site: Brookfield North", None, None, None, None, None, None, None, None],
        ["Job", "Vehicle", "Done", "Reading", "Codes", "By", "Part", "Parts £", "What"],
        ["J-1", "T-1", DONE, "83120 km", "P0301 P0302", "AB",
         "BK-1001 (Corvane)", 41.5, "Replaced coil"],
        ["J-2", "T-2", "05/03/2025", "51650 mi", "C0034-11", "CD", None, 12, "Cleaned connector"],
        ["J-3", "T-3", 45722.25, "no idea", None, "CD", None, None, "Checked"],
        ["Total", None, None, None, None, None, None, 53.5, None],
    ],
}  # fmt: skip


def orders() -> Sheets:
    """Give the sample with the column for labour that its map wants."""
    made: Sheets = {}
    for name, rows in ORDERS.items():
        widened = []
        for row in rows:
            labour: Cell = "Labour £" if row[0] == "Job" else None
            widened.append([*row[:8], labour, *row[8:]])
        made[name] = widened
    return made


def xlsx(sheets: Sheets) -> bytes:
    """Write an xlsx."""
    file = io.BytesIO()
    book = xlsxwriter.Workbook(file, {"in_memory": True})
    date = book.add_format({"num_format": "yyyy-mm-dd hh:mm"})
    for name, rows in sheets.items():
        sheet = book.add_worksheet(name)
        for r, row in enumerate(rows):
            for c, cell in enumerate(row):
                if isinstance(cell, dt.datetime):
                    sheet.write_datetime(r, c, cell, date)
                elif cell is not None:
                    sheet.write(r, c, cell)
    book.close()
    return file.getvalue()


_ODS_NAMES = " ".join(
    f'xmlns:{short}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"'
    for short, name in (("office", "office"), ("table", "table"), ("text", "text"))
)


_MANIFEST = """<?xml version="1.0"?>
<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0">
<manifest:file-entry manifest:full-path="/"
 manifest:media-type="application/vnd.oasis.opendocument.spreadsheet"/>
<manifest:file-entry manifest:full-path="content.xml" manifest:media-type="text/xml"/>
</manifest:manifest>"""


def ods(sheets: Sheets) -> bytes:
    """Write an ods (OASIS OpenDocument 1.3 part 3): a zip with the cells in content.xml."""
    tables = "".join(
        f'<table:table table:name="{escape(name)}">'
        + "".join(
            f"<table:table-row>{''.join(map(_ods_cell, row))}</table:table-row>" for row in rows
        )
        + "</table:table>"
        for name, rows in sheets.items()
    )
    content = (
        f'<?xml version="1.0"?><office:document-content {_ODS_NAMES} office:version="1.3">'
        f"<office:body><office:spreadsheet>{tables}</office:spreadsheet></office:body>"
        "</office:document-content>"
    )
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as packed:
        packed.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        packed.writestr("META-INF/manifest.xml", _MANIFEST)
        packed.writestr("content.xml", content)
    return file.getvalue()


def _ods_cell(cell: Cell) -> str:
    if cell is None:
        return "<table:table-cell/>"
    if isinstance(cell, dt.datetime):
        return (
            f'<table:table-cell office:value-type="date" office:date-value="{cell.isoformat()}">'
            f"<text:p>{cell}</text:p></table:table-cell>"
        )
    if isinstance(cell, str):
        return (
            f'<table:table-cell office:value-type="string"><text:p>{escape(cell)}</text:p>'
            "</table:table-cell>"
        )
    return (
        f'<table:table-cell office:value-type="float" office:value="{cell!r}">'
        f"<text:p>{cell}</text:p></table:table-cell>"
    )


def xls(sheets: Sheets, struck: Sequence[int] = (), shift: int = 0) -> bytes:
    """Write an xls (MS-XLS, BIFF8) in a compound file (MS-CFB); times as day numbers.

    ``struck``: rows, from 0, in a struck-out font; ``shift``: columns by which its cells are moved.
    """
    return compound(_biff8(sheets, struck, shift))


def _record(kind: int, body: bytes) -> bytes:
    return struct.pack("<HH", kind, len(body)) + body


def _biff8(sheets: Sheets, struck: Sequence[int], shift: int) -> bytes:
    begin = struct.pack("<HHHHII", 0x0600, 0x0005, 0x0DBB, 0x07CC, 0, 6)
    head = _record(0x0809, begin) + _record(0x0042, struct.pack("<H", 1200))
    for flags in (0, 0x0008):  # MS-XLS 2.4.122
        head += _record(0x0031, struct.pack("<HHHHHBBBBBB", 200, flags, 8, 400, 0, 0, 0, 0, 0, 1, 0)
                        + b"A")  # fmt: skip
    for font in (0, 1):
        head += _record(0x00E0, struct.pack("<HH", font, 0) + b"\x00" * 16)
    bodies = [_sheet(rows, struck, shift) for rows in sheets.values()]
    names = [name.encode("utf-16-le") for name in sheets]
    at = len(head) + sum(12 + len(n) for n in names) + 4
    for name, body in zip(names, bodies, strict=True):
        bound = struct.pack("<IBBBB", at, 0, 0, len(name) // 2, 1) + name
        head += _record(0x0085, bound)
        at += len(body)
    return head + _record(0x000A, b"") + b"".join(bodies)


def _sheet(rows: Sequence[Sequence[Cell]], struck: Sequence[int], shift: int) -> bytes:
    body = _record(0x0809, struct.pack("<HHHHII", 0x0600, 0x0010, 0x0DBB, 0x07CC, 0, 6))
    width = max(map(len, rows))
    body += _record(0x0200, struct.pack("<IIHHH", 0, len(rows), 0, width, 0))
    for r, row in enumerate(rows):
        for c, cell in enumerate(row, shift):
            form = int(r in struck)
            if isinstance(cell, dt.datetime):
                since = cell - dt.datetime(1899, 12, 30)  # noqa: DTZ001 - a day number
                cell = since.total_seconds() / 86400  # noqa: PLW2901
            if isinstance(cell, str):
                text = struct.pack("<HB", len(cell), 1) + cell.encode("utf-16-le")
                body += _record(0x0204, struct.pack("<HHH", r, c, form) + text)
            elif cell is not None:
                body += _record(0x0203, struct.pack("<HHHd", r, c, form, cell))
    return body + _record(0x000A, b"")


def compound(stream: bytes, name: str = "Workbook") -> bytes:
    """Wrap one stream; it is padded so as not to be a mini stream (MS-CFB 2.2)."""
    sector = 512
    stream = stream.ljust(max(4096, -(-len(stream) // sector) * sector), b"\x00")
    n_data = len(stream) // sector
    end, free, fat_sector = 0xFFFFFFFE, 0xFFFFFFFF, 0xFFFFFFFD
    fat = [fat_sector, end, *range(3, n_data + 2), end]
    fat_bytes = struct.pack("<128I", *(fat + [free] * (128 - len(fat))))
    entries = _entry("Root Entry", 5, end, 0, child=1) + _entry(name, 2, 2, len(stream))
    entries += _entry("", 0, 0, 0) * 2
    header = bytes.fromhex("D0CF11E0A1B11AE1") + b"\x00" * 16
    header += struct.pack(
        "<HHHHH6xIIIIIIIII", 0x3E, 3, 0xFFFE, 9, 6, 0, 1, 1, 0, 4096, end, 0, end, 0
    )
    header += struct.pack("<109I", 0, *[free] * 108)
    return header + fat_bytes + entries + stream


def _entry(name: str, kind: int, start: int, size: int, child: int = 0xFFFFFFFF) -> bytes:
    raw = name.encode("utf-16-le")
    length = len(raw) + 2 if name else 0
    none = 0xFFFFFFFF
    body = raw.ljust(64, b"\x00") + struct.pack("<HBBIII", length, kind, 1, none, none, child)
    return body + b"\x00" * 36 + struct.pack("<IQ", start, size)
