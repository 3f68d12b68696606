"""A map for a file nobody has mapped yet: guessed, each line with how sure it is.

First the kind of file, then its table and the row of its headings, then its columns.  The
result is for a person to mend: TOML with a remark on every line that was guessed; what could not
be guessed stands as a remark to be filled in.
"""

import json
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import PurePosixPath

import polars as pl

from afterclear.errors import RefusedFileError
from afterclear.plain import TABLES, Kind
from afterclear.readers.column_guesses import (
    Guess,
    Numbers,
    guess_columns,
    number_marks,
    time_formats,
    values_of,
)
from afterclear.readers.delimited import as_grid
from afterclear.readers.grids import Grid, table_of_grid
from afterclear.readers.heading_words import HeadingWords
from afterclear.readers.html_tables import html_tables
from afterclear.readers.import_map import KEY_MARKS, NUMBERS, TIMES, MapTable
from afterclear.readers.nested import Node, json_tree, nested_table
from afterclear.readers.source_table import LINE
from afterclear.readers.text_of_bytes import decoded
from afterclear.readers.workbook import is_workbook, read_sheets
from afterclear.readers.xml_tree import xml_tree
from afterclear.records import Delivery

LOOKED_AT = 500  # rows
HEADER_ROWS = 30  # the headings stand among the first so many rows
DELIMITERS = (";", "\t", ",", "|")
_DOUBTFUL = 0.5


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A map that may fit, as TOML, and how sure the table as a whole is (0 to 1)."""

    text: str
    kind: str
    into: str
    sure: float


@dataclass(slots=True)
class _Seen:
    """A file's table as it was found: the keys of the map that find it, and its first rows."""

    kind: str
    keys: dict[str, object]  # of the map
    table_keys: dict[str, object]
    frame: pl.DataFrame


def suggest_map(delivery: Delivery, words: HeadingWords) -> Suggestion:
    """Guess a map for a file.

    Raises:
        RefusedFileError: it has no table that could be found.

    """
    seen = _seen(delivery, words)
    numbers = number_marks(seen.frame, _number_headings(seen.frame, words))
    tables = {name: guess_columns(seen.frame, name, words, numbers) for name in TABLES}
    into = max(tables, key=lambda name: _fitness(name, tables[name]))
    guesses = tables[into]
    sure = _sureness(into, guesses)
    text = "\n".join(_written(delivery, seen, into, guesses, (numbers, words, sure))) + "\n"
    return Suggestion(text, seen.kind, into, sure)


def _fitness(name: str, guesses: Sequence[Guess]) -> float:
    """Weigh a plain table: what it cannot do without counts more, and what is missing counts."""
    required = {*TABLES[name].required, *_TELLING[name]} - {"scan_id"}
    found = {g.column: g.sure for g in guesses}
    if "vin" in found or "plate" in found:
        required -= {"vehicle_id"}
    missing = len(required - set(found))
    return sum(found.values()) + sum(found.get(n, 0.0) for n in required) - 1.5 * max(missing, 0)


# Beside the required columns: what makes a table that table.
_TELLING = {
    "vehicles": ("vin",),
    "scans": ("ecu", "code"),
    "clears": (),
    "repairs": ("part_number", "action"),
}


def _sureness(into: str, guesses: Sequence[Guess]) -> float:
    required = [n for n in TABLES[into].required if n != "scan_id"]
    found = {g.column: g.sure for g in guesses}
    marks = [found[m] for m in (*KEY_MARKS, "vehicle_id") if m in found]
    found["vehicle_id"] = max(marks, default=0.0)
    return min((found.get(n, 0.0) for n in required), default=0.0)


def _number_headings(frame: pl.DataFrame, words: HeadingWords) -> list[str]:
    kinds = {c.name: c.kind for t in TABLES.values() for c in t.columns}
    kinds["odometer_mi"] = Kind.DISTANCE
    return [
        h
        for h in frame.columns
        if h != LINE and any(kinds.get(n) in NUMBERS for n in words.of_heading(h))
    ]


# --- what kind of file, where its table is ----------------------------------------------------


