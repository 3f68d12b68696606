"""Refused rows that come back mended, in the workbook the program wrote them to.

A sheet of the workbook says where each row is from: its table, the map that read its file, and the
key of its refusal (``store/intake/returned.py``); a last column says the same of each row, for a
sheet that is saved as CSV and so comes alone.  Rows that a map refused have the source's own
headings and go through the map again; all others are in the plain layout already.
"""

import csv
import io
import json
from collections.abc import Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import Final

import polars as pl

from afterclear.errors import RefusedFileError, worded
from afterclear.plain import TABLES, check_zone
from afterclear.readers.formats.workbook import Sheet, is_packed, read_sheets
from afterclear.readers.mapped.map_rows import shaped_rows
from afterclear.readers.mapped.map_shape import TOLD
from afterclear.readers.mapped.returned_reader import AS_TEXT, NUMBER, ORIGIN
from afterclear.readers.mapped.returned_tables import FROM, fitting_table, shown_headings
from afterclear.readers.maps.checked_map import ImportMap
from afterclear.readers.maps.source_table import LINE, SourceTable
from afterclear.readers.maps.struck_cells import StruckCells
from afterclear.readers.reader import MAP_PREFIX
from afterclear.readers.text.text_of_bytes import decoded
from afterclear.records import PLAIN, Delivery, PlainRows, ReadFile, Rejection

_HEADINGS_WITHIN: Final = 20  # rows
_LONGEST_NUMBER: Final = 10  # digits, and one
_AGAIN: Final = "Take the workbook of refused rows anew, mend that, and bring it."


@dataclass(slots=True)
class _Own:
    """What the sheet of origins says of one sheet."""

    name: str
    table: str
    came_as: str
    zone: str
    headings: dict[str, str] = field(default_factory=dict)  # as shown -> as delivered
    keys: dict[int, str] = field(default_factory=dict)  # number of a row -> key of its refusal


def read_returned(maps: Mapping[str, ImportMap], delivery: Delivery) -> ReadFile:
    """Bring the rows that came back into the plain layout; ``maps``: by their readers' names.

    Raises:
        RefusedFileError: the sheet of origins or a column is gone, or a map.

    """
    raw, where = delivery.path.read_bytes(), delivery.name
    if not is_packed(delivery.path):
        return _of_text(raw, maps, delivery)
    # each sheet's numbers are written with the mark of its own map
    by_mark = {".": {sheet.name: sheet for sheet in read_sheets(raw, where)}}
    made = _Made()
    for own in _origins(by_mark["."].get(ORIGIN), where):
        how = _map_of(own, maps, where)
        if own.name not in by_mark["."]:
            made.n_missing += len(own.keys)
            continue
        mark = how.decimal if how is not None else "."
        if mark not in by_mark:
            by_mark[mark] = {s.name: s for s in read_sheets(raw, where, decimal=mark)}
        _take(own, by_mark[mark][own.name], how, delivery, made)
    return made.whole()


def _of_text(raw: bytes, maps: Mapping[str, ImportMap], delivery: Delivery) -> ReadFile:
    """Bring the rows of one sheet that was saved as CSV into the plain layout."""
    where = delivery.name
    try:
        read = decoded(raw, "detect", where)
    except RefusedFileError as error:
        raise RefusedFileError(
            worded("{error} A sheet of refused rows: save it in UTF-8.", error=error)
        ) from error
    found = AS_TEXT.match(read.text)
    if found is None:  # it was recognised by this, and may have changed since
        raise RefusedFileError(
            worded("{where} holds no rows that were refused. {again}", where=where, again=_AGAIN)
        )
    lines = csv.reader(io.StringIO(read.text, newline=""), delimiter=found[1])
    sheet = Sheet("CSV", [(n, [cell or None for cell in row]) for n, row in enumerate(lines, 1)])
    own, made = _own_of_text(sheet, where), _Made(notes=[read.note] if read.note else [])
    _take(own, sheet, _map_of(own, maps, where), delivery, made)
    return made.whole()


def _take(
    own: _Own, sheet: Sheet, how: ImportMap | None, delivery: Delivery, made: "_Made"
) -> None:
    """Take the rows of a sheet, through the map that read their file if one did."""
    frame = _frame(own, sheet, made, delivery.name)
    if how is None:
        made.parts.append(PlainRows(own.table, frame.rename({LINE: "_line"}), own.zone))
    else:
        _through_map(frame, own, how, delivery, made)


