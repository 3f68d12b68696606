"""Free text by named patterns: report, section, row.

Each line is tried against the map's patterns in this order: ``begin`` (forgets what earlier
lines said), ``section`` (its named groups hold for the rows that follow), ``row`` (a row of what
holds now and its own groups), ``ignore``.  A line that no pattern knows is refused by name, so
nothing of a report is lost silently.
"""

import re
from collections.abc import Sequence

from afterclear.readers.import_map import MapTable
from afterclear.readers.source_table import AFTER, SourceTable, frame_of
from afterclear.records import Rejection

MAX_LINE = 100_000  # patterns may take long on a long line; a report's line is a few hundred
_UNKNOWN = "a line that one of the map's patterns (begin, section, row, ignore) knows"


def report_table(text: str, spec: MapTable) -> SourceTable:
    """Take the rows of one table out of a text report."""
    patterns = {
        kind: [re.compile(p) for p in (getattr(spec, kind) or ())]
        for kind in ("begin", "section", "row", "ignore")
    }
    names = list(
        dict.fromkeys(
            name
            for kind in ("begin", "section", "row")
            for p in patterns[kind]
            for name in p.groupindex
        )
    )
    held: dict[str, str | None] = {}
    rows: list[tuple[int, list[str | None]]] = []
    table = SourceTable(frame_of(names, []))
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        if spec.until and re.search(spec.until, line):
            table.left_out[AFTER] += len(lines) - number
            break
        kind, said = _meaning(line, patterns)
        if kind == "begin":
            held = dict(said)
        elif kind == "section":
            held |= said
        elif kind == "row":
            rows.append((number, [{**held, **said}.get(name) for name in names]))
        elif kind != "ignore":
            table.rejections.append(
                Rejection(spec.into, number, None, line[:200], _UNKNOWN, line[:2000])
            )
    table.frame = frame_of(names, rows)
    return table


def _meaning(
    line: str, patterns: dict[str, list[re.Pattern[str]]]
) -> tuple[str, dict[str, str | None]]:
    """Say what kind of line it is, and what its groups hold; '' if no pattern knows it."""
    if len(line) > MAX_LINE:
        return "", {}
    for kind, each in patterns.items():
        for pattern in each:
            if found := pattern.search(line):
                return kind, found.groupdict()
    return "", {}


def fixed_grid(
    text: str, positions: Sequence[tuple[int, int]]
) -> list[tuple[int, list[str | None]]]:
    """Cut each line into cells at fixed places (first and last character, from 1)."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    grid: list[tuple[int, list[str | None]]] = []
    for number, line in enumerate(lines, 1):
        if not line.strip():
            grid.append((number, []))
            continue
        cells: list[str | None] = [line[a - 1 : b].strip() or None for a, b in positions]
        # a line that ends before the last column begins may have been cut off
        beyond = line[max(b for _, b in positions) :].strip()
        if beyond:
            cells.append(beyond)  # one cell more than there are columns: the row is refused
        n_reached = sum(len(line.rstrip()) >= a for a, _ in positions)
        grid.append((number, cells if n_reached == len(positions) else cells[: max(n_reached, 1)]))
    return grid