def _seen(delivery: Delivery, words: HeadingWords) -> _Seen:
    raw = delivery.path.read_bytes()
    if is_workbook(raw[:8], delivery.path):
        return _in_workbook(raw, delivery, words)
    text = decoded(raw, "detect", delivery.name)
    begin = text.text.lstrip("\ufeff \t\r\n")[:2000].lower()
    keys: dict[str, object] = {}
    if begin.startswith(("{", "[")):
        tree, _ = json_tree(text.text, delivery.name)
        return _in_nested("json", tree, delivery)
    if "<table" in text.text.lower() and re.search(r"<(?:!doctype html|html|table|body)", begin):
        return _in_html(text.text, delivery, words)
    if begin.startswith("<"):
        return _in_nested("xml", xml_tree(raw, delivery.name), delivery)
    found = _in_delimited(text.text, keys, words) or _in_fixed(text.text, words)
    if found is None:
        raise RefusedFileError(
            f"{delivery.name} has no table that could be found. If it is a report, write a map of "
            "the kind 'text' with patterns, as help/imports.md of the program tells."
        )
    return found


def _in_workbook(raw: bytes, delivery: Delivery, words: HeadingWords) -> _Seen:
    sheets = [s for s in read_sheets(raw, delivery.name, first_rows=LOOKED_AT) if s.grid]
    best = max(sheets, key=lambda s: _best_header(s.grid, words)[1], default=None)
    if best is None:
        raise RefusedFileError(f"{delivery.name} has no cell with anything in it.")
    return _of_grid("workbook", best.grid, {}, {"sheet": best.name}, words)


def _in_html(text: str, delivery: Delivery, words: HeadingWords) -> _Seen:
    tables = html_tables(text, delivery.name)
    best = max(tables, key=lambda t: _best_header(t.rows, words)[1])
    if not best.rows:
        raise RefusedFileError(f"{delivery.name} has no table with anything in it.")
    return _of_grid("html", best.rows, {}, {}, words)


def _in_delimited(text: str, keys: dict[str, object], words: HeadingWords) -> _Seen | None:
    grids = {mark: as_grid(text, mark, LOOKED_AT) for mark in DELIMITERS}

    def regular(mark: str) -> tuple[int, int]:
        widths = Counter(len(cells) for _, cells in grids[mark] if len(cells) > 1)
        width, n = max(widths.items(), key=lambda item: (item[1], item[0]), default=(0, 0))
        return n, width

    mark = max(DELIMITERS, key=regular)
    n, width = regular(mark)
    n_lines = sum(bool(cells) for _, cells in grids[mark])
    if width < 2 or n < max(2, _DOUBTFUL * n_lines):  # noqa: PLR2004 - a heading and a row
        return None
    return _of_grid("delimited", grids[mark], {**keys, "delimiter": mark}, {}, words)


