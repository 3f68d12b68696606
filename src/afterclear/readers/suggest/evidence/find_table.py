"""Where a file's table is: its kind, its headings, the facts above it."""

import re
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import replace

import polars as pl

from afterclear.catalogue.control_units import ControlUnits
from afterclear.errors import RefusedFileError, worded
from afterclear.readers.formats.delimited import as_grid
from afterclear.readers.formats.grids import Grid
from afterclear.readers.formats.html_tables import html_tables, is_facts
from afterclear.readers.formats.nested import NAMES, Node, json_tree, nested_table
from afterclear.readers.formats.pdf_tables import printed_tables
from afterclear.readers.formats.printed_lines import printed_text
from afterclear.readers.formats.text_report import report_table
from afterclear.readers.formats.xml_tree import xml_tree
from afterclear.readers.maps.checked_map import MapTable
from afterclear.readers.maps.heading_words import HeadingWords
from afterclear.readers.maps.source_table import LINE
from afterclear.readers.suggest.columns.numbers import OWN_DECIMAL
from afterclear.readers.suggest.columns.profiles import heading_meanings
from afterclear.readers.suggest.columns.questions import Asker, Choice, Question
from afterclear.readers.suggest.columns.readings import WHOSE
from afterclear.readers.suggest.evidence.fixed_seen import in_fixed
from afterclear.readers.suggest.evidence.names_as_keys import has_names_as_keys
from afterclear.readers.suggest.evidence.reports import patterns_of_report
from afterclear.readers.suggest.evidence.source_file import SourceFile
from afterclear.readers.suggest.evidence.table_seen import (
    LOOKED_AT,
    Fact,
    Seen,
    best_header,
    facts_of_lines,
    of_grid,
)
from afterclear.readers.text.codepages import codepage_of
from afterclear.readers.text.text_of_bytes import Text

DELIMITERS = (";", "\t", ",", "|")
_DOUBTFUL = 0.5
_MARK = re.compile(r"\w{1,3}")
_WHEN = {"scanned_at", "repaired_at", "cleared_at"}
_HEADED = 2.0  # headings that are known: two of them for certain


def _no_table(where: str) -> str:
    return worded(
        "{where} has no table that could be found. If it is a report, write a map of the kind "
        "'text' with patterns, as help/imports.md of the program tells.",
        where=where,
    )


def looked_at(source: SourceFile, words: HeadingWords, units: ControlUnits, asker: Asker) -> Seen:
    """Find the table of a file.

    Raises:
        RefusedFileError: it has none that could be found.

    """
    if source.is_workbook:
        return _in_workbook(source, words, asker)
    if source.is_pdf:
        return _in_pdf(source, words, units)
    text = _text_of(source, asker)
    begin = text.text.lstrip("\ufeff \t\r\n")[:2000].lower()
    if begin.startswith(("{", "[")):
        tree, _ = json_tree(text.text, source.name, OWN_DECIMAL)
        return in_nested("json", tree, source.name, units)
    found: Seen | None
    if "<table" in text.text.lower() and re.search(r"<(?:!doctype html|html|table|body)", begin):
        found = _in_html(text.text, source.name, words)
    elif begin.startswith("<"):
        return in_nested("xml", xml_tree(source.raw, source.name), source.name, units)
    else:
        found = (
            _in_delimited(text.text, words)
            or in_fixed(text.text, words)
            or _in_report(text.text, words, units)
        )
    if found is not None and text.codec:
        found.keys["encoding"] = text.codec.lower()
    if found is None:
        raise RefusedFileError(_no_table(source.name))
    return found


def _text_of(source: SourceFile, asker: Asker) -> Text:
    """Read a file's text; the user decides between two possible codepages."""
    try:
        return source.text
    except RefusedFileError:
        found = codepage_of(source.raw)
        if not found.rivals:
            raise
    names = (found.name, *found.rivals)
    texts = {name: source.raw.decode(name) for name in names}
    at = next(
        n for n, letters in enumerate(zip(*texts.values(), strict=False)) if len({*letters}) > 1
    )
    choices = tuple(
        Choice(name, " ".join(text[max(at - 15, 0) : at + 15].split()))
        for name, text in texts.items()
    )
    question = Question("encoding", worded("Which of these is spelled right?"), choices)
    chosen = asker.choose(question)
    return Text(texts[chosen], "", codec=chosen)


