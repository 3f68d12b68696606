"""Rows that are struck out: asked about or refused, never read in silence."""

import io
import struct
from collections.abc import Callable

import pytest
import xlsxwriter

from afterclear.errors import RefusedFileError
from afterclear.readers.formats.html_tables import html_tables
from afterclear.readers.formats.struck_rows import struck_rows
from afterclear.readers.formats.workbook import read_sheets
from afterclear.readers.maps.struck_cells import StruckCells
from tests.readers.workbooks import compound, ods, xls

HEAD = ["Vehicle", "Date", "Odometer km", "Module", "DTC"]
KEPT = ["V-01", "2026-03-14 10:00", 83120, "Engine", "P0301"]
GONE = ["V-02", "2026-03-15 11:00", 51650, "Engine", "P0420"]


def page(row: str, begin: str = "") -> str:
    """Write a page with a row struck out in some way."""
    plain = "".join(f"<td>{cell}</td>" for cell in KEPT)
    head = "".join(f"<th>{cell}</th>" for cell in HEAD)
    return f"<html>{begin}<table><tr>{head}</tr>{row}<tr>{plain}</tr></table></html>"


def cells(form: str) -> str:
    return "".join(form.format(cell) for cell in GONE)


@pytest.mark.parametrize(
    "html",
    [
        *(page(f"<tr>{cells(f'<td><{t}>{{}}</{t}></td>')}</tr>") for t in ("s", "del", "strike")),
        page(f"<tr style='text-decoration: line-through'>{cells('<td>{}</td>')}</tr>"),
        page(f"<tr style='text-decoration:line-through'>{cells('<td>{}')}"),
        page(f"<tr>{cells('<td class=x>{}</td>')}</tr>", "<style>td.x{text-decoration:line-through}"
             "</style>"),
        page("<tr><td>V-02<td>2026-03-15 11:00<td>51650<td>Engine<td><s>P0420</s> P0421</tr>"),
    ],
    ids=["s", "del", "strike", "row style", "no ends", "class", "one word"],
)  # fmt: skip
def test_a_struck_row_of_a_page_is_known_and_its_neighbours_are_not(html: str) -> None:
    (table,) = html_tables(html, "x.html")
    assert [isinstance(row, StruckCells) for _, row in table.rows] == [False, True, False]


def in_xlsx() -> bytes:
    file = io.BytesIO()
    book = xlsxwriter.Workbook(file, {"in_memory": True})
    gone = book.add_format({"font_strikeout": True})
    sheet = book.add_worksheet("Week 12")
    for n, (row, form) in enumerate([(HEAD, None), (GONE, gone), (KEPT, None), (KEPT, None)]):
        sheet.write_row(n, 0, row, form)
    sheet.write_rich_string(3, 4, gone, "P0301", " P0302")
    book.close()
    return file.getvalue()


def in_ods() -> bytes:
    raw = ods({"Week 12": [HEAD, GONE, KEPT, GONE]})
    style = (
        '<office:automatic-styles xmlns:style="urn:oasis:names:tc:opendocument:xmlns:style:1.0">'
        '<style:style style:name="gone"><style:text-properties '
        'style:text-line-through-style="solid"/></style:style></office:automatic-styles>'
    )
    return repacked(
        raw,
        lambda text: text.replace("<office:body>", f"{style}<office:body>").replace(
            '<table:table-cell office:value-type="string"><text:p>V-02',
            '<table:table-cell table:style-name="gone" office:value-type="string"><text:p>V-02',
        ),
    )


def repacked(raw: bytes, change: Callable[[str], str]) -> bytes:
    """Change the content of an ods."""
    import zipfile  # noqa: PLC0415

    file = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(raw)) as old, zipfile.ZipFile(file, "w") as new:
        for name in old.namelist():
            text = old.read(name)
            new.writestr(name, change(text.decode()) if name == "content.xml" else text)
    return file.getvalue()