def _own_of_text(sheet: Sheet, where: str) -> _Own:
    """Read where the rows of a sheet are from that came alone, from its last column.

    Raises:
        RefusedFileError: that column is gone or was changed.

    """
    (_, head), *body = sheet.grid
    if FROM not in head:
        raise RefusedFileError(
            worded(
                "{where} has no column {column!r} any more. {again}",
                where=where,
                column=FROM,
                again=_AGAIN,
            )
        )
    at, own = head.index(FROM), None
    for _, cells in body:
        n, told = _number(cells[0] if cells else None), cells[at] if at < len(cells) else None
        with suppress(ValueError, KeyError, TypeError):
            key, table, came_as, zone, *headings = json.loads(told or "")
            check_zone(zone)
            if own is None:
                shown = shown_headings(headings)
                own = _Own(sheet.name, TABLES[table].name, came_as, zone, shown)
            if n and (table, came_as, zone) == (own.table, own.came_as, own.zone):
                own.keys.setdefault(n, str(key))
    if own is None:
        raise RefusedFileError(
            worded(
                "{where}: its column {column!r} was changed. {again}",
                where=where,
                column=FROM,
                again=_AGAIN,
            )
        )
    try:
        _check([own])
    except ValueError as error:
        raise RefusedFileError(
            worded(
                "{where}: its column {column!r} was changed. {again}",
                where=where,
                column=FROM,
                again=_AGAIN,
            )
        ) from error
    return own


def _map_of(own: _Own, maps: Mapping[str, ImportMap], where: str) -> ImportMap | None:
    if own.came_as == PLAIN:
        return None
    if own.came_as not in maps:
        name = own.came_as.removeprefix(MAP_PREFIX)
        raise RefusedFileError(
            worded(
                "{where}: the rows of its sheet {name!r} were read by the map {name_2!r}, which is "
                "not there or has mistakes. Mend the map, then bring the workbook again.",
                where=where,
                name=own.name,
                name_2=name,
            )
        )
    return maps[own.came_as]