def _in_fixed(text: str, words: HeadingWords) -> _Seen | None:
    """Find columns by the places where nearly every line has a blank."""
    lines = [x.expandtabs() for x in text.splitlines()[:LOOKED_AT] if any(c.isalnum() for c in x)]
    width = max(map(len, lines), default=0)
    if len(lines) < 3:  # noqa: PLR2004 - blanks of two lines coincide by chance
        return None
    most = Counter(len(x) > 0.6 * width for x in lines)[True]
    body = [x.ljust(width) for x in lines if len(x) > 0.6 * width]
    filled = [any(x[at] != " " for x in body) for at in range(width)]
    edges = [at for at, (a, b) in enumerate(pairwise([False, *filled, False])) if a != b]
    positions = [(a + 1, b) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    if most < max(3, 0.6 * len(lines)) or len(positions) < 3:  # noqa: PLR2004 - own judgement
        return None
    grid = [
        (n, [x[a - 1 : b].strip() or None for a, b in positions]) for n, x in enumerate(body, 1)
    ]
    seen = _of_grid("fixed", grid, {}, {}, words)
    names = [n for n in seen.frame.columns if n != LINE]
    headed = (
        n
        for n, x in enumerate(text.splitlines(), 1)
        if all(name.split("#")[0] in " ".join(x.split()) for name in names)
    )
    header = next(headed, 0)
    seen.table_keys = {"header": header, "names": names, "positions": positions}
    return seen


def _of_grid(
    kind: str,
    grid: Grid,
    keys: dict[str, object],
    table_keys: dict[str, object],
    words: HeadingWords,
) -> _Seen:
    at, _ = _best_header(grid, words)
    spec = MapTable.model_construct(into="scans", header=at + 1, header_has=(), columns={})
    table = table_of_grid(grid, spec, "the file", fill_short=True)
    has = [c for c in grid[at][1] if c and c.strip()]
    unique = [c for c in has if has.count(c) == 1]
    if at == 0:
        return _Seen(kind, keys, table_keys, table.frame)
    return _Seen(kind, keys, {**table_keys, "header_has": unique[:3]}, table.frame)


def _best_header(grid: Grid, words: HeadingWords) -> tuple[int, float]:
    """Give the row that looks most like headings, and how much."""
    best, most = 0, -1.0
    for at, (_, cells) in enumerate(grid[:HEADER_ROWS]):
        named = [c for c in cells if c and c.strip()]
        if len(named) < 2:  # noqa: PLR2004 - one cell alone is a title
            continue
        known = sum(max(words.of_heading(c).values(), default=0.0) for c in named)
        score = known + 0.1 * len(named) / len(cells) - 0.01 * at
        if score > most:
            best, most = at, score
    return best, most


def _in_nested(kind: str, tree: Node, delivery: Delivery) -> _Seen:
    """Take the path to the deepest list that has the most rows."""
    paths: Counter[tuple[str, ...]] = Counter(_paths(tree, ()))
    if not paths:
        paths[()] = 1
    deepest: tuple[str, ...] = max(paths, key=lambda p: (len(p), paths[p]))
    path = ".".join(deepest)
    spec = MapTable.model_construct(into="scans", rows=path, columns={})
    return _Seen(
        kind, {}, {"rows": path} if path else {}, nested_table(tree, spec, delivery.name).frame
    )


def _paths(node: Node, path: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    if isinstance(node, list):
        for each in node[:LOOKED_AT]:
            if isinstance(each, dict):
                yield path
                yield from _paths(each, path)
    elif isinstance(node, dict):
        for key, value in node.items():
            yield from _paths(value, (*path, key))


# --- the map as text ---------------------------------------------------------------------------


def _written(
    delivery: Delivery,
    seen: _Seen,
    into: str,
    guesses: Sequence[Guess],
    known: tuple[Numbers, HeadingWords, float],
) -> Iterator[str]:
    numbers, words, sure = known
    base = PurePosixPath(delivery.name.replace("\\", "/"))
    yield f"# Suggested for {base.name}: a table of {into}, {sure:.0%} sure.  Look at every line."
    yield 'about = ""  # whose files these are'
    yield f"kind = {_toml(seen.kind)}"
    yield f"files = [{_toml(_name_pattern(base.name))}]  # digits of the name may vary"
    for key, value in seen.keys.items():
        yield f"{key} = {_toml(value)}"
    yield '# zone = "Europe/Berlin"  # of times without an offset; without it the source\'s'
    yield from _time_lines(seen.frame, guesses)
    if (numbers.decimal, numbers.thousands) != (".", ""):
        yield f"decimal = {_toml(numbers.decimal)}"
        yield f"thousands = {_toml(numbers.thousands)}"
    yield from ("", "[[table]]", f"into = {_toml(into)}")
    for key, value in seen.table_keys.items():
        yield f"{key} = {_toml(value)}"
    yield from ("", "[table.columns]")
    for guess in guesses:
        yield from _column_lines(guess, seen.frame, words)
    yield from _missing_lines(into, guesses)
    used = [[g.heading] if isinstance(g.heading, str) else g.heading for g in guesses]
    rest = set(seen.frame.columns) - {h for each in used for h in each} - {LINE}
    for heading in sorted(rest):
        values = dict.fromkeys(values_of(seen.frame, heading))
        told = " ".join(", ".join(values).split())[:60]
        yield f"# not used, kept aside: {' '.join(heading.split())} ({told})"


def _name_pattern(name: str) -> str:
    """Turn the digits of a file name into a wild card; brackets mean something in patterns."""
    return re.sub(r"[\[\]]", "?", re.sub(r"\d+(?:[-_.]\d+)*", "*", name))


def _time_lines(frame: pl.DataFrame, guesses: Sequence[Guess]) -> Iterator[str]:
    """Write the formats of the columns that hold times; of each column those that read most."""
    kinds = {c.name: c.kind for t in TABLES.values() for c in t.columns}
    first: dict[str, float] = {}
    other: dict[str, str] = {}  # a format that reads as much with day and month in turn
    for guess in guesses:
        if kinds.get(guess.column) not in TIMES:
            continue
        read = dict(time_formats(values_of(frame, guess.heading)))
        best = [shape for shape, share in read.items() if share == max(read.values())]
        if not best or "T" in best[0] or best[0].startswith("%Y-%m-%d"):
            continue  # ISO 8601 needs no format
        first.setdefault(best[0], read[best[0]])
        swapped = _day_month_swapped(best[0])
        if swapped != best[0] and swapped in best:
            other[best[0]] = swapped
    if not first:
        return
    remark = f"# {min(first.values()):.0%} of times fit"
    for shape, swapped in other.items():
        remark = f"# 50 % sure: times of {shape} also fit {swapped}: which is first, day or month?"
    yield f"date_format = {_toml(list(first))}  {remark}"


def _day_month_swapped(shape: str) -> str:
    return shape.replace("%m", "%x").replace("%d", "%m").replace("%x", "%d")


def _column_lines(guess: Guess, frame: pl.DataFrame, words: HeadingWords) -> Iterator[str]:
    spec: dict[str, object] = dict(guess.spec)
    choices = next(
        (c.choices for t in TABLES.values() for c in t.columns if c.name == guess.column), ()
    )
    unknown: list[str] = []
    if choices:
        met = list(dict.fromkeys(values_of(frame, guess.heading)))[:20]
        ours = {
            w: w.lower() if w.lower() in choices else words.of_word(guess.column, w) for w in met
        }
        unknown = [w for w, o in ours.items() if o is None]
        if any(w.lower() != o for w, o in ours.items()):
            spec["values"] = {w: o for w, o in ours.items() if o is not None}
    if guess.column == "code" and any(
        len(re.split(r"[,;|\s]+", v)) > 1
        and re.match(r"[PCBU]\d", v)
        and re.search(r"[,;| ]+[PCBU]\d", v)
        for v in values_of(frame, guess.heading)
    ):
        spec["each"] = r"[,;|\s]+"
    value = _toml(guess.heading)
    if spec:
        inner = ", ".join(f"{k} = {_toml(v)}" for k, v in spec.items())
        value = f"{{ from = {value}, {inner} }}"
    yield f"{guess.column} = {value}  # {guess.sure:.0%} sure: {guess.why}"
    if unknown:
        yield f"# ... refused until you say what they mean: {', '.join(map(_toml, unknown))}"


def _missing_lines(into: str, guesses: Sequence[Guess]) -> Iterator[str]:
    found = {g.column for g in guesses}
    if found & set(KEY_MARKS):
        found.add("vehicle_id")
    wanted = [n for n in TABLES[into].required if n not in found and n != "scan_id"]
    if into == "scans" and "ecu" not in found:
        wanted.append("ecu")
    for name in wanted:
        if name == "vehicle_id" and into != "vehicles":
            yield "# vehicle_id, vin or plate = ?  # 0 % sure: `load --vehicle ID` can tell too"
        elif name == "ecu":
            yield '# ecu = { value = "engine" }  # 0 % sure: no column was found'
        else:
            yield f"# {name} = ?  # 0 % sure: it is required, but no column was found"


def _toml(value: object) -> str:
    if isinstance(value, dict):
        inner = ", ".join(f"{_toml(k)} = {_toml(v)}" for k, v in value.items())
        return f"{{ {inner} }}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_toml, value))}]"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
