"""Free text by named patterns: report, section, row.

Each line is tried against the map's patterns in this order: ``page`` (heads a page), ``begin``
(discards all earlier groups), ``section`` (its named groups apply to the rows that follow), ``row``
(a row of the groups in force and its own), ``ignore``. A line that matches no pattern is refused by
name, so no line of a report is lost silently.

Two rules keep one unit's facts from passing to the next. A ``section`` pattern that matches again
discards the groups of all sections since its last match: a counter under one unit is not the next
unit's. A ``row`` must account for the whole line: "Brakes: no fault" is no row for a pattern of "no
fault" only, because it would count for the unit before.

What is told again at the head of a further page, before its first row, discards nothing: the report
goes on.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from afterclear.readers.maps.checked_map import MapTable
from afterclear.readers.maps.source_table import AFTER, SourceTable, frame_of
from afterclear.records import Rejection

MAX_LINE = 100_000  # patterns may take long on a long line; a report's line is a few hundred
_KINDS = ("page", "begin", "section", "row", "ignore")
_UNKNOWN = "a line that one of the map's patterns (page, begin, section, row, ignore) knows"


def report_table(text: str, spec: MapTable) -> SourceTable:
    """Take the rows of one table out of a text report."""
    patterns = {kind: [re.compile(p) for p in (getattr(spec, kind) or ())] for kind in _KINDS}
    names = list(
        dict.fromkeys(
            name
            for kind in ("begin", "section", "row")
            for p in patterns[kind]
            for name in p.groupindex
        )
    )
    held = _Held()
    is_further = False  # at the head of a page that is not the first
    rows: list[tuple[int, list[str | None]]] = []
    table = SourceTable(frame_of(names, []))
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        if spec.until and re.search(spec.until, line):
            table.left_out[AFTER] += len(lines) - number
            break
        kind, pattern, said = _meaning(line, patterns)
        if kind == "page":
            is_further = _is_further(said)
        elif is_further and (pattern, said) in held.sections:
            continue
        elif kind == "begin":
            held = _Held([(pattern, said)])
        elif kind == "section":
            held.take(pattern, said)
        elif kind == "row":
            is_further = False
            rows.append((number, [{**held.said, **said}.get(name) for name in names]))
        elif kind != "ignore":
            table.rejections.append(
                Rejection(spec.into, number, None, line[:200], _UNKNOWN, line[:2000])
            )
    table.frame = frame_of(names, rows)
    return table


def _is_further(said: dict[str, str | None]) -> bool:
    number = said.get("page") or ""
    return number.isdecimal() and int(number) > 1


@dataclass(slots=True)
class _Held:
    """Sections in force: (pattern, its groups), in the order of their lines."""

    sections: list[tuple[str, dict[str, str | None]]] = field(default_factory=list)

    def take(self, pattern: str, said: dict[str, str | None]) -> None:
        """Take a section; a repeated one discards its earlier groups and all that followed."""
        met = [known for known, _ in self.sections]
        if pattern in met:
            del self.sections[met.index(pattern) :]
        self.sections.append((pattern, said))

    @property
    def said(self) -> dict[str, str | None]:
        """All groups in force, later ones replacing earlier ones."""
        return {name: text for _, said in self.sections for name, text in said.items()}


def _meaning(
    line: str, patterns: dict[str, list[re.Pattern[str]]]
) -> tuple[str, str, dict[str, str | None]]:
    """Give the kind of line, its pattern, and its groups; '' if none."""
    if len(line) > MAX_LINE:
        return "", "", {}
    for kind, each in patterns.items():
        for pattern in each:
            found = pattern.search(line)
            if found and (kind != "row" or _is_whole(line, found)):
                return kind, pattern.pattern, found.groupdict()
    return "", "", {}


def _is_whole(line: str, found: re.Match[str]) -> bool:
    """Whether only blanks and punctuation are left beside a pattern's match."""
    beside = line[: found.start()] + line[found.end() :]
    return not any(letter.isalnum() for letter in beside)


def fixed_grid(
    text: str, positions: Sequence[tuple[int, int]]
) -> list[tuple[int, list[str | None]]]:
    """Cut each line into cells at fixed places (first and last character, from 1)."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    gaps = _gaps(positions)
    grid: list[tuple[int, list[str | None]]] = []
    for number, line in enumerate(lines, 1):
        if not line.strip():
            grid.append((number, []))
            continue
        cells: list[str | None] = [line[a - 1 : b].strip() or None for a, b in positions]
        if beside := "".join(line[gap] for gap in gaps).strip():
            grid.append((number, [*cells, beside]))  # one cell too many: the row is refused
            continue
        # a line that ends before the last column begins may be cut off
        n_reached = sum(len(line.rstrip()) >= a for a, _ in positions)
        grid.append((number, cells if n_reached == len(positions) else cells[: max(n_reached, 1)]))
    return grid


def _gaps(positions: Sequence[tuple[int, int]]) -> list[slice]:
    """Give the places that belong to no column: what stands there would be lost."""
    gaps, end = [], 0
    for a, b in sorted(positions):
        if a - 1 > end:
            gaps.append(slice(end, a - 1))
        end = max(end, b)
    return [*gaps, slice(end, None)]
