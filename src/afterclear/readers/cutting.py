"""A delivered file without a vehicle: what is known of its form decides where it can be cut.

Only whole records are cut: records of a plain table, items of a JSON document's one list, lines of
other text. A cut line stays as an empty one, so that the others keep their numbers. A workbook, an
archive, a mail or a bus recording is never cut: no part of it can be shown to be free of the
vehicle.
"""

import csv
import io
import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import polars as pl

from afterclear.catalogue.names_in_text import Called, is_distinct
from afterclear.errors import RefusedFileError
from afterclear.readers.looking import CannotLookError, parquet_of
from afterclear.readers.text.text_of_bytes import Text, decoded

_HEAD: Final = 1 << 14
_PARQUET: Final = b"PAR1"
# zip and workbooks, gzip, xls, PDF
_PACKED: Final = (b"PK", b"\x1f\x8b", b"\xd0\xcf\x11\xe0", b"%PDF")


@dataclass(frozen=True, slots=True)
class Cut:
    """A file without the records that name a vehicle; no ``lines``: no record does."""

    content: bytes
    lines: tuple[int, ...]  # lines of the cut records; in Parquet their row numbers
    is_certain: bool  # every record of this form names its own vehicle


def without(raw: bytes, called: Called) -> Cut | None:
    """Cut out the records that name a vehicle; None: a file of this form has no safe cut."""
    if raw.startswith(_PARQUET):
        return _parquet_without(raw, called)
    if raw.startswith(_PACKED) or raw[:_HEAD].lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"<"):
        return None
    try:
        found = decoded(raw, "detect", "the file")
        text, codec = found.text, _same_codec(raw, found)
        kept, lines, certain = next(filter(None, (form(text, called) for form in _FORMS)))
    except (RefusedFileError, csv.Error, _NoSafeCutError):
        return None
    return Cut(kept.encode(codec) if lines else raw, lines, certain)


class _NoSafeCutError(Exception):
    """The form is known, and this file cannot be cut."""


_Made = tuple[str, tuple[int, ...], bool]  # text, lines, is every record certain


def _same_codec(raw: bytes, found: Text) -> str:
    """Find the encoding that gives the same bytes again."""
    for codec in filter(None, (found.codec, "utf-8", "utf-8-sig", "utf-16", "cp1252", "latin-1")):
        try:
            if found.text.encode(codec) == raw:
                return codec
        except UnicodeEncodeError:
            continue
    raise _NoSafeCutError


def _plain_csv(text: str, called: Called) -> _Made | None:
    """Cut a plain table: a record is the vehicle's by its number, or names it in a cell."""
    header = next(csv.reader([text.partition("\n")[0].removeprefix("\ufeff")]), [])
    if "vehicle_id" not in header:
        return None
    at = header.index("vehicle_id")
    lines = io.StringIO(text, newline="").readlines()
    reader = csv.reader(lines)
    kept: list[str] = []
    gone: list[int] = []
    begin = 0
    for cells in reader:
        record = lines[begin : reader.line_num]
        # in a broken record nobody knows which cell is the vehicle's own
        own = cells[at : at + 1] if len(cells) == len(header) else cells
        named = any(map(called.is_number, own)) or any(
            called.is_identifier(cell) or called.stand_in(cell) for cell in cells
        )
        if named and begin > 0:
            gone.append(begin + 1)
            record = ["".join(_breaks(line) for line in record)] if len(header) > 1 else []
        kept += record
        begin = reader.line_num
    return "".join(kept), tuple(gone), True


def _breaks(line: str) -> str:
    return line[len(line.rstrip("\r\n")) :]


def _json(text: str, called: Called) -> _Made | None:
    """Cut a JSON document with one list; if the vehicle is named outside it, nothing is cut."""
    if not text.lstrip("\ufeff \t\r\n").startswith(("{", "[")):
        return None
    try:
        tree = json.loads(text.removeprefix("\ufeff"))
    except (ValueError, RecursionError):
        return None
    lists = [tree] if isinstance(tree, list) else [v for v in tree.values() if _is_list(v)]
    if len(lists) != 1 or not all(isinstance(thing, dict) for thing in lists[0]):
        raise _NoSafeCutError
    things = lists[0]
    gone = tuple(n for n, thing in enumerate(things, 1) if _names(thing, called))
    things[:] = [thing for n, thing in enumerate(things, 1) if n not in set(gone)]
    if _names(tree, called):
        raise _NoSafeCutError
    return json.dumps(tree, ensure_ascii=False), gone, False


