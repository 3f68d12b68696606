"""Delimited text, set-based where it is well formed, row by row where it is not.

The fast way takes a table only if every row provably has all its cells: none has more (the parser
refuses), none has fewer (separators are counted), no cell holds a line break (as many rows as
lines), and quotes are well placed. Any other table goes the slow way, which finds the wrong rows
and keeps the others.
"""

import csv
import re
from codecs import BOM_UTF8, getincrementaldecoder
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import islice

import polars as pl

from afterclear.errors import RefusedFileError, worded
from afterclear.readers.formats.grids import table_of_grid
from afterclear.readers.maps.checked_map import ImportMap, MapTable
from afterclear.readers.maps.source_table import (
    AFTER,
    LINE,
    Cells,
    SourceTable,
    find_header,
    joined_headings,
    plain_heading,
    unique_headings,
)
from afterclear.readers.text.text_of_bytes import MAX_LINE, Text, decoded
from afterclear.records import Rejection

csv.field_size_limit(1 << 30)  # a refused file may hold anything; MAX_LINE is our limit

HEAD_CHARACTERS = 1 << 20  # the headings must be within these first bytes
MAX_ROW_LINES = 1000  # a quoted cell with more line breaks has lost its closing quote
QUOTED = "quotes that are closed, and doubled inside a quoted cell"


_ONE_CELL = re.compile(r'\s*"([^"]*(?:""[^"]*)*)"\s*')


class Torn(list[str]):
    """Cells of a line whose quotes do not close, or close within a cell."""


class DelimitedFile:
    """A delivered file of delimited text; decoded as a whole only if needed."""

    def __init__(self, raw: bytes, how: ImportMap, where: str) -> None:
        self.raw, self.how, self.where = raw, how, where

    @cached_property
    def text(self) -> Text:
        """The whole file as text with plain line ends.

        Raises:
            RefusedFileError: it is not in the encoding that was stated, or is no text.

        """
        text = decoded(self.raw, self.how.encoding, self.where)
        plain = text.text.replace("\r\n", "\n").replace("\r", "\n")
        return replace(text, text=without_outer_quotes(plain, self.how.delimiter))

    @property
    def note(self) -> str:
        """Say how the bytes were read, if that is worth a note."""
        return self.text.note if "text" in self.__dict__ else ""

    @property
    def may_be_plain(self) -> bool:
        """Whether the bytes may go to the parser as they are: UTF-8, plain line ends."""
        raw = self.raw
        stated = self.how.encoding in {"detect", "utf-8"}
        is_plain = raw[:3] != BOM_UTF8 and b"\r" not in raw and b"\x00" not in raw
        first = raw[:MAX_LINE].partition(b"\n")[0].decode("utf-8", "replace")
        return stated and is_plain and _whole_line(first) is None

    def table(self, spec: MapTable) -> SourceTable:
        """Take one table out.

        Raises:
            RefusedFileError: its headings are not there, or the file is no text.

        """
        if self.may_be_plain and not spec.until and not _is_by_line(spec):
            try:
                # not final: the head may end within a letter
                head = getincrementaldecoder("utf-8")().decode(self.raw[:HEAD_CHARACTERS])
                begin = _begin(head, spec, self.how.delimiter, self.where)
            except (UnicodeDecodeError, RefusedFileError):
                begin = None
            table = begin and _fast(self.raw, begin, begin.first_line - 1, self.how)
            if begin and table:
                return _finished(table, begin, spec, 0)
        return self._table_of_text(spec)

    def _table_of_text(self, spec: MapTable) -> SourceTable:
        whole = self.text.text
        begin = _begin(whole[:HEAD_CHARACTERS], spec, self.how.delimiter, self.where)
        body, n_after = _cut(whole[_offset(whole, begin.first_line) :], spec.until)
        table = None if _is_by_line(spec) else _fast(body.encode(), begin, 0, self.how)
        if table is None:
            table = _slow(body, begin, spec, self.how, self.where)
        return _finished(table, begin, spec, n_after)


def _is_by_line(spec: MapTable) -> bool:
    """Whether what a line means depends on the lines above it."""
    return bool(spec.group or spec.goes_on)


