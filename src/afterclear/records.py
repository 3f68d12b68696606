"""Frozen records that cross parts of the program.  Times are aware UTC instants."""

import unicodedata
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:  # a command that reads no file need not wait for it
    import polars as pl

# Unicode's general categories: control, format, surrogate, line and paragraph separators.
_NOT_SHOWN = {"Cc", "Cf", "Cs", "Zl", "Zp"}
_LONGEST_ENDING = 12
# how a refused row came that is in the plain layout; otherwise the name of its map's reader
PLAIN = "plain"


def printable(name: str) -> str:
    """Give a file's name as text that is safe in a line or a table.

    Bytes that are no UTF-8, control characters and those that turn the direction of writing
    become the replacement character.
    """
    with suppress(UnicodeEncodeError):  # a lone surrogate that is no byte either, as JSON may hold
        name = name.encode("utf-8", errors="surrogateescape").decode("utf-8", errors="replace")
    return "".join("\ufffd" if unicodedata.category(c) in _NOT_SHOWN else c for c in name)


def plain_ending(name: str) -> str:
    """Give the ending of a name from outside, for a private copy: it identifies some kinds.

    Empty where it is long or holds anything but letters and digits.
    """
    ending = PurePosixPath(name.replace("\\", "/")).suffix.lower()
    plain = ending[1:].isalnum() and ending.isascii() and len(ending) <= _LONGEST_ENDING
    return ending if plain else ""


@dataclass(frozen=True, slots=True)
class Delivery:
    """One delivered file, already safe in the archive."""

    source: str  # name of the source in config/sources.toml, or "command line"
    name: str  # the file's name as it came, for messages and the ledger
    path: Path  # where its bytes can be read
    sha256: str
    zone: str = "UTC"  # IANA zone of times written without an offset
    vehicle_id: str | None = None  # the file's vehicle, for kinds that do not name it themselves
    started_at: datetime | None = None  # begin of a log whose clock is relative


@dataclass(frozen=True, slots=True)
class Rejection:
    """One refused row or value: its place, its content, and what was expected."""

    table: str
    line: int | None  # 1-based; a frame or record number where a file has no lines
    column: str | None
    value: str | None
    expected: str
    row: str | None = None  # the whole row as JSON, for mending and replay
    # the row has the source's own headings and text: it can only come back through the map
    is_source: bool = field(default=False, compare=False)


@dataclass(frozen=True, slots=True)
class PlainFile:
    """A table in a file that the store can scan itself."""

    table: str
    path: Path
    form: Literal["csv", "jsonl", "parquet"]
    header: tuple[str, ...]  # its columns, in file order


@dataclass(frozen=True, slots=True)
class PlainRows:
    """Rows of a table made by a reader: plain column names, every cell text or null.

    ``frame`` has one extra column, ``_line`` (Int64): the 1-based line, frame or record number
    of the row in the delivered file.
    """

    table: str
    frame: "pl.DataFrame"
    zone: str | None = None  # of times without an offset; None: as the delivery says


@dataclass(frozen=True, slots=True)
class ReadFile:
    """A reader's result for one delivery. Everything it saw is in one of the three parts."""

    parts: tuple[PlainFile | PlainRows, ...]
    rejections: tuple[Rejection, ...] = ()
    note: str = ""  # what a person should know: encoding found, frames without meaning, ...
    # line -> key of the refused row that comes back in it, as ``store/intake/returned.py`` makes it
    returned: Mapping[int, str] = field(default_factory=dict)
    n_known: int = 0  # rows left out because they are in the store already


@dataclass(frozen=True, slots=True)
class LoadResult:
    """One file's line in the ledger.  read = stored + duplicate + rejected, always."""

    load_id: int | None  # None: nothing was written, the file was loaded before
    source: str
    file_name: str
    sha256: str
    reader: str
    rows_read: int = 0
    rows_stored: int = 0
    rows_duplicate: int = 0
    rows_rejected: int = 0
    rows_corrected: int = 0  # of the stored ones: those that superseded an older row
    # left: it could not be read this time; it is not in the ledger
    outcome: Literal["stored", "known", "refused", "left"] = "stored"
    note: str = ""
    is_fault: bool = False  # refused because the program itself failed on it
