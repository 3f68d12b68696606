"""Tables in a grid of cells: workbooks, HTML tables, fixed width, delimited text gone wrong."""

import json
import re
from collections.abc import Sequence

from afterclear.errors import worded
from afterclear.readers.maps.checked_map import MapTable
from afterclear.readers.maps.group_lines import GroupLines
from afterclear.readers.maps.source_table import (
    AFTER,
    Cells,
    SourceTable,
    find_header,
    frame_of,
    is_total,
    joined_headings,
    plain_heading,
    unique_headings,
)
from afterclear.readers.maps.struck_cells import StruckCells
from afterclear.records import Rejection

STRUCK_OUT = (
    'a row that is not struck out; or say in the map what such rows mean: struck = "leave" (out) '
    'or "read"'
)
Grid = Sequence[tuple[int, Cells]]  # (line, cells), in the file's order


def table_of_grid(
    grid: Grid, spec: MapTable, where: str, *, fill_short: bool, nameless: bool = False
) -> SourceTable:
    """Take one table out of a grid, with every row of it in one of its parts.

    ``fill_short``: rows with fewer cells than headings are filled with nothing, not refused.
    ``nameless``: blank cells after the last heading are columns as others are.

    Raises:
        RefusedFileError: its headings are not there.

    """
    at = find_header(grid, spec.header, spec.header_has, where)
    width = max((len(cells) for _, cells in grid), default=0)
    headings: Cells = [None] * width
    if at >= 0:
        headed = [cells for _, cells in grid[at : at + spec.header_rows]]
        headings = headed[0] if len(headed) == 1 else joined_headings(headed)
    names = list(spec.names) or unique_headings(headings)
    is_cut = at >= 0 and not (spec.names or nameless)
    while names and is_cut and _is_nameless(headings, len(names) - 1):
        names.pop()  # blank cells after the last heading
    groups = GroupLines(spec.group, names, where)
    for _, cells in grid[: max(at, 0)]:
        groups.take(cells)  # the first one may stand above the headings
    table = SourceTable(frame_of(names, []), above=_text_of(grid[: max(at, 0)]))
    at += spec.header_rows - 1 if at >= 0 else 0
    kept: list[tuple[int, Cells]] = []
    for n, (line, cells) in enumerate(grid[at + 1 :]):
        if spec.until and re.search(spec.until, _text_of([(line, cells)])):
            table.left_out[AFTER] += len(grid) - at - 1 - n
            break
        if groups.take(cells) or _goes_on(kept, cells, names, spec):
            continue
        n_kept = len(kept)
        _take_row(table, kept, (line, cells), names, spec, fill_short=fill_short)
        kept[n_kept:] = [(line, [*own, *groups.cells]) for line, own in kept[n_kept:]]
    table.frame = frame_of([*names, *groups.names], kept)
    return table


def _goes_on(
    kept: list[tuple[int, Cells]], cells: Cells, names: Sequence[str], spec: MapTable
) -> bool:
    """Add a line that fills such columns only to the row above; False: it is a row of its own."""
    told = {n: c.strip() for n, c in zip(names, cells, strict=False) if c and c.strip()}
    wanted = {plain_heading(name) for name in spec.goes_on}
    if not kept or not told or not {plain_heading(name) for name in told} <= wanted:
        return False
    line, row = kept[-1]
    own = dict(zip(names, row, strict=False))
    joined = {n: f"{own[n]} {more}" if own[n] else more for n, more in told.items()}
    kept[-1] = (line, [*({**own, **joined}[n] for n in names), *row[len(names) :]])
    return True


def _take_row(
    table: SourceTable,
    kept: list[tuple[int, Cells]],
    row: tuple[int, Cells],
    names: Sequence[str],
    spec: MapTable,
    *,
    fill_short: bool,
) -> None:
    line, cells = row
    is_struck = isinstance(cells, StruckCells) and spec.struck != "read"
    cells = _without_blanks_beyond(cells, len(names))
    if not any((c or "").strip() for c in cells):
        return
    if is_struck and spec.struck == "leave":
        table.left_out["struck-out rows"] += 1
    elif is_struck:
        table.rejections.append(_refused(spec.into, line, cells, STRUCK_OUT))
    elif is_total(spec.totals, cells):
        table.left_out["totals rows"] += 1
    elif len(cells) == len(names):
        kept.append((line, cells))
    elif len(cells) < len(names) and fill_short:
        kept.append((line, [*cells, *[None] * (len(names) - len(cells))]))
    else:
        table.rejections.append(wrong_width(spec.into, line, cells, len(names)))


def _without_blanks_beyond(cells: Cells, width: int) -> Cells:
    """Cut off the blank cells at the end that stand under no heading; there may be thousands."""
    end = len(cells)
    while end > width and ((last := cells[end - 1]) is None or not last.strip()):
        end -= 1
    return cells if end == len(cells) else cells[:end]


def wrong_width(into: str, line: int, cells: Cells, width: int) -> Rejection:
    """Refuse a row whose cells are not as many as there are headings."""
    counts = {"width": width, "n": len(cells)}
    if len(cells) > width:
        said = worded("{width} cells, as the headings are; this row has more ({n})", **counts)
    else:
        said = worded("{width} cells, as the headings are; this row has fewer ({n})", **counts)
    return _refused(into, line, cells, said)


def _refused(into: str, line: int, cells: Cells, expected: str) -> Rejection:
    text = json.dumps([c if c is None else c[:1000] for c in cells[:100]], ensure_ascii=False)
    return Rejection(into, line, None, text[:2000], expected, text)


def _is_nameless(cells: Cells, at: int) -> bool:
    return at >= len(cells) or not (cells[at] or "").strip()


def _text_of(grid: Grid) -> str:
    return "\n".join(" ".join(c.strip() for c in cells if c and c.strip()) for _, cells in grid)