def _is_list(value: object) -> bool:
    return isinstance(value, list) and bool(value) and isinstance(value[0], dict)


def _names(thing: Any, called: Called) -> bool:  # noqa: ANN401 - any JSON
    """Whether an item names the vehicle anywhere: as a key, a text, or a number."""
    if isinstance(thing, dict):
        return any(called.is_cell(key) or _names(value, called) for key, value in thing.items())
    if isinstance(thing, list):
        return any(_names(value, called) for value in thing)
    return thing is not None and called.are_in([str(thing)])


def _json_lines(text: str, called: Called) -> _Made | None:
    """Cut JSON Lines: each line names its own vehicle if all have the plain column."""
    lines = text.split("\n")
    things = [_thing(line) for line in lines]
    records = [thing for thing in things if thing is not None]
    if not records or len(records) * 2 < sum(bool(line.strip()) for line in lines):
        return None
    plain = all("vehicle_id" in thing for thing in records)
    # outside the vehicle's own cell its number may be a figure that means something else
    by_mark = Called(frozenset(filter(is_distinct, called.numbers)), called.identifiers)

    def is_named(line: str, thing: dict[str, Any] | None) -> bool:
        if thing is None:
            return called.stand_in(line) or any(number in line for number in called.numbers)
        if not plain:
            return _names(thing, called)
        others = [value for key, value in thing.items() if key != "vehicle_id"]
        own = str(thing["vehicle_id"])
        return called.are_in([own]) or any(_names(value, by_mark) for value in others)

    gone = {
        n for n, (line, t) in enumerate(zip(lines, things, strict=True), 1) if is_named(line, t)
    }
    kept = "\n".join("" if n in gone else line for n, line in enumerate(lines, 1))
    return kept, tuple(sorted(gone)), plain


def _thing(line: str) -> dict[str, Any] | None:
    try:
        thing = json.loads(line.removeprefix("\ufeff"))
    except (ValueError, RecursionError):
        return None
    return thing if isinstance(thing, dict) else None


def _lines(text: str, called: Called) -> _Made | None:
    """Cut other text line by line; the file's reader must then show that this was right."""
    lines = text.split("\n")
    gone = tuple(n for n, line in enumerate(lines, 1) if n > 1 and _line_names(line, called))
    if any(lines[n - 1].count('"') % 2 for n in gone):
        raise _NoSafeCutError  # part of a record of several lines
    without_them = set(gone)
    kept = "\n".join("" if n in without_them else line for n, line in enumerate(lines, 1))
    return kept, gone, False


def _line_names(line: str, called: Called) -> bool:
    return called.are_words_of(line) or any(
        called.is_cell(cell.strip('" ')) for cell in re.split(r"[,;\t|]", line)
    )


def _parquet_without(raw: bytes, called: Called) -> Cut | None:
    try:
        frame = parquet_of(io.BytesIO(raw), "")
    except CannotLookError:
        return None
    if "vehicle_id" not in frame.columns:
        return None
    others = frame.drop("vehicle_id").cast(pl.String, strict=False)
    own = frame["vehicle_id"].cast(pl.String, strict=False)
    named = own.is_in(list(called.numbers)).fill_null(value=False)
    for column in (own, *others.get_columns()):
        values = column.drop_nulls().unique()
        with_name = [v for v in values if called.is_identifier(v) or called.stand_in(v)]
        named = named | column.is_in(with_name).fill_null(value=False)
    gone = tuple(n for n, is_named in enumerate(named, 1) if is_named)
    if not gone:
        return Cut(raw, (), is_certain=True)
    out = io.BytesIO()
    frame.filter(~named).write_parquet(out)
    return Cut(out.getvalue(), gone, is_certain=True)


_FORMS: Final[tuple[Callable[[str, Called], _Made | None], ...]] = (
    _json,
    _json_lines,
    _plain_csv,
    _lines,
)