def _in_workbook(source: SourceFile, words: HeadingWords, asker: Asker) -> Seen:
    sheets = [s for s in source.sheets if s.grid]
    hidden = [s.name for s in sheets if s.is_hidden]
    sheets = [s for s in sheets if not s.is_hidden] or sheets
    best = max(sheets, key=lambda s: best_header(s.grid, words)[1], default=None)
    if best is None:
        raise RefusedFileError(worded("{name} has no cell with anything in it.", name=source.name))
    seen = of_grid("workbook", best.grid, {}, {"sheet": best.name}, words)
    own = [n for n in seen.frame.columns if n != LINE]
    made = {s.name: of_grid("workbook", s.grid, {}, {}, words) for s in sheets}
    alike = {
        name: other
        for name, other in made.items()
        if [n for n in other.frame.columns if n != LINE] == own
    }
    seen.sheets = tuple(alike)
    seen.title = f"{seen.title}\n{best.name}"
    if len(alike) > 1:
        seen.table_keys["sheet"] = "*"
        seen.frame = pl.concat([other.frame for other in alike.values()])
        seen.struck = tuple(row for other in alike.values() for row in other.struck)
    left = [s.name for s in sheets if s.name not in alike]
    seen.legend = tuple(line for s in sheets if s.name in left for line in _legend_of(s.grid))
    _ask_of_sheets({name: made[name] for name in left}, source.name, words, asker)
    seen.notes += [f"hidden sheets are not taken: {', '.join(hidden)}"] if hidden else []
    seen.notes += [f"other sheets are not taken: {', '.join(left)}"] if left else []
    return seen


def _legend_of(grid: Grid) -> list[str]:
    """Give the lines of a sheet of two columns that says what marks mean; of others none."""
    rows = [[c.strip() for c in cells if c and c.strip()] for _, cells in grid]
    pairs = [cells for cells in rows if cells]
    is_legend = len(pairs) > 1 and all(len(p) == 2 and _MARK.fullmatch(p[0]) for p in pairs)
    return [f"{mark} = {meaning}" for mark, meaning in pairs] if is_legend else []


def _ask_of_sheets(left: Mapping[str, Seen], where: str, words: HeadingWords, asker: Asker) -> None:
    """Ask about a sheet with other headings that tells of vehicles at a time, too.

    Raises:
        RefusedFileError: it is meant as well, as answered.

    """
    for name, seen in left.items():
        meant: set[str] = set()
        for heading in seen.frame.columns:
            found = heading_meanings(heading, words)
            meant |= {role for role, sure in found.items() if sure >= _DOUBTFUL}
        if seen.frame.is_empty() or not (meant.intersection(WHOSE) and meant & _WHEN):
            continue
        rows = tuple(
            ", ".join(f"{n}: {c}" for n, c in row.items() if c and n != LINE)[:160]
            for row in seen.frame.head(3).iter_rows(named=True)
        )
        question = Question(
            "sheets",
            worded(
                "The sheet {name!r} has other headings than those that are taken. Is it "
                "meant, too?",
                name=name,
            ),
            (
                Choice("leave", worded("no: it is left out")),
                Choice("stop", worded("yes: nothing is loaded until a map names a table for each")),
            ),
            rows,
            unasked="stop",
        )
        if asker.choose(question) == "stop":
            raise RefusedFileError(
                worded(
                    "{name}: the sheet {name_2!r} has other headings. Write a map with a "
                    "table for each, as help/imports.md of the program tells.",
                    name=where,
                    name_2=name,
                )
            )


def _in_html(text: str, where: str, words: HeadingWords) -> Seen:
    tables = html_tables(text, where)
    wide = [t for t in tables if not is_facts(t)] or tables
    best = max(wide, key=lambda t: best_header(t.rows, words)[1])
    if not best.rows:
        raise RefusedFileError(worded("{name} has no table with anything in it.", name=where))
    seen = of_grid("html", best.rows, {}, {}, words)
    alike = [s for t in tables if t.rows and (s := of_grid("html", t.rows, {}, {}, words))
             and s.frame.columns == seen.frame.columns]  # fmt: skip
    seen.frame = pl.concat([s.frame for s in alike])
    seen.struck = tuple(row for s in alike for row in s.struck)
    before = tables[: tables.index(best) + 1]
    facts = [
        Fact(cells[0].strip(" :"), cells[1].strip())
        for table in before
        if is_facts(table)
        for _, cells in table.rows
        if len(cells) > 1 and cells[1].strip()
    ]
    above = "\n".join(t.above for t in before)
    seen.facts = (*facts, *facts_of_lines(above.splitlines()), *seen.facts)
    seen.title = f"{above}\n{seen.title}"
    return seen


