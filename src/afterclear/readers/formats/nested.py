"""Nested data (JSON, XML) as tables: one row for each thing at the end of a path.

A heading is the path from the root, as ``reports.units.codes.spn``; a map may name its end only
(``codes.spn``, ``spn``) where that is unambiguous.  A step ``*`` goes down to each thing of an
object whose keys are names: ``units.*.codes`` has the name of the unit under ``units.*``.  A row
takes over its ancestors' values. A thing without any of the next step's children still gives a row:
a unit that lists no codes.
"""

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from afterclear.errors import RefusedFileError, worded
from afterclear.readers.maps.checked_map import MapTable
from afterclear.readers.maps.source_table import MAX_COLUMNS, SourceTable, frame_of
from afterclear.records import Rejection

Node = dict[str, "Node"] | list["Node"] | str | None
LINE_KEY = "\x00line"  # put into a node by a parser that knows lines
NAMES = "*"  # a step of a path to the things of an object whose keys are their names
MAX_DEPTH = 64  # no known export nests deeper than ten

# How many cells a table may have, and how many for each value in the file (own judgement: rows
# repeat their ancestors' values, thirty times over if a report of one code has many).
FREE_CELLS = 4_000_000
MAX_GROWTH = 100


@dataclass(frozen=True, slots=True)
class Flat:
    """One row: its cells by heading, and its place."""

    cells: dict[str, str]
    line: int


def json_tree(text: str, where: str, decimal: str = ".") -> tuple[Node, list[Rejection]]:
    """Parse a JSON document, or JSON Lines; numbers stay as written, with the map's decimal mark.

    Raises:
        RefusedFileError: it is neither, or nests too deep.

    """
    try:
        return _loads(text, decimal), []
    except RecursionError as error:
        raise RefusedFileError(
            worded(
                "{where} nests deeper than {max_depth} levels.", where=where, max_depth=MAX_DEPTH
            )
        ) from error
    except ValueError as error:
        if "\n" not in text.strip():
            raise RefusedFileError(
                worded("{where} is no JSON: {error}.", where=where, error=error)
            ) from error
        return _json_lines(text, where, error, decimal)


def _loads(text: str, decimal: str) -> Node:
    def number(written: str) -> str:
        return written.replace(".", decimal)

    tree: Node = json.loads(text, parse_int=str, parse_float=number, parse_constant=str)
    return tree


def _json_lines(
    text: str, where: str, error: ValueError, decimal: str
) -> tuple[Node, list[Rejection]]:
    things: list[Node] = []
    broken = []
    for number, line in enumerate(text.split("\n"), 1):
        if not line.strip():
            continue
        try:
            thing = _loads(line, decimal)
        except (ValueError, RecursionError):
            expected = worded("a JSON object on each line")
            broken.append(Rejection("", number, None, line[:200], expected, line[:2000]))
            continue
        if isinstance(thing, dict):
            thing[LINE_KEY] = str(number)
        things.append(thing)
    if not things or len(broken) > len(things):
        raise RefusedFileError(
            worded("{where} is no JSON: {error}.", where=where, error=error)
        ) from error
    return things, broken


def nested_table(tree: Node, spec: MapTable, where: str) -> SourceTable:
    """Take one table out of nested data.

    Raises:
        RefusedFileError: there is nothing at its path, or it nests too deep.

    """
    steps = [step for step in spec.rows.split(".") if step]
    try:
        rows = _bounded(_rows(tree, steps, (), {}, 0), tree, where)
    except RecursionError as error:
        raise RefusedFileError(
            worded(
                "{where} nests deeper than {max_depth} levels.", where=where, max_depth=MAX_DEPTH
            )
        ) from error
    if not rows:
        raise RefusedFileError(
            worded(
                "{where} has nothing at the path {what!r}.",
                where=where,
                what=spec.rows or "(the root)",
            )
        )
    names: dict[str, None] = {}
    for row in rows:
        names.update(dict.fromkeys(row.cells))
    if len(names) > MAX_COLUMNS:
        raise RefusedFileError(
            worded(
                "{where} has {n_names:,} different names in its rows.",
                where=where,
                n_names=len(names),
            )
        )
    if len(names) * len(rows) > FREE_CELLS:
        _check_growth(len(names) * len(rows), tree, where)
    order = list(names)
    kept = [(row.line or n, [row.cells.get(name) for name in order]) for n, row in _counted(rows)]
    return SourceTable(frame_of(order, kept))