@dataclass(frozen=True, slots=True)
class _Begin:
    """Where a table begins."""

    header: tuple[int, Cells] | None
    names: list[str]
    rows_above: list[tuple[int, Cells]]
    first_line: int  # of its first row, from 1

    @property
    def above(self) -> str:
        """The text above the headings."""
        return "\n".join(" ".join(c for c in cells if c) for _, cells in self.rows_above)


def _begin(head: str, spec: MapTable, delimiter: str, where: str) -> _Begin:
    """Find a table's headings in the beginning of a file."""
    rows: list[tuple[int, Cells]] = []
    wanted = {plain_heading(h) for h in spec.header_has}
    enough = None if wanted else spec.header + spec.header_rows
    for line, cells in _rows(head.split("\n"), delimiter):
        rows.append((line, cells))
        if len(rows) == enough:
            break
        if wanted and enough is None and wanted <= {plain_heading(c or "") for c in cells}:
            enough = len(rows) + spec.header_rows
    at = find_header(rows, spec.header, spec.header_has, where)
    last = at + spec.header_rows - 1 if at >= 0 else at  # row of the headings' last line
    headings: Cells = rows[max(at, 0)][1] if rows else ()
    if at >= 0 and spec.header_rows > 1:
        headings = joined_headings([cells for _, cells in rows[at : last + 1]])
    return _Begin(
        header=(rows[at][0], headings) if at >= 0 else None,
        names=list(spec.names) or unique_headings(headings),
        rows_above=rows[: max(at, 0)],
        first_line=rows[last + 1][0] if len(rows) > last + 1 else head.count("\n") + 2,
    )


def _finished(table: SourceTable, begin: _Begin, spec: MapTable, n_after: int) -> SourceTable:
    table.above = begin.above
    _leave_out_totals(table, spec.totals)
    if n_after:
        table.left_out[AFTER] += n_after
    return table


def _offset(text: str, line: int) -> int:
    """Give where a 1-based line begins."""
    at = 0
    for _ in range(line - 1):
        at = text.find("\n", at) + 1
        if at == 0:
            return len(text)
    return at


def _cut(body: str, until: str | None) -> tuple[str, int]:
    found = re.search(until, body, re.MULTILINE) if until else None
    if found is None:
        return body, 0
    at = body.rfind("\n", 0, found.start()) + 1
    return body[:at], len(body[at:].splitlines())


# --- the fast way ----------------------------------------------------------------------------


def _fast(raw: bytes, begin: _Begin, n_before: int, how: ImportMap) -> SourceTable | None:
    """Parse a well-formed table that begins after ``n_before`` lines; None: go the slow way."""
    names = begin.names
    n_lines = raw.count(b"\n") + (not raw.endswith(b"\n")) - n_before
    if not raw or raw.isspace() or n_lines <= 0:
        return SourceTable(pl.DataFrame(schema={**dict.fromkeys(names, pl.String), LINE: pl.Int64}))
    try:
        frame = pl.read_csv(
            raw,
            has_header=False,
            schema=dict.fromkeys(names, pl.String),
            separator=how.delimiter,
            skip_lines=n_before,
        )
    except pl.exceptions.PolarsError:
        return None
    longest = frame.select(pl.all().str.len_bytes().max().fill_null(0)).sum_horizontal()
    if len(frame) != n_lines or longest.item() > MAX_LINE:
        return None
    last = begin.first_line + len(frame)
    # numbered here: with its own numbering the parser uses one core only
    frame = frame.with_columns(pl.int_range(begin.first_line, last, dtype=pl.Int64).alias(LINE))
    if how.short_rows == "refuse" and _has_short_rows(raw, frame, names, n_before, how.delimiter):
        return None
    if frame[names[0]].null_count():
        frame = frame.filter(~pl.all_horizontal(pl.exclude(LINE).is_null()))
    return SourceTable(frame)


def _has_short_rows(
    raw: bytes, frame: pl.DataFrame, names: list[str], n_before: int, delimiter: str
) -> bool:
    """Whether a row has fewer cells than headings; the parser fills such rows silently."""
    is_open = pl.col(names[-1]).is_null() & ~pl.all_horizontal(pl.col(names).is_null())
    suspects = frame.select(is_open.arg_true()).to_series()
    if not len(suspects):
        return False
    mark = delimiter.encode()
    lines = raw.split(b"\n")[n_before:]
    quoted = re.compile(rb'"(?:[^"]|"")*"')
    return any(quoted.sub(b"", lines[at]).count(mark) != len(names) - 1 for at in suspects)