IN_XLS = xls({"Week 12": [HEAD, GONE, KEPT, GONE]}, struck=(1, 3))


@pytest.mark.parametrize("raw", [in_xlsx(), in_ods(), IN_XLS], ids=["xlsx", "ods", "xls"])
def test_struck_rows_of_a_workbook_are_known(raw: bytes) -> None:
    (sheet,) = read_sheets(raw, "x")
    assert [isinstance(row, StruckCells) for _, row in sheet.grid] == [False, True, False, True]


def test_a_workbook_without_a_struck_font_has_none() -> None:
    assert struck_rows(xls({"Week 12": [HEAD, KEPT]})) == {}


def test_an_xls_that_says_it_is_larger_than_a_sheet_can_be_is_refused() -> None:
    """MS-XLS 2.4.90: first and last row, four bytes each, first and last column."""
    size = bytes.fromhex("00020e00") + (0).to_bytes(4, "little")
    assert size in IN_XLS
    at = IN_XLS.index(size) + 4
    bent = IN_XLS[:at] + bytes.fromhex("00000000020000faffff fcff") + IN_XLS[at + 12 :]
    with pytest.raises(RefusedFileError, match="to row 4,194,304,002, column 65,532, and a sheet"):
        read_sheets(bent, "x.xls")


def test_an_xls_whose_parts_lead_in_a_circle_is_refused_before_it_fills_the_memory() -> None:
    """MS-CFB 2.3: the table of sectors names the next one of each; here one names itself."""
    raw = bytearray(IN_XLS)
    table = 512 * (1 + int.from_bytes(raw[76:80], "little"))  # the first sector of the table
    raw[table + 4 : table + 8] = (1).to_bytes(4, "little")
    with pytest.raises(RefusedFileError, match="its parts lead in a circle"):
        read_sheets(bytes(raw), "x.xls")


@pytest.mark.parametrize(
    "changes",
    [{68: 1, 2 * 512 + 508: 1}, {80: 0}, {48: 200, 512 + 4: 1}],
    ids=["list of the table's sectors", "a sector of the table twice", "and no folder"],
)
def test_a_circle_is_seen_where_the_container_cannot_be_opened(changes: dict[int, int]) -> None:
    """MS-CFB 2.2: at 68 the list goes on beyond its first 109 sectors, at 48 the folder begins."""
    raw = bytearray(IN_XLS)
    for place, number in changes.items():
        raw[place : place + 4] = number.to_bytes(4, "little")
    with pytest.raises(RefusedFileError, match="its parts lead in a circle"):
        read_sheets(bytes(raw), "x.xls")


def test_a_workbook_with_a_password_is_refused_with_what_to_do() -> None:
    """MS-OFFCRYPTO 2.3.4.4: the packed workbook is a stream of this name in a container."""
    raw = compound(bytes(5000), "EncryptedPackage")
    with pytest.raises(RefusedFileError, match="is protected by a password; deliver it without"):
        read_sheets(raw, "x.xlsx")


def test_a_cell_far_out_in_an_xls_is_refused_before_its_empty_neighbours_fill_the_memory() -> None:
    far = xls({"Week 12": [HEAD, KEPT]}, shift=60_000)
    with pytest.raises(RefusedFileError, match="names a cell in column 60,001"):
        read_sheets(far, "x.xls")


def test_cells_in_a_row_that_lead_beyond_a_sheet_are_refused_too() -> None:
    """MS-XLS 2.4.175: row, first column, six bytes a cell, last column; here 300 of them."""
    n, end = 300, bytes.fromhex("0a000000")
    cells = struct.pack("<HH", 5, 0) + bytes(6 * n) + struct.pack("<H", n - 1)
    whole, _, _ = IN_XLS[512 * 3 :].rpartition(end)  # the stream, which begins in the third sector
    stream = whole + struct.pack("<HH", 0x00BD, len(cells)) + cells + end
    with pytest.raises(RefusedFileError, match="names a cell in column 300"):
        read_sheets(compound(stream), "x.xls")