def _bounded(rows: Iterator[Flat], tree: Node, where: str) -> list[Flat]:
    """Take the rows, unless their ancestors' values make them too large."""
    kept, n_cells, looked_at = [], 0, FREE_CELLS
    for row in rows:
        kept.append(row)
        n_cells += len(row.cells)
        if n_cells > looked_at:
            _check_growth(n_cells, tree, where)
            looked_at *= 2
    return kept


def _check_growth(n_cells: int, tree: Node, where: str) -> None:
    n_said, left = 0, [tree]
    while left:
        node = left.pop()
        n_said += 1
        if isinstance(node, dict | list):
            left += node.values() if isinstance(node, dict) else node
    if n_cells > MAX_GROWTH * n_said:
        raise RefusedFileError(
            worded(
                "{where} says {n_said:,} things, which would make a table of over "
                "{n_cells:,} cells: its rows have hardly a name in common, or all repeat "
                "what stands above them.",
                where=where,
                n_said=n_said,
                n_cells=n_cells,
            )
        )


def _counted(rows: Sequence[Flat]) -> Iterator[tuple[int, Flat]]:
    return iter(enumerate(rows, 1))


def _rows(
    node: Node, steps: list[str], path: tuple[str, ...], above: dict[str, str], line: int
) -> Iterator[Flat]:
    """Go down the path; ``above``: the ancestors' values."""
    if steps[:1] == [NAMES] and node and not isinstance(node, dict):
        raise RefusedFileError(
            worded(
                "at {path}, where names should be keys, stands something else.", path=".".join(path)
            )
        )
    if isinstance(node, list):
        for each in node:
            yield from _rows(each, steps, path, above, line)
        return
    if not isinstance(node, dict):
        if not steps and node is not None:
            name = ".".join((*path, "value") if path[-1:] == (NAMES,) else path)
            yield Flat({**above, name or "value": node}, line)
        return
    line = int(str(node.get(LINE_KEY) or line))
    if not steps:
        yield Flat({**above, **_flat(node, path, 0)}, line)
        return
    step, rest = steps[0], steps[1:]
    if step == NAMES:
        yield from _named_rows(node, rest, (*path, step), above, line)
        return
    own = {key: value for key, value in node.items() if key != step}
    cells = {**above, **_flat(own, path, 0, is_row=False)}
    is_above = False
    for row in _rows(node.get(step), rest, (*path, step), cells, line):
        is_above = True
        yield row
    if not is_above and (path or step in node):
        yield Flat(cells, line)


def _named_rows(
    node: dict[str, Node], steps: list[str], path: tuple[str, ...], above: dict[str, str], line: int
) -> Iterator[Flat]:
    """Go down to each thing of an object whose keys are names: the key is a cell of its rows."""
    for key, value in node.items():
        if key == LINE_KEY:
            continue
        cells = {**above, ".".join(path): key}
        is_above = False
        for row in _rows(value, steps, path, cells, line):
            is_above = True
            yield row
        if not is_above:
            yield Flat(cells, line)


def _flat(
    node: dict[str, Node], path: tuple[str, ...], depth: int, *, is_row: bool = True
) -> dict[str, str]:
    """Write an object's values as cells; lists of texts are joined, of objects only in a row."""
    if depth > MAX_DEPTH:
        raise RefusedFileError(
            worded("it nests deeper than {max_depth} levels.", max_depth=MAX_DEPTH)
        )
    cells: dict[str, str] = {}
    for key, value in node.items():
        if key == LINE_KEY or value is None:
            continue
        name = ".".join((*path, key))
        if isinstance(value, dict):
            cells |= _flat(value, (*path, key), depth + 1, is_row=is_row)
        elif isinstance(value, list):
            texts = [v for v in value if not isinstance(v, dict | list) and v is not None]
            if texts and len(texts) == len(value):
                cells[name] = " ".join(map(_text, texts))
            elif is_row and value:
                cells[name] = json.dumps(_without_lines(value), ensure_ascii=False)[:100_000]
        else:
            cells[name] = _text(value)
    return cells


def _text(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value)


def _without_lines(node: Node) -> Node:
    if isinstance(node, dict):
        return {k: _without_lines(v) for k, v in node.items() if k != LINE_KEY}
    return [_without_lines(each) for each in node] if isinstance(node, list) else node