def _leave_out_totals(table: SourceTable, totals: str | None) -> None:
    names = [name for name in table.frame.columns if name != LINE]
    if totals is None or not names:
        return
    first = pl.coalesce(pl.col(name).str.strip_chars().replace("", None) for name in names)
    is_total = first.str.contains(f"^(?:{totals})").fill_null(value=False)
    n_before = len(table.frame)
    table.frame = table.frame.filter(~is_total)
    if n_before > len(table.frame):
        table.left_out["totals rows"] += n_before - len(table.frame)


# --- the slow way ----------------------------------------------------------------------------


def _slow(body: str, begin: _Begin, spec: MapTable, how: ImportMap, where: str) -> SourceTable:
    width = len(spec.names) or (len(begin.header[1]) if begin.header else 0)
    lines = body.split("\n")
    refused: list[Rejection] = []
    for n, line in enumerate(lines):
        if len(line) > MAX_LINE:
            expected = worded(
                "a line of at most {most:,} characters; this has {n:,}", most=MAX_LINE, n=len(line)
            )
            refused.append(Rejection(spec.into, begin.first_line + n, None, line[:200], expected))
            lines[n] = ""
    grid = [(n + begin.first_line - 1, cells) for n, cells in _rows(lines, how.delimiter, width)]
    refused += [
        Rejection(spec.into, n, None, lines[n - begin.first_line][:200], QUOTED)
        for n, cells in grid
        if isinstance(cells, Torn)
    ]
    grid = [row for row in grid if not isinstance(row[1], Torn)]
    if begin.header:
        grid[:0] = [*begin.rows_above, begin.header]
    headed = len(begin.rows_above) + 1 if begin.header else 0
    again = replace(spec, header=headed, header_has=(), until=None, header_rows=1)
    fill = how.short_rows == "fill"
    table = table_of_grid(grid, again, where, fill_short=fill, nameless=True)  # as the fast way
    table.rejections += refused
    return table


def _rows(lines: list[str], delimiter: str, width: int = 0) -> Iterator[tuple[int, Cells]]:
    """Split lines into (line from 1, cells); a quote that never closes spoils its line only.

    Such a line comes as ``Torn`` cells.  ``width``: cells a row should have; 0: not known, any
    number is accepted.
    """
    at = 0
    while at < len(lines):
        begin = at
        piece = (f"{line}\n" for line in islice(lines, begin, begin + MAX_ROW_LINES))
        reader = csv.reader(piece, delimiter=delimiter, strict=True)
        while at < len(lines):
            try:
                cells = next(reader, None)
            except csv.Error:
                cells = Torn()
            if cells is None:
                break
            after = begin + reader.line_num
            if at > begin and reader.line_num == MAX_ROW_LINES and after < len(lines):
                break  # it may continue beyond the lines given: start again with it
            is_torn = isinstance(cells, Torn) or (after - at > 1 and width and len(cells) != width)
            if not is_torn:
                yield at + 1, cells
                at = after
                continue
            yield at + 1, Torn(lines[at].split(delimiter))
            at += 1
            break


def without_outer_quotes(text: str, delimiter: str) -> str:
    r"""Take the quotes off lines that were saved as one cell each, where the headings were.

    >>> without_outer_quotes('"Vehicle,Day"\n"V-01,9 March"', ",")
    'Vehicle,Day\nV-01,9 March'
    """
    first = text.lstrip("\n")[:MAX_LINE].partition("\n")[0]
    headings = _whole_line(first)
    if headings is None or delimiter not in headings:
        return text
    return "\n".join(
        line if (inner := _whole_line(line)) is None else inner for line in text.split("\n")
    )


def _whole_line(line: str) -> str | None:
    """Give what is within the quotes of a line that is one quoted cell; None: it is none."""
    found = _ONE_CELL.fullmatch(line)
    return found[1].replace('""', '"') if found else None


def as_grid(text: str, delimiter: str, most: int) -> list[tuple[int, Cells]]:
    """Split the first rows of a text, for inspection."""
    plain = text.replace("\r\n", "\n").replace("\r", "\n")
    plain = without_outer_quotes(plain, delimiter)
    return list(islice(_rows(plain.split("\n"), delimiter), most))
