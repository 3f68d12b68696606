"""Files that are in the plain layout already: CSV, JSON Lines, Parquet.

They are recognised by their columns.  Nothing is parsed here: the store reads such a file
itself, set-based.
"""

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import ClassVar, Literal

import polars as pl

from afterclear.errors import RefusedFileError, worded
from afterclear.plain import MILE_COLUMNS, TABLES, Table
from afterclear.records import Delivery, PlainFile, ReadFile

Form = Literal["csv", "jsonl", "parquet"]

_HEAD_BYTES = 1 << 16  # a header is a few hundred bytes
_JSON_LINES_LOOKED_AT = 50  # a column that first appears later is an unknown one
_PARQUET_MAGIC = b"PAR1"


class PlainTableReader:
    """Recognises a plain table and gives the store its place."""

    name: ClassVar[str] = "plain_table"

    def identify(self, delivery: Delivery) -> bool:
        """Whether the columns are those of one plain table."""
        head = _head(delivery.path)
        return _form(head) is not None and _table(_header(delivery.path, head)) is not None

    def read(self, delivery: Delivery) -> ReadFile:
        """Point at the file as one plain table.

        Raises:
            RefusedFileError: a heading occurs twice, or the text is not UTF-8.

        """
        head = _head(delivery.path)
        form, header = _form(head), _header(delivery.path, head)
        table = _table(header)
        if form is None or table is None:
            raise RefusedFileError(
                worded("{name} has no columns of the plain layout.", name=delivery.name)
            )
        if form == "csv" and len(head) == _HEAD_BYTES and not _has_whole_header(head):
            raise RefusedFileError(
                worded(
                    "{name} has headings of more than {head_bytes:,} bytes; a table has a "
                    "few hundred. Is the first line the headings, and each row on a line "
                    "of its own?",
                    name=delivery.name,
                    head_bytes=_HEAD_BYTES,
                )
            )
        twice = sorted({name for name in header if header.count(name) > 1})
        if twice:
            raise RefusedFileError(
                worded(
                    "{name} has the column {twice!r} more than once. Keep one of them.",
                    name=delivery.name,
                    twice=twice[0],
                )
            )
        return ReadFile(parts=(PlainFile(table.name, delivery.path, form, header),))


def _head(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(_HEAD_BYTES)


def _form(head: bytes) -> Form | None:
    if head.startswith(_PARQUET_MAGIC):
        return "parquet"
    if b"\x00" in head:
        return None
    if head.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(b"{"):
        return "jsonl"
    return "csv"


def _csv_header(_: Path, head: bytes) -> tuple[str, ...]:
    text = head.decode("utf-8-sig", errors="replace")
    names = next(csv.reader(io.StringIO(text, newline="")), [])
    # a cell under no heading is still kept, in extras
    return tuple(name if name.strip() else f"column {i}" for i, name in enumerate(names, 1))


def _has_whole_header(head: bytes) -> bool:
    """Whether the headings end within the beginning of a file."""
    rows = csv.reader(io.StringIO(head.decode("utf-8-sig", errors="replace"), newline=""))
    next(rows, None)
    return next(rows, None) is not None


def _jsonl_header(_: Path, head: bytes) -> tuple[str, ...]:
    names: dict[str, None] = {}
    for line in head.decode("utf-8-sig", errors="replace").splitlines()[:_JSON_LINES_LOOKED_AT]:
        try:
            row = json.loads(line)
        except (ValueError, RecursionError):
            continue
        if isinstance(row, dict):
            names.update(dict.fromkeys(row))
    return tuple(names)


def _parquet_header(path: Path, _: bytes) -> tuple[str, ...]:
    try:
        return tuple(pl.read_parquet_schema(path))
    except pl.exceptions.PolarsError:
        return ()


_HEADERS: dict[Form, Callable[[Path, bytes], tuple[str, ...]]] = {
    "csv": _csv_header,
    "jsonl": _jsonl_header,
    "parquet": _parquet_header,
}


def _header(path: Path, head: bytes) -> tuple[str, ...]:
    form = _form(head)
    return _HEADERS[form](path, head) if form else ()


def _table(header: tuple[str, ...]) -> Table | None:
    """Find the plain table with these columns: most required ones, then most known."""
    names = {_plain_name(name) for name in header}
    fitting = [t for t in TABLES.values() if names >= set(t.required)]
    # vehicle_id alone decides nothing: a vehicle list must hold a fact about vehicles
    fitting = [t for t in fitting if len(names & set(t.names)) > 1]
    return max(
        fitting,
        key=lambda t: (len(t.required), len(names & set(t.names))),
        default=None,
    )


def _plain_name(name: str) -> str:
    return next((km for km, mi in MILE_COLUMNS.items() if mi == name), name)
