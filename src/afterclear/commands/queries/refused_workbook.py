"""Refused rows as a workbook that a person mends and brings back.

Rows of one kind stand on one sheet, under the headings they came with; a last sheet says where each
is from (``readers/mapped/returned_rows.py`` reads it).  Every cell is text and stays text when it
is edited: nothing in it becomes a formula or a date.
"""

import io
import json
from collections import Counter
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, Final

import xlsxwriter

from afterclear.commands.app import App
from afterclear.commands.queries.workbook import LONGEST
from afterclear.errors import UsageError
from afterclear.plain import REPAIRS, TABLES
from afterclear.readers.mapped.returned_reader import NUMBER, ORIGIN, REASON, SHEET
from afterclear.readers.mapped.returned_tables import (
    FROM,
    fitting_table,
    of_whole_orders,
    shown_headings,
)
from afterclear.readers.maps.checked_map import ImportMap
from afterclear.readers.maps.import_map import load_maps
from afterclear.readers.reader import MAP_PREFIX, RETURNED
from afterclear.records import PLAIN
from afterclear.store.engine.database import open_store, rows
from afterclear.store.intake.returned import KEY
from afterclear.store.queries.results import naive

_MOST_ROWS: Final = 50_000  # more is a fault of the map, and would keep the desk busy too long
_WIDEST: Final = 40
_MARKS: Final = ("=", "+", "-", "@", "\t", "\r")  # what a program of sheets may take for a formula
_MARKS_OF: Final = frozenset({"vin", "plate"})  # of a vehicle
_NOT_HERE: Final = "rows that are not here"
_KEEP: Final = (
    "Mend the cells of the other sheets, then bring this file back as it is. Leave this sheet, the "
    "headings and the numbers in the first column: they say which row is which."
)
_EARLIER: Final = "were refused by an earlier version: have all refused files read again first"
_NOT_OURS: Final = (
    "came in a workbook of refused rows and are no refused rows of this store: take that load back"
)
_NO_CELLS: Final = "could not be parted into cells, or are no rows of a table"
_TOO_LONG: Final = f"have a cell of more than {LONGEST:,} characters"
_TOO_MANY: Final = f"are more than the {_MOST_ROWS:,} that one workbook takes"


@dataclass(frozen=True)
class RefusedBook:
    """What a workbook of refused rows holds."""

    n_rows: int
    left_out: Mapping[str, int]  # why rows are not in it -> how many
    content: bytes  # an xlsx


