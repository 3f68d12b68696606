"""Everything in a delivered file that can be read as text, to search it for a vehicle's names.

Nothing here is understood as data: pages, cells, headers and packed parts are words, in every
encoding they may be in.  What cannot be opened is told, for nobody knows whom it names.
"""

import html
import io
import re
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path
from typing import Final

import polars as pl

from afterclear.errors import RefusedFileError
from afterclear.readers.containers import MAX_NESTING, container_kind, unpacked
from afterclear.readers.formats.workbook import DAMAGED, is_workbook
from afterclear.readers.limits import check_zip
from afterclear.readers.text.codepages import USUAL

_HEAD: Final = 1 << 14
_MOST_UNPACKED: Final = 1 << 28  # bytes of a workbook's or a PDF's parts that are searched
_PARQUET: Final = b"PAR1"
_PDF: Final = b"%PDF"
_ZIP: Final = b"PK\x03\x04"
_TAG: Final = re.compile(r"<[^>]*>")
_STREAM: Final = re.compile(rb"stream\r?\n(.*?)endstream", re.DOTALL)  # ISO 32000-1, 7.3.8


class CannotLookError(Exception):
    """A file cannot be opened, so nobody knows which vehicles it names."""


def texts(path: Path, name: str, nesting: int = 0) -> Iterator[str]:
    """Give everything in a file that can be read as text, in every possible encoding.

    Raises:
        CannotLookError: it is an archive, a workbook or a table that cannot be opened.

    """
    raw = path.read_bytes()
    kind = container_kind(path, name)
    if kind == "mail":
        yield from _of_mail(path, name, nesting)
    elif kind is not None:
        yield from _of_container(path, name, kind, nesting)
    elif is_workbook(raw[:_HEAD], path):
        yield from _of_workbook(raw, name)
    elif raw.startswith(_PARQUET):
        yield from _of_parquet(raw, name)
    elif raw.startswith(_PDF):
        yield from _of_pdf(raw, name)
    yield from _of_bytes(raw)


def _of_container(path: Path, name: str, kind: str, nesting: int) -> Iterator[str]:
    if nesting >= MAX_NESTING:
        raise CannotLookError(name)
    with tempfile.TemporaryDirectory(prefix="within-", dir=path.parent) as folder:
        try:
            inside = unpacked(path, name, kind, Path(folder))
        except RefusedFileError as error:
            raise CannotLookError(name) from error
        for member in inside.members:
            yield member.name
            yield from texts(member.path, member.name, nesting + 1)


def _of_mail(path: Path, name: str, nesting: int) -> Iterator[str]:
    """Give a mail's headers, and every part decoded, also those that no load reads."""
    # slow to load, and few files are mails
    from email import message_from_bytes  # noqa: PLC0415

    if nesting >= MAX_NESTING:
        raise CannotLookError(name)
    with tempfile.TemporaryDirectory(prefix="within-", dir=path.parent) as folder:
        for number, part in enumerate(message_from_bytes(path.read_bytes()).walk()):
            yield from (_header(str(told)) for told in part.values())
            content = part.get_payload(decode=True)
            if isinstance(content, bytes):
                place = Path(folder) / f"{number}"
                place.write_bytes(content)
                yield from texts(place, part.get_filename() or name, nesting + 1)


def _header(told: str) -> str:
    """Decode the encoded words of a header (RFC 2047); one that is broken stays as it is."""
    from email import errors, header  # noqa: PLC0415 - as above

    try:
        return str(header.make_header(header.decode_header(told)))
    except (errors.HeaderParseError, LookupError, ValueError):
        return told


def _of_pdf(raw: bytes, name: str) -> Iterator[str]:
    """Give the text of every page, hidden text too, and what its packed parts hold as bytes."""
    import pypdfium2 as pdfium  # noqa: PLC0415 - as above

    n_letters = 0
    try:
        with pdfium.PdfDocument(raw) as document:
            yield from document.get_metadata_dict().values()
            for page in document:
                with closing(page.get_textpage()) as text:
                    n_letters += text.count_chars()
                    # a picture of text, be it one page of many
                    if not text.count_chars() and any(page.get_objects(max_depth=1)):
                        raise CannotLookError(name)
                    yield text.get_text_range()
    except pdfium.PdfiumError as error:
        raise CannotLookError(name) from error
    if not n_letters:
        raise CannotLookError(name)
    left = _MOST_UNPACKED
    for packed in _STREAM.finditer(raw):
        unpack = zlib.decompressobj()
        with suppress(zlib.error):  # packed in another way, or not at all: it is among the bytes
            content = unpack.decompress(packed[1], left)
            if unpack.unconsumed_tail:
                raise CannotLookError(name)
            left -= len(content)
            yield from _of_bytes(content)


def _of_workbook(raw: bytes, name: str) -> Iterator[str]:
    """Give every part of a packed workbook, with and without its tags; older ones as bytes."""
    if not raw.startswith(_ZIP):
        return
    try:
        if sum(part.file_size for part in check_zip(io.BytesIO(raw), name)) > _MOST_UNPACKED:
            raise CannotLookError(name)
        with zipfile.ZipFile(io.BytesIO(raw)) as packed:
            for part in packed.namelist():
                yield from _of_bytes(packed.read(part))
    except (RefusedFileError, RuntimeError, *DAMAGED) as error:
        raise CannotLookError(name) from error


def parquet_of(
    file: Path | io.BytesIO, name: str, columns: list[str] | None = None
) -> pl.DataFrame:
    """Read a Parquet file, all of it or some columns.

    Raises:
        CannotLookError: it is damaged.

    """
    try:
        return pl.read_parquet(file, columns=columns)
    # a panic of the library's native code is a BaseException
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException) as error:
        raise CannotLookError(name) from error


def _of_parquet(raw: bytes, name: str) -> Iterator[str]:
    frame = parquet_of(io.BytesIO(raw), name)
    for column in frame.columns:
        yield column
        cells = frame[column].cast(pl.String, strict=False).drop_nulls().unique()
        yield "\n".join(cells)


def _of_bytes(raw: bytes) -> Iterator[str]:
    """Read bytes as text in every encoding they may be in, and what marks or escapes hide."""
    text = raw.decode("utf-8", errors="replace")
    yield text
    if b"\x00" in raw[:_HEAD]:
        yield from (raw.decode(codec, errors="replace") for codec in ("utf-16-le", "utf-16-be"))
        yield raw[1:].decode("utf-16-le", errors="replace")  # at an odd place within other bytes
    if "\ufffd" in text:
        # a table of bytes alone has no codepage, and letters of a workbook are the first 256
        is_text = b"\x00" not in raw[:_HEAD]
        pages = ("latin-1", *USUAL) if is_text else ("latin-1",)
        yield from dict.fromkeys(raw.decode(page, errors="replace") for page in pages)
    if "<" in text:
        yield html.unescape(_TAG.sub("", text))
        yield html.unescape(text)
    if "\\u" in text:
        yield re.sub(r"\\u([0-9a-fA-F]{4})", lambda found: chr(int(found[1], 16)), text)
