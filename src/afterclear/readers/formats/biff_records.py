"""Records of an xls (MS-XLS, BIFF8) without their meaning: kind and bytes, in the file's order."""

import io
from collections.abc import Iterator

import olefile

_STREAMS = ("Workbook", "Book")
# cells, empty ones among them: row, column, ... (MS-XLS 2.4.28, 2.4.90, 2.4.127 and others)
_CELLS = {*(0x0006, 0x00D6, 0x00FD, 0x0201, 0x0203, 0x0204, 0x0205, 0x027E, 0x00BD, 0x00BE)}
_HEAD = 4  # bytes of a record's kind and length


def records_of(raw: bytes) -> Iterator[tuple[int, int, bytes]]:
    """Give (place in the stream, kind, bytes) of each record; none if there is no such stream.

    A damaged container gives what can be read: what reads the cells says what is wrong with it.
    """
    stream = _stream(raw)
    at = 0
    while at + _HEAD <= len(stream):
        kind = int.from_bytes(stream[at : at + 2], "little")
        length = int.from_bytes(stream[at + 2 : at + _HEAD], "little")
        yield at, kind, stream[at + _HEAD : at + _HEAD + length]
        at += _HEAD + length


def last_column(raw: bytes) -> int:
    """Give the last column, from 1, in which any sheet has a cell; 0: there are no cells."""
    return max(
        (int.from_bytes(body[2:4], "little") + 1 for _, kind, body in records_of(raw)
         if kind in _CELLS),
        default=0,
    )  # fmt: skip


def _stream(raw: bytes) -> bytes:
    try:
        with olefile.OleFileIO(io.BytesIO(raw)) as container:
            name = next((n for n in _STREAMS if container.exists(n)), None)
            return bytes(container.openstream(name).read()) if name else b""
    # a damaged container raises whatever its bytes lead to
    except Exception:  # noqa: BLE001
        return b""
