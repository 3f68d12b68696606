"""Which rows of a workbook are struck out, wholly or in part: in fonts, which cells do not tell.

A person who strikes a row out means that it does not count, or that another row does. Seen are
fonts of cells and of parts of their text in xlsx (ISO/IEC 29500-1, 18.8.22 and 18.4.10), styles of
cells and text in ods (OASIS OpenDocument 1.3, 20.395), fonts of cells in xls (MS-XLS, 2.4.122 and
2.4.353). Not seen: xlsb, styles of whole rows and columns, conditional formats.
"""

import io
import zipfile
import zlib
from collections import defaultdict
from collections.abc import Iterator
from posixpath import join, normpath
from xml.etree.ElementTree import Element, ParseError

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import iterparse

from afterclear.readers.formats.biff_records import records_of

Struck = dict[str, set[int]]  # sheet -> rows from 1

_ZIP = b"PK\x03\x04"
_UNREADABLE = (
    zipfile.BadZipFile,
    zlib.error,
    EOFError,
    NotImplementedError,
    OSError,
    KeyError,
    ParseError,
    DefusedXmlException,
    ValueError,
)
_OFF = {"0", "false", "none", ""}
_PIECE = 1 << 20
_MOST_REPEATED = 10_000  # rows for which one row of an ods stands


def struck_rows(raw: bytes) -> Struck:
    """Find the rows of each sheet that hold struck-out text.

    A damaged workbook has none: what reads its cells says what is wrong with it.
    """
    if not raw.startswith(_ZIP):
        return _in_xls(raw)
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as packed:
            names = set(packed.namelist())
            if "xl/workbook.xml" in names:
                return _in_xlsx(packed, names)
            return _in_ods(packed) if "content.xml" in names else {}
    except _UNREADABLE:
        return {}


def _elements(packed: zipfile.ZipFile, part: str, *tags: str) -> Iterator[Element]:
    """Give the elements of these names, each whole; what is read is forgotten."""
    with packed.open(part) as file:
        for _, element in iterparse(file, events=("end",)):
            if _local(element.tag) in tags:
                yield element
                element.clear()


def _mentions(packed: zipfile.ZipFile, part: str, word: bytes) -> bool:
    """Whether a part has a word at all: most need not be understood for it."""
    rest = b""
    with packed.open(part) as file:
        while piece := file.read(_PIECE):
            if word in rest + piece:
                return True
            rest = piece[-len(word) :]
    return False


def _local(name: str) -> str:
    return name.rpartition("}")[2]


def _all(element: Element, tag: str) -> Iterator[Element]:
    return (each for each in element.iter() if _local(each.tag) == tag)


def _attribute(element: Element, name: str) -> str:
    return next((v for k, v in element.attrib.items() if _local(k) == name), "")


# --- xlsx ------------------------------------------------------------------------------------


def _in_xlsx(packed: zipfile.ZipFile, names: set[str]) -> Struck:
    formats = _struck_formats(packed) if "xl/styles.xml" in names else set()
    texts: set[str] = set()
    if "xl/sharedStrings.xml" in names and _mentions(packed, "xl/sharedStrings.xml", b"strike"):
        items = _elements(packed, "xl/sharedStrings.xml", "si")
        texts = {str(n) for n, item in enumerate(items) if _is_struck(item)}
    if not formats and not texts:
        return {}
    found = {}
    for sheet, part in _sheet_parts(packed):
        if part in names:
            found[sheet] = set(_struck_cells(packed, part, formats, texts))
    return found


def _is_struck(element: Element) -> bool:
    return any(_attribute(e, "val").lower() not in _OFF - {""} for e in _all(element, "strike"))


def _struck_formats(packed: zipfile.ZipFile) -> set[str]:
    """Give the numbers of the cell formats whose font is struck out."""
    fonts: list[bool] = []
    for element in _elements(packed, "xl/styles.xml", "fonts", "cellXfs"):
        if _local(element.tag) == "fonts":
            fonts = [_is_struck(font) for font in element]
            continue
        ids = [int(_attribute(xf, "fontId") or 0) for xf in element]
        return {str(n) for n, font in enumerate(ids) if font < len(fonts) and fonts[font]}
    return set()