@dataclass
class _Sheet:
    """Rows that stand on one sheet."""

    table: str
    came_as: str
    zone: str
    headings: tuple[str, ...]  # as delivered
    wrong: Mapping[str, tuple[str, ...]]  # plain column -> headings its cells come from
    rows: list[tuple[str, dict[str, Any], list[str | None]]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Renamed:
    """What is written wrongly in rows that were refused for it, and what is meant."""

    column: str
    name: str
    meant: str


def refused_workbook(app: App, renamed: Renamed | None = None) -> RefusedBook:
    """Make a workbook of refused rows; those that cannot come back by themselves are counted.

    ``renamed``: only of the rows that were refused for this name, with what is meant in its place.

    It is made in memory: a desk that is killed leaves no such rows in a temporary file.

    Raises:
        UsageError: none can; the reasons are told.
        ConfigError: a map is wrong; every mistake of every map is listed.

    """
    about = () if renamed is None else (renamed.column, renamed.name)
    where = "WHERE r.column_name = ? AND r.value = ?" if about else ""
    with open_store(app.store, read_only=True) as con:
        found = rows(
            con,
            f"""SELECT {KEY} AS key, r.table_name, r.column_name, r.value, r.expected, r.row_json,
                    coalesce(r.came_as, CASE WHEN l.reader = 'plain_table' THEN '{PLAIN}' END)
                        AS came_as,
                    coalesce(r.zone, o.zone, 'UTC') AS zone, r.file_name, r.line,
                    l.reader
                FROM rejections r JOIN loads l USING (load_id)
                LEFT JOIN load_origins o USING (load_id) {where}
                ORDER BY r.load_id, r.line, r.column_name, r.value, r.row_json""",
            about,
        )
    if renamed is not None:
        found = [_mended(row, renamed) for row in found]
    maps = {
        f"{MAP_PREFIX}{each.name}": each
        for each in load_maps(app.config.imports)
        if isinstance(each, ImportMap)
    }
    sheets, left_out = _sorted_out(found, maps)
    n_rows = sum(len(sheet.rows) for sheet in sheets)
    if not n_rows:
        raise UsageError(_nothing(left_out))
    file = io.BytesIO()
    _write(file, sheets, left_out, naive(app.clock()))
    return RefusedBook(n_rows, left_out, file.getvalue())


def _mended(row: Mapping[str, Any], renamed: Renamed) -> dict[str, Any]:
    """Put what is meant into the cell of a refused row that has the name alone."""
    with suppress(ValueError):
        cells = json.loads(row["row_json"] or "")
        if isinstance(cells, dict) and cells.get(renamed.column) == renamed.name:
            cells[renamed.column] = renamed.meant
            return {**row, "row_json": json.dumps(cells, ensure_ascii=False)}
    return {**row, "row_json": None}  # it cannot be parted, and is counted as such


def _nothing(left_out: Mapping[str, int]) -> str:
    if not left_out:
        return "No row is refused."
    why = "; ".join(f"{n:,} rows {reason}" for reason, n in left_out.items())
    return f"No refused row can come back by itself: {why}. Mend them in the files they are from."


# --- which rows, on which sheet -----------------------------------------------------------------


def _sorted_out(
    found: list[dict[str, Any]], maps: Mapping[str, ImportMap]
) -> tuple[list[_Sheet], Counter[str]]:
    """Put rows of one kind on one sheet; count the others by the reason."""
    sheets: dict[tuple[object, ...], _Sheet | str] = {}
    left_out: Counter[str] = Counter()
    n_rows = 0
    for row in found:
        cells = _cells(row)
        why = _why_not(row, cells) or _told_with_others(row, maps)
        why = why or (_TOO_MANY if n_rows >= _MOST_ROWS else "")
        if why:
            left_out[why] += 1
            continue
        kind = (row["table_name"], row["came_as"], row["zone"], *cells)
        if kind not in sheets:
            sheets[kind] = _sheet(row, tuple(cells), maps)
        sheet = sheets[kind]
        if isinstance(sheet, str):
            left_out[sheet] += 1
            continue
        n_rows += 1
        sheet.rows.append((row["key"], row, list(cells.values())))
    return [sheet for sheet in sheets.values() if isinstance(sheet, _Sheet)], left_out


def _cells(row: Mapping[str, Any]) -> dict[str, str | None]:
    """Give the cells of a refused row as text; empty: it has none."""
    try:
        found = json.loads(row["row_json"] or "")
    except ValueError:
        return {}
    if not isinstance(found, dict):
        return {}
    cells = {str(name): _text(cell) for name, cell in found.items()}
    if (
        row["came_as"] == PLAIN
        and row["table_name"] != "vehicles"
        and row["column_name"] in _MARKS_OF
    ):
        # refused for a VIN or plate that its reader gave beside or instead of the number
        # (store/intake/identity.py): it must be compared again, or a contradiction is stored
        cells = {f"_{n}" if n in _MARKS_OF else n: cell for n, cell in cells.items()}
    return cells


def _text(cell: object) -> str | None:
    if cell is None or isinstance(cell, str):
        return cell or None
    return json.dumps(cell, ensure_ascii=False)


def _why_not(row: Mapping[str, Any], cells: Mapping[str, str | None]) -> str:
    if row["table_name"] not in TABLES or not cells:
        return _NO_CELLS
    if row["came_as"] is None:
        return _EARLIER
    if row["came_as"] == RETURNED:
        return _NOT_OURS
    if any(len(cell or "") > LONGEST for cell in cells.values()):
        return _TOO_LONG
    is_known = row["came_as"] == PLAIN or str(row["came_as"]).startswith(MAP_PREFIX)
    return "" if is_known else _NO_CELLS


def _told_with_others(row: Mapping[str, Any], maps: Mapping[str, ImportMap]) -> str:
    """Say why a line of an order that the store refused, not its map, cannot come back alone.

    An amount that is the whole order's stands in each of its rows until the store keeps it once.
    """
    reader = str(row["reader"])
    is_read = row["came_as"] == PLAIN and reader.startswith(MAP_PREFIX)
    if not is_read or row["table_name"] != REPAIRS.name:
        return ""
    if reader not in maps:
        return _no_map(reader)
    how = maps[reader]
    is_once = any(spec.into == REPAIRS.name and spec.once_per_order for spec in how.table)
    return f"cannot come alone: {of_whole_orders(how)}" if is_once else ""


def _no_map(reader: str) -> str:
    return f"were read by the map {reader.removeprefix(MAP_PREFIX)}, which is not there"


def _sheet(
    row: Mapping[str, Any], headings: tuple[str, ...], maps: Mapping[str, ImportMap]
) -> _Sheet | str:
    """Make the sheet for rows like this one, or say why they cannot come back by themselves."""
    table, came_as = row["table_name"], row["came_as"]
    sheet = _Sheet(table, came_as, row["zone"], headings, {})
    if came_as == PLAIN:
        return sheet
    if came_as not in maps:
        return _no_map(came_as)
    spec = fitting_table(maps[came_as], table, headings)
    if isinstance(spec, str):
        return f"cannot come alone: {spec}"
    sheet.wrong = {name: column.from_ for name, column in spec.columns.items()}
    return sheet


# --- the workbook -------------------------------------------------------------------------------


def _write(
    file: io.BytesIO,
    sheets: list[_Sheet],
    left_out: Mapping[str, int],
    now: object,
) -> None:
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(file, options) as book:
        book.set_properties({"created": now})
        origins: list[tuple[str, ...]] = []
        n_told = 0
        for nth, sheet in enumerate(sheets, 1):
            name = SHEET.format(nth)
            shown = shown_headings(sheet.headings)
            origins.append(("sheet", name, sheet.table, sheet.came_as, sheet.zone))
            origins += [("column", name, own, json.dumps(told)) for own, told in shown.items()]
            numbers = range(n_told + 1, n_told + 1 + len(sheet.rows))
            origins += [
                ("row", name, str(n), key) for n, (key, *_) in zip(numbers, sheet.rows, strict=True)
            ]
            _write_sheet(book, book.add_worksheet(name), sheet, (list(shown), numbers))
            n_told += len(sheet.rows)
        page = book.add_worksheet(ORIGIN)
        page.write_string(0, 0, _KEEP)
        for line, told in enumerate(origins, 1):
            for place, text in enumerate(told):
                page.write_string(line, place, text)
        if left_out:
            page = book.add_worksheet(_NOT_HERE)
            page.set_column(0, 0, 2 * _WIDEST)
            for line, (reason, n) in enumerate(left_out.items()):
                page.write_string(line, 0, f"{n:,} rows {reason}.")


def _write_sheet(
    book: Any,  # noqa: ANN401 - untyped library
    page: Any,  # noqa: ANN401
    sheet: _Sheet,
    told: tuple[list[str], range],
) -> None:
    shown, numbers = told
    head = book.add_format({"bold": True, "bottom": 1})
    formats = {
        (is_wrong, is_marked): book.add_format(
            {"num_format": "@"}
            | ({"bg_color": "#FFE08A"} if is_wrong else {})
            | ({"quote_prefix": True} if is_marked else {})
        )
        for is_wrong in (False, True)
        for is_marked in (False, True)
    }
    page.write_row(0, 0, [NUMBER, REASON, *shown, FROM], head)
    page.freeze_panes(1, 2)
    page.set_column(0, 0, 12)
    page.set_column(1, 1, _WIDEST)
    page.set_column(2, 1 + len(shown), 18, formats[False, False])
    last = 2 + len(shown)  # for a sheet that is saved as CSV, and so comes alone
    page.set_column(last, last, 18, None, {"hidden": True})
    origin = [sheet.table, sheet.came_as, sheet.zone, *sheet.headings]
    for line, (number, (key, row, cells)) in enumerate(zip(numbers, sheet.rows, strict=True), 1):
        page.write_number(line, 0, number)
        page.write_string(line, last, json.dumps([key, *origin]))
        page.write_string(line, 1, _reason(row)[:LONGEST])
        column = row["column_name"]
        wrong = {column, f"_{column}", *sheet.wrong.get(column, ())}
        for place, (heading, cell) in enumerate(zip(sheet.headings, cells, strict=True), 2):
            form = formats[heading in wrong, (cell or "").startswith(_MARKS)]
            if cell is None:
                page.write_blank(line, place, None, form)
            else:
                page.write_string(line, place, cell, form)


def _reason(row: Mapping[str, Any]) -> str:
    place = f"{row['file_name']}, line {row['line']}" if row["line"] else str(row["file_name"])
    value = "empty" if row["value"] is None else f"“{row['value']}”"
    column = f"{row['column_name']} is {value}" if row["column_name"] else "the row"
    return f"{place}: {column}; expected {row['expected']}"