def _in_report(text: str, words: HeadingWords, units: ControlUnits) -> Seen | None:
    """Take a report in lines; None: it is none that could be understood."""
    lines = text.splitlines()[:LOOKED_AT]
    patterns = patterns_of_report(lines, words, units)
    if patterns is None:
        return None
    kinds = {kind: tuple(each) for kind, each in patterns.items()}
    spec = replace(MapTable(into="scans", columns={}), **kinds)  # type: ignore[arg-type]
    table = report_table("\n".join(lines), spec)
    if table.frame.is_empty():
        return None
    return Seen("text", {}, {**patterns}, table.frame, title=lines[0] if lines else "")


def _in_pdf(source: SourceFile, words: HeadingWords, units: ControlUnits) -> Seen:
    """Take the table that looks most like one; it may go on with its headings again."""
    try:
        tables = printed_tables(source.pages, source.name)
    except RefusedFileError:
        tables = []
    wide = [t for t in tables if not t.is_facts] or tables
    best = max(wide, key=lambda t: best_header(t.rows, words)[1], default=None)
    if best is None or best_header(best.rows, words)[1] < _HEADED:
        if report := _in_report(printed_text(source.pages), words, units):
            return report
        if best is None:
            raise RefusedFileError(_no_table(source.name))
    seen = of_grid("pdf", best.rows, {}, {}, words)
    headings = [n for n in seen.frame.columns if n != LINE]
    seen.table_keys.setdefault("header_has", [n for n in headings if "#" not in n][:3])
    seen.table_keys.pop("header", None)
    alike = [s for t in tables if (s := of_grid("pdf", t.rows, {}, {}, words))
             and s.frame.columns == seen.frame.columns]  # fmt: skip
    seen.frame = pl.concat([s.frame for s in alike])
    seen.facts = (*facts_of_lines(best.above.splitlines()), *seen.facts)
    seen.title = f"{best.above}\n{seen.title}"
    return seen


def _in_delimited(text: str, words: HeadingWords) -> Seen | None:
    grids = {mark: as_grid(text, mark, LOOKED_AT) for mark in DELIMITERS}

    def regular(mark: str) -> tuple[int, int]:
        widths = Counter(len(cells) for _, cells in grids[mark] if len(cells) > 1)
        width, n = max(widths.items(), key=lambda item: (item[1], item[0]), default=(0, 0))
        return n, width

    mark = max(DELIMITERS, key=regular)
    n, width = regular(mark)
    n_lines = sum(bool(cells) for _, cells in grids[mark])
    n_parted = sum(len(cells) > 1 for _, cells in grids[mark])
    if width < 2 or n < max(2, _DOUBTFUL * n_parted):
        return None
    if n < _DOUBTFUL * n_lines and best_header(grids[mark], words)[1] < _HEADED:
        return None  # text with a few commas
    return of_grid("delimited", grids[mark], {"delimiter": mark}, {}, words)


def in_nested(kind: str, tree: Node, where: str, units: ControlUnits) -> Seen:
    """Take the path to the deepest list that has the most rows."""
    paths: Counter[tuple[str, ...]] = Counter(_paths(tree, (), units))
    if not paths:
        paths[()] = 1
    deepest: tuple[str, ...] = max(paths, key=lambda p: (len(p), paths[p]))
    path = ".".join(deepest)
    spec = MapTable(into="scans", rows=path, columns={})
    frame = nested_table(tree, spec, where).frame
    return Seen(kind, {}, {"rows": path} if path else {}, frame, tree=tree)


def _paths(node: Node, path: tuple[str, ...], units: ControlUnits) -> Iterator[tuple[str, ...]]:
    if isinstance(node, list):
        for each in node[:LOOKED_AT]:
            if isinstance(each, dict):
                yield path
                yield from _paths(each, path, units)
    elif isinstance(node, dict):
        for key, value in node.items():
            if isinstance(value, dict) and has_names_as_keys(value, units):
                named = (*path, key, NAMES)
                for each in value.values():
                    yield named
                    yield from _paths(each, named, units)
            else:
                yield from _paths(value, (*path, key), units)