@dataclass(slots=True)
class _Made:
    """What was made of the sheets so far."""

    parts: list[PlainRows] = field(default_factory=list)
    rejections: list[Rejection] = field(default_factory=list)
    returned: dict[int, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    n_missing: int = 0

    def whole(self) -> ReadFile:
        """Give all of it."""
        if self.n_missing:
            self.notes.append(
                worded("rows that did not come back and stay refused: {n:,}", n=self.n_missing)
            )
        parts = tuple(part for part in self.parts if len(part.frame))
        note = "; ".join(dict.fromkeys(self.notes))
        return ReadFile(parts, tuple(self.rejections), note, self.returned)


# --- the sheets -------------------------------------------------------------------------------


def _origins(sheet: Sheet | None, where: str) -> list[_Own]:
    """Read where the rows of each sheet are from.

    Raises:
        RefusedFileError: the sheet that says it is gone or was changed.

    """
    if sheet is None:
        raise RefusedFileError(
            worded(
                "{where} holds refused rows, but its sheet {origin!r} is gone: nothing says where "
                "they are from. {again}",
                where=where,
                origin=ORIGIN,
                again=_AGAIN,
            )
        )
    own: dict[str, _Own] = {}
    try:
        for _, cells in sheet.grid:
            kind, *told = [cell or "" for cell in cells[:5]]
            if kind == "sheet":
                name, table, came_as, zone = told
                check_zone(zone)
                own[name] = _Own(name, TABLES[table].name, came_as, zone)
            elif kind == "column":
                own[told[0]].headings[told[1]] = str(json.loads(told[2]))
            elif kind == "row":
                own[told[0]].keys[_number(told[1])] = told[2]
        _check(own.values())
    except (ValueError, KeyError, IndexError, RecursionError) as error:
        raise RefusedFileError(
            worded(
                "{where}: its sheet {origin!r} was changed. {again}",
                where=where,
                origin=ORIGIN,
                again=_AGAIN,
            )
        ) from error
    if not own:
        raise RefusedFileError(
            worded(
                "{where}: its sheet {origin!r} is empty. {again}",
                where=where,
                origin=ORIGIN,
                again=_AGAIN,
            )
        )
    return list(own.values())


def _check(found: Collection[_Own]) -> None:
    """Check that sheets are as this program writes them.

    Raises:
        ValueError: a column is there twice or a needed one is not, or a number stands for two rows.

    """
    numbers = [n for own in found for n in own.keys]
    if len(numbers) > len(set(numbers)) or 0 in numbers:
        raise ValueError("rows")
    for own in found:
        names = [name.casefold() for name in own.headings.values()]
        needed = TABLES[own.table].required if own.came_as == PLAIN else ()
        if len(names) > len({*names} - {LINE.casefold(), "_line"}) or {*needed} - {*names}:
            raise ValueError("columns")


def _number(text: str | None) -> int:
    """Read the number of a refused row; 0: it is none."""
    text = (text or "").strip()
    return int(text) if text.isdecimal() and len(text) < _LONGEST_NUMBER else 0


def _frame(own: _Own, sheet: Sheet, made: _Made, where: str) -> pl.DataFrame:
    """Read the rows of a sheet under the headings they were delivered with."""
    at, places = _columns(own, sheet, where)
    taken: dict[int, list[str | None]] = {}
    for line, cells in sheet.grid[at + 1 :]:
        held = [cells[n] if n < len(cells) else None for n in places.values()]
        number, *told = held
        if not any(held) or isinstance(cells, StruckCells):
            continue  # struck out, it is as if it were deleted
        n = _number(number)
        if n in own.keys and n not in taken:
            taken[n] = told
        else:
            made.rejections.append(_no_refused_row(own, line, number, told))
    made.returned |= {n: own.keys[n] for n in taken}
    made.n_missing += len(own.keys) - len(taken)
    columns = {
        heading: pl.Series([told[n] for told in taken.values()], dtype=pl.String)
        for n, heading in enumerate(own.headings.values())
    }
    return pl.DataFrame(columns | {LINE: pl.Series(list(taken), dtype=pl.Int64)})


def _columns(own: _Own, sheet: Sheet, where: str) -> tuple[int, dict[str, int]]:
    """Give the index of the row of headings, and the place of each column.

    Raises:
        RefusedFileError: a column is gone, or has another heading.

    """
    wanted = [NUMBER, *own.headings]
    for at, (_, cells) in enumerate(sheet.grid[:_HEADINGS_WITHIN]):
        found = {(cell or "").strip(): n for n, cell in reversed(list(enumerate(cells)))}
        if NUMBER not in found:
            continue
        if gone := [name for name in wanted if name not in found]:
            raise RefusedFileError(
                worded(
                    "{where}, sheet {name!r} has no column {names} any more. Put it back under its "
                    "heading, or leave all columns as they come. {again}",
                    where=where,
                    name=own.name,
                    names=", ".join(map(repr, gone)),
                    again=_AGAIN,
                )
            )
        return at, {name: found[name] for name in wanted}
    raise RefusedFileError(
        worded(
            "{where}, sheet {name!r} has no column {number!r} any more, which says which row is "
            "which. {again}",
            where=where,
            name=own.name,
            number=NUMBER,
            again=_AGAIN,
        )
    )


def _no_refused_row(
    own: _Own, line: int, number: str | None, told: Sequence[str | None]
) -> Rejection:
    row = dict(zip(own.headings, told, strict=True))
    return Rejection(
        own.table,
        None,
        NUMBER,
        number,
        f"the number of a refused row of this sheet, each once; see row {line} of {own.name!r}. "
        "New rows come in a file of their own",
        json.dumps(row, ensure_ascii=False),
        is_source=True,
    )


# --- rows with the source's own headings --------------------------------------------------------


def _through_map(
    frame: pl.DataFrame, own: _Own, how: ImportMap, delivery: Delivery, made: _Made
) -> None:
    where = f"{delivery.name}, sheet {own.name!r}"
    spec = fitting_table(how, own.table, list(own.headings.values()))
    if isinstance(spec, str):
        raise RefusedFileError(
            worded("{where} cannot be taken by itself: {spec}.", where=where, spec=spec)
        )
    for told, rows in _by_file(frame):
        alone = replace(delivery, name="", zone=own.zone, vehicle_id=told.get("vehicle_id"))
        mapped = shaped_rows(SourceTable(rows, told=dict(told)), spec, how, alone, where)
        made.parts.append(mapped.rows)
        made.rejections += mapped.rejections
        made.notes += mapped.notes


def _by_file(frame: pl.DataFrame) -> list[tuple[Mapping[str, str], pl.DataFrame]]:
    """Part rows by what only their files said."""
    names = [name for name in frame.columns if name.startswith(TOLD)]
    if not names:
        return [({}, frame)]
    parts = frame.partition_by(names, as_dict=True, include_key=False, maintain_order=True)
    return [
        ({n.removeprefix(TOLD): str(t) for n, t in zip(names, key, strict=True) if t}, rows)
        for key, rows in parts.items()
    ]
