"""Delimited text, set-based where it is well formed, row by row where it is not.

The fast way takes a table only when every row provably has its cells: no row longer (the
parser refuses), none shorter (separators are counted), no line break within a cell (rows are as
many as lines), quotes in their places.  Anything else goes the slow way, which finds the rows
that are wrong and keeps the others.
"""

import csv
import re
from collections.abc import Iterator
from itertools import islice

import polars as pl

from afterclear.readers.grids import table_of_grid
from afterclear.readers.import_map import ImportMap, MapTable
from afterclear.readers.source_table import (
    AFTER,
    LINE,
    Cells,
    SourceTable,
    find_header,
    unique_headings,
)
from afterclear.readers.text_of_bytes import MAX_LINE, Text
from afterclear.records import Rejection

csv.field_size_limit(1 << 30)  # a refused file may hold anything; MAX_LINE is our limit

HEAD_CHARACTERS = 1 << 20  # the headings are looked for in so much
MAX_ROW_LINES = 1000  # a quoted cell with more line breaks has lost its closing quote
QUOTE = '"'


def delimited_table(text: Text, spec: MapTable, how: ImportMap, where: str) -> SourceTable:
    """Take one table out of delimited text.

    Raises:
        RefusedFileError: its headings are not there.

    """
    whole = text.text
    is_same = text.is_utf8
    if "\r" in whole:
        whole, is_same = whole.replace("\r\n", "\n").replace("\r", "\n"), False
    head = list(_rows(whole[:HEAD_CHARACTERS].split("\n"), how.delimiter))
    at = find_header(head, spec.header, spec.header_has, where)
    above = "\n".join(" ".join(c for c in cells if c) for _, cells in head[: max(at, 0)])
    names = list(spec.names) or unique_headings(head[max(at, 0)][1] if head else ())
    first_line = head[at + 1][0] if 0 <= at < len(head) - 1 else (1 if at < 0 else head[at][0] + 1)
    body = whole[_offset(whole, first_line) :]
    body, n_after = _cut(body, spec.until)
    del whole, is_same
    if spec.names or at >= 0:
        table = _fast(body, names, first_line, how)
        if table is not None:
            table.above = above
            _leave_out_totals(table, names, spec.totals)
            if n_after:
                table.left_out[AFTER] += n_after
            return table
    return _slow(head[at] if at >= 0 else None, body, first_line, spec, how, above, n_after, where)


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


def _fast(body: str, names: list[str], first_line: int, how: ImportMap) -> SourceTable | None:
    """Parse a well-formed table; None: look at it row by row."""
    raw = body.encode()
    if not raw.strip():
        return SourceTable(pl.DataFrame(schema={**dict.fromkeys(names, pl.String), LINE: pl.Int64}))
    try:
        frame = pl.read_csv(
            raw,
            has_header=False,
            schema=dict.fromkeys(names, pl.String),
            separator=how.delimiter,
            row_index_name=LINE,
            row_index_offset=first_line,
        )
    except pl.exceptions.PolarsError:
        return None
    n_lines = raw.count(b"\n") + (not raw.endswith(b"\n"))
    longest = frame.select(pl.exclude(LINE).str.len_bytes().max().fill_null(0)).sum_horizontal()
    if len(frame) != n_lines or longest.item() > MAX_LINE:
        return None
    frame = frame.with_columns(pl.col(LINE).cast(pl.Int64))
    if frame[names[0]].null_count():
        frame = frame.filter(~pl.all_horizontal(pl.exclude(LINE).is_null()))
    if how.short_rows == "refuse" and _has_short_rows(raw, frame, names, first_line, how.delimiter):
        return None
    return SourceTable(frame)


def _has_short_rows(
    raw: bytes, frame: pl.DataFrame, names: list[str], first_line: int, delimiter: str
) -> bool:
    """Tell whether a row has fewer cells than headings; the parser fills such rows silently."""
    suspects = frame.filter(pl.col(names[-1]).is_null())[LINE]
    if not len(suspects):
        return False
    mark = delimiter.encode()
    if QUOTE.encode() not in raw and len(mark) == 1:
        return raw.count(mark) != len(frame) * (len(names) - 1)
    lines = raw.split(b"\n")
    quoted = re.compile(rb'"(?:[^"]|"")*"')
    return any(
        quoted.sub(b"", lines[n - first_line]).count(mark) != len(names) - 1 for n in suspects
    )


def _leave_out_totals(table: SourceTable, names: list[str], totals: str | None) -> None:
    if totals is None:
        return
    first = pl.coalesce(pl.col(name).str.strip_chars().replace("", None) for name in names)
    is_total = first.str.contains(f"^(?:{totals})").fill_null(value=False)
    n_before = len(table.frame)
    table.frame = table.frame.filter(~is_total)
    if n_before > len(table.frame):
        table.left_out["totals rows"] += n_before - len(table.frame)


# --- the slow way ----------------------------------------------------------------------------


def _slow(  # noqa: PLR0913 - what the fast way had found out already
    header: tuple[int, Cells] | None,
    body: str,
    first_line: int,
    spec: MapTable,
    how: ImportMap,
    above: str,
    n_after: int,
    where: str,
) -> SourceTable:
    width = len(spec.names) or (len(header[1]) if header else 0)
    lines = body.split("\n")
    too_long: list[Rejection] = []
    for n, line in enumerate(lines):
        if len(line) > MAX_LINE:
            expected = f"a line of at most {MAX_LINE:,} characters; this has {len(line):,}"
            too_long.append(Rejection(spec.into, first_line + n, None, line[:200], expected))
            lines[n] = ""
    grid = [(n + first_line - 1, cells) for n, cells in _rows(lines, how.delimiter, width)]
    if header:
        grid.insert(0, header)
    as_grid = spec.model_copy(
        update={"header": 1 if header else 0, "header_has": (), "until": None}
    )
    table = table_of_grid(grid, as_grid, where, fill_short=how.short_rows == "fill")
    table.above = above
    table.rejections += too_long
    if n_after:
        table.left_out[AFTER] += n_after
    return table


def _rows(lines: list[str], delimiter: str, width: int = 0) -> Iterator[tuple[int, Cells]]:
    """Split lines into (line from 1, cells); a quote that never closes spoils its line only.

    ``width``: cells a row should have; 0: not known, then any row will do.
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
                cells = []
                is_whole = False
            else:
                is_whole = True
            if cells is None:
                break
            after = begin + reader.line_num
            if at > begin and reader.line_num == MAX_ROW_LINES and after < len(lines):
                break  # it may go on beyond the lines handed over: begin anew with it
            if is_whole and (after - at == 1 or not width or len(cells) == width):
                yield at + 1, cells
                at = after
                continue
            yield at + 1, _unquoted(lines[at], delimiter)
            at += 1
            break


def _unquoted(line: str, delimiter: str) -> Cells:
    return next(csv.reader([line], delimiter=delimiter, quoting=csv.QUOTE_NONE), [])


def as_grid(text: str, delimiter: str, most: int) -> list[tuple[int, Cells]]:
    """Split the first rows of a text, for looking at them."""
    plain = text.replace("\r\n", "\n").replace("\r", "\n")
    return list(islice(_rows(plain.split("\n"), delimiter), most))