def _sheet_parts(packed: zipfile.ZipFile) -> Iterator[tuple[str, str]]:
    relations = _elements(packed, "xl/_rels/workbook.xml.rels", "Relationship")
    targets = {_attribute(r, "Id"): _attribute(r, "Target") for r in relations}
    for sheet in _elements(packed, "xl/workbook.xml", "sheet"):
        target = targets.get(_attribute(sheet, "id"), "")
        yield _attribute(sheet, "name"), normpath(join("/xl", target)).lstrip("/")


def _struck_cells(
    packed: zipfile.ZipFile, part: str, formats: set[str], texts: set[str]
) -> Iterator[int]:
    for number, row in enumerate(_elements(packed, part, "row"), 1):
        for cell in row:
            held = next((e.text for e in cell if _local(e.tag) in {"v", "is"}), None)
            is_text = _attribute(cell, "t") == "s" and held in texts
            if is_text or (held is not None and _attribute(cell, "s") in formats):
                yield int(_attribute(row, "r") or number)
                break


# --- ods -------------------------------------------------------------------------------------


def _in_ods(packed: zipfile.ZipFile) -> Struck:
    styles = set()
    for part in {"content.xml", "styles.xml"} & set(packed.namelist()):
        for style in _elements(packed, part, "style"):
            line = [
                _attribute(p, "text-line-through-style") or _attribute(p, "text-line-through-type")
                for p in _all(style, "text-properties")
            ]
            if any(each not in _OFF for each in line):
                styles.add(_attribute(style, "name"))
    if not styles:
        return {}
    found: Struck = {}
    for table in _elements(packed, "content.xml", "table"):
        rows, at = found.setdefault(_attribute(table, "name"), set()), 1
        for row in _all(table, "table-row"):
            n_rows = int(_attribute(row, "number-rows-repeated") or 1)
            if any(_has_struck_text(cell, styles) for cell in row):
                rows.update(range(at, at + min(n_rows, _MOST_REPEATED)))
            at += n_rows
    return found


def _has_struck_text(cell: Element, styles: set[str]) -> bool:
    if not "".join(cell.itertext()).strip():
        return False
    return any(_attribute(each, "style-name") in styles for each in cell.iter())


# --- xls -------------------------------------------------------------------------------------

_BOF, _EOF, _SHEET, _FONT, _FORMAT, _MANY = 0x0809, 0x000A, 0x0085, 0x0031, 0x00E0, 0x00BD
_ONE = {0x00FD, 0x0204, 0x0203, 0x027E, 0x0006, 0x0205, 0x00D6}  # cells that hold something
_SHEET_HEAD = 8  # bytes before a sheet's name
_STRUCK = 0x0008
_LEFT_OUT_FONT = 4  # no font has this number (MS-XLS 2.5.129)


def _in_xls(raw: bytes) -> Struck:
    fonts: list[bool] = []
    formats: list[bool] = []
    names: dict[int, str] = {}
    found: defaultdict[str, set[int]] = defaultdict(set)
    sheet = ""
    for at, kind, body in records_of(raw):
        if kind == _BOF:
            sheet = names.get(at, "")
        elif kind == _SHEET and len(body) > _SHEET_HEAD:
            names[int.from_bytes(body[:4], "little")] = _name(body[6:])
        elif kind == _FONT:
            fonts.append(bool(_word(body, 2) & _STRUCK))
        elif kind == _FORMAT:
            font = _word(body, 0) - (_word(body, 0) > _LEFT_OUT_FONT)
            formats.append(font < len(fonts) and fonts[font])
        elif (kind in _ONE and _is_of(formats, _word(body, 4))) or (
            kind == _MANY
            and any(_is_of(formats, _word(body, place)) for place in range(4, len(body) - 2, 6))
        ):
            found[sheet].add(_word(body, 0) + 1)
    return dict(found)


def _is_of(formats: list[bool], number: int) -> bool:
    return number < len(formats) and formats[number]


def _word(body: bytes, at: int) -> int:
    return int.from_bytes(body[at : at + 2], "little")


def _name(body: bytes) -> str:
    """Read a short text: its length, whether its letters have two bytes, the letters."""
    length, is_wide = body[0], body[1] & 1
    return body[2:].decode("utf-16-le" if is_wide else "latin-1", "replace")[:length]
