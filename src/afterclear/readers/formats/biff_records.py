"""Records of an xls (MS-XLS, BIFF8) without their meaning: kind and bytes, in the file's order.

The file around them is a container of chained sectors (MS-CFB).
"""

import io
import struct
from collections.abc import Iterable, Iterator, Sequence
from itertools import takewhile

import olefile

from afterclear.errors import worded

_STREAMS = ("Workbook", "Book")
# cells, empty ones among them: row, column, ... (MS-XLS 2.4.28, 2.4.90, 2.4.127 and others)
_CELLS = {*(0x0006, 0x00D6, 0x00FD, 0x0201, 0x0203, 0x0204, 0x0205, 0x027E, 0x00BD, 0x00BE)}
_CELLS_IN_A_ROW = {0x00BD, 0x00BE}  # ... that end with their last column (MS-XLS 2.4.174, 2.4.175)
_DIMENSIONS, _DIMENSIONS_LENGTH = 0x0200, 14  # MS-XLS 2.4.90
_ROWS, _COLUMNS = 65_536, 256  # of any sheet of an xls (MS-XLS 2.1.2)
_SHEET, _END = 0x0085, 0x000A  # where a sheet begins, in the list of sheets; its end (MS-XLS 2.4)
_HEAD = 4  # bytes of a record's kind and length
# of the container: bytes of a sector, in the fourth version more; numbers from here on name none
_SECTOR, _LONG_SECTOR, _LONG_SECTORS_SINCE, _NO_SECTOR = 512, 4096, 4, 0xFFFFFFFA


def records_of(raw: bytes) -> Iterator[tuple[int, int, bytes]]:
    """Give (place in the stream, kind, bytes) of each record; none if there is no such stream.

    A damaged container gives what can be read: what reads the cells says what is wrong with it.
    """
    yield from _from(_stream(raw), 0)


def _from(stream: bytes, at: int) -> Iterator[tuple[int, int, bytes]]:
    while at + _HEAD <= len(stream):
        kind, length = _number(stream[at : at + 2]), _number(stream[at + 2 : at + _HEAD])
        yield at, kind, stream[at + _HEAD : at + _HEAD + length]
        at += _HEAD + length


def beyond_a_sheet(raw: bytes) -> str:
    """Say which cell or size of a sheet is beyond what a sheet can have; empty: none is.

    The parser lays out the whole rectangle before it reads a cell. It reads each sheet from where
    the list of sheets says that it begins, up to its end; a damaged list may name any place.
    """
    stream = _stream(raw)
    begins = [_number(body[:4]) for _, kind, body in _from(stream, 0) if kind == _SHEET]
    sheets = (takewhile(lambda each: each[1] != _END, _from(stream, at)) for at in set(begins))
    for records in (_from(stream, 0), *sheets):
        if told := _beyond(records):
            return told
    return ""


def _beyond(records: Iterable[tuple[int, int, bytes]]) -> str:
    for _, kind, body in records:
        if kind in _CELLS and (column := _last_column(kind, body) + 1) > _COLUMNS:
            return worded("names a cell in column {column:,}", column=column)
        if kind == _DIMENSIONS:
            (top, bottom), (left, right) = _extent(body)
            if not (top <= bottom <= _ROWS and left <= right <= _COLUMNS):
                return worded(
                    "says that a sheet runs from row {top:,}, column {left:,} to row {bottom:,}, "
                    "column {right:,}",
                    top=top + 1,
                    left=left + 1,
                    bottom=bottom,
                    right=right,
                )
    return ""


def _last_column(kind: int, body: bytes) -> int:
    last = _number(body[-2:]) if kind in _CELLS_IN_A_ROW else 0
    return max(last, _number(body[2:4]))


def _extent(body: bytes) -> tuple[tuple[int, int], tuple[int, int]]:
    """Give the rows and the columns a sheet says it uses: first from 0, end past the last."""
    long = 4 if len(body) >= _DIMENSIONS_LENGTH else 2  # of a row's number; two before BIFF8
    rows, columns = body[: 2 * long], body[2 * long : 2 * long + 4]
    return (_number(rows[:long]), _number(rows[long:])), (
        _number(columns[:2]),
        _number(columns[2:]),
    )


def _number(raw: bytes) -> int:
    return int.from_bytes(raw, "little")


def why_no_workbook(raw: bytes) -> str:
    """Say why a container holds no workbook that can be read; empty: nothing speaks against it.

    The parser follows a chain of sectors until the memory is full if it leads in a circle.
    """
    if _is_in_a_circle(raw):
        return worded("is damaged: its parts lead in a circle. Save it anew, or as CSV")
    try:
        with olefile.OleFileIO(io.BytesIO(raw)) as container:
            if container.exists("EncryptedPackage"):  # MS-OFFCRYPTO 2.3.4.4
                return worded("is protected by a password; deliver it without")
    # a damaged container raises whatever its bytes lead to; the parser says it in its own words
    except Exception:  # noqa: BLE001
        return ""
    return ""


def _is_in_a_circle(raw: bytes) -> bool:
    """Follow what the parser follows (MS-CFB 2.2, 2.3, 2.4, 2.5), also where others give up.

    That is the list of the sectors that hold the table, the chains in the table, and those in the
    table of small sectors, which lies in such a chain itself.
    """
    size = _LONG_SECTOR if _number(raw[26:28]) == _LONG_SECTORS_SINCE else _SECTOR

    def sector(number: int) -> list[int]:
        return _numbers(raw[(number + 1) * size : (number + 2) * size])

    listed, at, seen = _numbers(raw[76:_SECTOR]), _number(raw[68:72]), set[int]()
    while at < _NO_SECTOR and (more := sector(at)):
        if at in seen:
            return True
        seen.add(at)
        listed += more[:-1]
        at = more[-1]
    of_table = [number for number in listed if number < _NO_SECTOR]
    if len(set(of_table)) < len(of_table):
        return True
    table = [following for number in of_table for following in sector(number)]
    if _leads_in_a_circle(table):
        return True
    small, at = list[int](), _number(raw[60:64])
    while at < len(table):
        small += sector(at)
        at = table[at]
    return _leads_in_a_circle(small)


def _numbers(raw: bytes) -> list[int]:
    return [*struct.unpack(f"<{len(raw) // 4}I", raw[: len(raw) // 4 * 4])]


def _leads_in_a_circle(following: Sequence[int]) -> bool:
    """Follow each chain to its end, every sector once; numbers beyond the table are ends."""
    is_done = bytearray(len(following))
    for first in range(len(following)):
        chain: set[int] = set()
        at = first
        while at < len(following) and not is_done[at]:
            if at in chain:
                return True
            chain.add(at)
            at = following[at]
        for sector in chain:
            is_done[sector] = True
    return False


def _stream(raw: bytes) -> bytes:
    try:
        with olefile.OleFileIO(io.BytesIO(raw)) as container:
            name = next((n for n in _STREAMS if container.exists(n)), None)
            return bytes(container.openstream(name).read()) if name else b""
    # a damaged container raises whatever its bytes lead to
    except Exception:  # noqa: BLE001
        return b""
