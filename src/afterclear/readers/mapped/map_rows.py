"""A source's table through its map: rows of the plain layout, and the rows refused.

Rows in = rows out + rows refused, but for cells that hold several values: those make a row each.
"""

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from afterclear.errors import RefusedFileError, worded
from afterclear.plain import APART, MILE_COLUMNS, ONCE, TABLES, Kind
from afterclear.readers.mapped.map_cells import PlainCells, Target, multiply, plain_cells
from afterclear.readers.mapped.map_shape import (
    CODE_COLUMNS,
    FILLER,
    MADE,
    NO_CODE,
    TOLD,
    in_template,
    shaped,
    with_one_filler,
)
from afterclear.readers.mapped.order_rows import order_numbers, told_once
from afterclear.readers.maps.checked_map import KEY_IDENTIFIERS, ImportMap, MapColumn, MapTable
from afterclear.readers.maps.source_table import AFTER, LINE, SourceTable, plain_heading
from afterclear.records import Delivery, PlainRows, Rejection

_Origins = dict[str, tuple[str, ...] | None]
_BREAK = "\x1f"  # unit separator: in no text a person writes
_VALUE, _EXPECTED = f"{_BREAK}value", f"{_BREAK}expected"  # no heading is called so


@dataclass(frozen=True, slots=True)
class Mapped:
    """What a map made of one table."""

    rows: PlainRows
    rejections: tuple[Rejection, ...]
    notes: tuple[str, ...]


def mapped_rows(
    table: SourceTable, spec: MapTable, how: ImportMap, delivery: Delivery, where: str
) -> Mapped:
    """Bring a source's table into the plain layout.

    Raises:
        RefusedFileError: headings are missing or doubtful, or the vehicle is not known.

    """
    return shaped_rows(table, shaped(table, spec, where), how, delivery, where)


def shaped_rows(
    table: SourceTable, spec: MapTable, how: ImportMap, delivery: Delivery, where: str
) -> Mapped:
    """Bring rows into the plain layout that have the shape of the map already.

    Raises:
        RefusedFileError: headings are missing or doubtful, or the vehicle is not known.

    """
    origins = origins_of(table, spec, where)
    table.frame = _with_told(table, spec, delivery, where)
    # a word for "none" is one word until it is clear which cells were empty as delivered
    frame = _with_one_filler(table.frame, origins, FILLER)
    frame, uneven = _row_for_each(frame, spec, origins)
    frame, only_distance = _settled(frame, spec, origins, table)
    frame = _with_one_filler(frame, origins, None)
    zone = how.zone or delivery.zone

    def cells_of(name: str) -> PlainCells:
        column = spec.columns[name]
        raw = _raw(
            frame, column, origins[name], _constant_text(name, column, table, (delivery, where))
        )
        made = plain_cells(raw, column, _target(spec, name), how, zone)
        if column.times:
            pieces = _pieces(frame, column.times, where)
            multiply(
                made, plain_cells(pieces, MapColumn(), Target("times", Kind.NUMBER), how, zone)
            )
        return made

    wanted = [name for name in spec.columns if origins[name] is not None]
    made = [cells_of(name) for name in wanted]
    _without_unit(made, only_distance)
    made += _whose(made, spec, delivery, len(frame), where)
    rows = pl.DataFrame([m.cells.alias(_own_name(m.name, spec)) for m in made])
    if spec.keep_rest:
        rows = rows.hstack(_rest(frame, origins, rows.columns))
    rows = rows.with_columns(frame[LINE].alias("_line"))
    rows, contradicting = told_once(rows, spec, made)
    if spec.into == "repairs" and spec.places_apart != "refuse":
        rows = rows.with_columns(pl.lit(spec.places_apart).alias(APART))
    rows, refused = _part(rows, frame, [*made, *contradicting], spec.into)
    notes = [doubt.note for m in made for doubt in m.doubts]
    several = len(how.table) > 1  # then lines after one table may be another's
    notes += [
        f"{what} left out: {n:,}"
        for what, n in table.left_out.items()
        if n and not (several and what == AFTER)
    ]
    return Mapped(PlainRows(spec.into, rows), (*table.rejections, *uneven, *refused), tuple(notes))


def _with_one_filler(frame: pl.DataFrame, origins: _Origins, filler: str | None) -> pl.DataFrame:
    names = {origin[0] for n in CODE_COLUMNS if (origin := origins.get(n)) and len(origin) == 1}
    return frame.with_columns(with_one_filler(frame[name], filler) for name in sorted(names))


def _settled(
    frame: pl.DataFrame, spec: MapTable, origins: _Origins, table: SourceTable
) -> tuple[pl.DataFrame, pl.Series | None]:
    """Decide rows without a code as the map says: (rows, True where only the distance counts)."""
    origin = origins.get("code")
    if spec.into != "scans" or spec.without_codes in {None, "clean"} or not origin:
        return frame, None
    empty = pl.all_horizontal(pl.col(n).str.strip_chars().fill_null("") == "" for n in origin)
    is_empty = frame.select(empty.alias("empty")).to_series()
    if spec.without_codes == "odometer":
        return frame, is_empty
    table.left_out[NO_CODE] += int(is_empty.sum())
    return frame.filter(~is_empty), None


def _without_unit(made: list[PlainCells], where: pl.Series | None) -> None:
    """Remove the control unit from rows that hold a distance only."""
    if where is None:
        return
    for column in made:
        if column.name in {"ecu", "ecu_response"}:
            column.cells = pl.select(pl.when(~where).then(column.cells)).to_series()


def _target(spec: MapTable, name: str) -> Target:
    kinds = {c.name: c.kind for c in TABLES[spec.into].columns}
    return Target(name, kinds.get(name, Kind.TEXT))


def _own_name(name: str, spec: MapTable) -> str:
    """Name a column of the result; identifiers of a vehicle differ from plain columns."""
    return f"_{name}" if name in KEY_IDENTIFIERS and spec.into != "vehicles" else name


# --- where cells come from -----------------------------------------------------------------


def origins_of(table: SourceTable, spec: MapTable, where: str) -> dict[str, tuple[str, ...] | None]:
    """Find each plain column's source columns: () where it needs none, None: optional, missing.

    Raises:
        RefusedFileError: a heading is missing, or occurs twice.

    """
    names = [n for n in table.frame.columns if n != LINE]
    keys = {plain_heading(name): name for name in names}
    origins: dict[str, tuple[str, ...] | None] = {}
    missing: list[str] = []
    for plain, column in spec.columns.items():
        found = [_find(heading, keys, where) for heading in column.from_]
        if None not in found:
            origins[plain] = tuple(name for name in found if name)
        elif column.optional:
            origins[plain] = None
        else:
            missing += [h for h, f in zip(column.from_, found, strict=True) if f is None]
    if missing:
        known = ", ".join(repr(n) for n in names[:40])
        raise RefusedFileError(
            worded(
                "{where} has no column {names}. It has: {known}. Mend the map, or mark the column "
                "optional.",
                where=where,
                names=", ".join(map(repr, dict.fromkeys(missing))),
                known=known,
            )
        )
    return origins


def _find(heading: str, keys: dict[str, str], where: str) -> str | None:
    """Find a source column by its heading, or by the end of its path; None: there is none."""
    key = plain_heading(heading)
    if key.endswith("#1") and key[:-2] in keys:
        return keys[key[:-2]]
    if key in keys:
        if f"{key}#2" in keys:
            raise RefusedFileError(
                worded(
                    "{where} has the heading {heading!r} more than once. Say in the map "
                    "which is meant: {heading}#1 or {heading}#2.",
                    where=where,
                    heading=heading,
                )
            )
        return keys[key]
    ends = [name for path, name in keys.items() if path.endswith(f".{key}")]
    if len(ends) > 1:
        raise RefusedFileError(
            worded(
                "{where}: {heading!r} could be {ends}. Write more of its path.",
                where=where,
                heading=heading,
                ends=" or ".join(ends[:5]),
            )
        )
    return ends[0] if ends else None


def _pieces(frame: pl.DataFrame, heading: str, where: str) -> pl.Series:
    """Give the column by which numbers are multiplied."""
    keys = {plain_heading(name): name for name in frame.columns if name != LINE}
    found = _find(heading, keys, where)
    if found is None:
        raise RefusedFileError(
            worded(
                "{where} has no column {heading!r}. Mend `times` in the map.",
                where=where,
                heading=heading,
            )
        )
    return frame[found]


def _constant_text(
    name: str, column: MapColumn, table: SourceTable, place: tuple[Delivery, str]
) -> str | None:
    """Give a text that is the same in every row, from the map, the file's name or its head."""
    delivery, where = place
    if column.value is not None or name in table.told:
        return table.told.get(name, column.value)
    for pattern, text, part in (
        (column.file_name, delivery.name, "the file's name"),
        (column.above, table.above, "the text above the headings"),
        (column.sheet_name, table.sheet, "the sheet's name"),
    ):
        if pattern is None:
            continue
        found = re.search(pattern, text, re.MULTILINE)
        if found:
            return found[1].strip()
        if not column.optional:
            raise RefusedFileError(
                worded(
                    "{where}: {part} has nothing like {pattern!r}.",
                    where=where,
                    part=part,
                    pattern=pattern,
                )
            )
    return None


def _with_told(table: SourceTable, spec: MapTable, delivery: Delivery, where: str) -> pl.DataFrame:
    """Keep beside each row what only its file says, so that a refused one can come back alone."""
    told = {
        name: _constant_text(name, column, table, (delivery, where))
        for name, column in spec.columns.items()
        if column.file_name or column.above or column.sheet_name
    }
    told |= {"vehicle_id": delivery.vehicle_id} if "vehicle_id" not in spec.columns else {}
    return table.frame.with_columns(
        pl.lit(text).alias(f"{TOLD}{name}") for name, text in told.items() if text
    )


def _raw(
    frame: pl.DataFrame, column: MapColumn, origin: tuple[str, ...] | None, value: str | None
) -> pl.Series:
    if not origin:
        return pl.Series("told", [value], dtype=pl.String).new_from_index(0, len(frame))
    if column.above and value is not None:  # the day above, a time of day in each row
        day_and_clock = pl.format("{} {}", pl.lit(value), pl.col(origin[0]).str.strip_chars())
        return frame.select(day_and_clock.alias("joined")).to_series()
    if len(origin) == 1 and not column.template:
        return frame[origin[0]]
    parts = [pl.col(name).str.strip_chars().replace("", None) for name in origin]
    joined = pl.concat_str(parts, separator=column.join, ignore_nulls=True)
    if column.template:
        joined = in_template(frame, origin, column.template)
    return frame.select(joined.replace("", None).alias("joined")).to_series()


def _rest(
    frame: pl.DataFrame, origins: dict[str, tuple[str, ...] | None], taken: Sequence[str]
) -> pl.DataFrame:
    """Give the columns the map does not use, under names that mean nothing in the plain layout."""
    used = {name for origin in origins.values() for name in origin or ()}
    plain = {c.name for t in TABLES.values() for c in t.columns} | set(MILE_COLUMNS.values())
    # compared without case, as the store's database does
    reserved = {"_line", APART, ONCE, *plain, *taken, *(f"_{mark}" for mark in KEY_IDENTIFIERS)}
    reserved = {name.casefold() for name in reserved}
    kept = {}
    for name in frame.columns:
        if name in used or name == LINE or name.startswith(MADE):
            continue
        own = name
        while own.casefold() in reserved:
            own += " (as delivered)"
        reserved.add(own.casefold())
        kept[name] = own
    return frame.select(pl.col(name).alias(own) for name, own in kept.items())


# --- one row for each value ------------------------------------------------------------------


def _row_for_each(
    frame: pl.DataFrame, spec: MapTable, origins: dict[str, tuple[str, ...] | None]
) -> tuple[pl.DataFrame, list[Rejection]]:
    """Make a row for each value of cells that hold several, in step where several columns do."""
    parted = {
        origin[0]: column.each
        for name, column in spec.columns.items()
        if column.each and (origin := origins[name])
    }
    if not parted:
        return frame, []
    lists = frame.with_columns(_values(name, pattern) for name, pattern in parted.items())
    lengths = [pl.col(name).list.len() for name in parted]
    even = pl.all_horizontal(length == lengths[0] for length in lengths)
    keep = lists.select(even.alias("even")).to_series()
    uneven = [
        Rejection(
            spec.into,
            row[LINE],
            next(iter(parted)),
            str(row[next(iter(parted))]),
            f"as many values in each of: {', '.join(parted)}",
            _as_json(row),
            is_source=True,
        )
        for row in frame.filter(~keep).iter_rows(named=True)
    ]
    return lists.filter(keep).explode(list(parted)), uneven


def _values(name: str, pattern: str) -> pl.Expr:
    parts = (
        pl.col(name).fill_null("").str.replace_all(pattern, _BREAK).str.strip_chars(f"{_BREAK} \t")
    )
    values = parts.str.split(_BREAK).list.eval(pl.element().str.strip_chars())
    several = values.list.filter(pl.element() != "")
    # a cell without any value keeps its row
    return (
        pl.when(several.list.len() > 0)
        .then(several)
        .otherwise(pl.lit([None], dtype=pl.List(pl.String)))
        .alias(name)
    )


# --- whose rows, and which are refused ---------------------------------------------------------


def _whose(
    made: list[PlainCells], spec: MapTable, delivery: Delivery, n_rows: int, where: str
) -> list[PlainCells]:
    """Add the vehicle's number and, for scans, the scan's, if the source has none."""
    by_name = {m.name: m for m in made}
    more = []
    identifiers = [by_name[n].cells for n in ("vehicle_id", *KEY_IDENTIFIERS) if n in by_name]
    if not identifiers and delivery.vehicle_id is None:
        raise RefusedFileError(
            worded(
                "{where} does not say whose rows these are. Map vehicle_id, vin or plate, or name "
                "the vehicle with `load --vehicle ID` or `vehicle` of the source in sources.toml.",
                where=where,
            )
        )
    if "vehicle_id" not in by_name:
        own: list[str | None] = [None if identifiers else delivery.vehicle_id]
        cells = pl.Series("vehicle_id", own, dtype=pl.String).new_from_index(0, n_rows)
        if spec.into == "vehicles":
            cells = by_name["vin"].cells
        more.append(PlainCells("vehicle_id", cells, cells))
        identifiers = [*identifiers, cells]
    if spec.into == "scans" and "scan_id" not in by_name:
        # by the source's own columns, not by what the store finds: a second delivery is the same
        # scan
        number = _joined(_first_of(identifiers), by_name["scanned_at"].cells)
        more.append(PlainCells("scan_id", number, number))
    if spec.into == "repairs" and "repair_id" not in by_name:
        number = order_numbers(made, _first_of(identifiers), by_name["repaired_at"].cells)
        more.append(PlainCells("repair_id", number, number))
    return more


def _first_of(identifiers: Sequence[pl.Series]) -> pl.Series:
    return (
        identifiers[0]
        if len(identifiers) == 1
        else pl.select(pl.coalesce(*identifiers)).to_series()
    )


def _joined(*cells: pl.Series) -> pl.Series:
    return pl.select(pl.concat_str(*cells, separator="@")).to_series()


def _part(
    rows: pl.DataFrame, frame: pl.DataFrame, made: Sequence[PlainCells], into: str
) -> tuple[pl.DataFrame, list[Rejection]]:
    """Separate rows with a cell that could not be read; one reason a row."""
    broken = [(m, m.expected) for m in made if m.expected is not None]
    if not broken:
        return rows, []
    refused: list[Rejection] = []
    is_refused = pl.Series([False]).new_from_index(0, len(rows))
    for column, expected in broken:
        mask = expected.is_not_null() & ~is_refused
        is_refused = is_refused | mask
        told = (column.raw.alias(_VALUE), expected.alias(_EXPECTED))
        found = frame.with_columns(*told).filter(mask)
        refused += [_refusal(row, column, into) for row in found.iter_rows(named=True)]
    return rows.filter(~is_refused), sorted(refused, key=lambda r: r.line or 0)


def _refusal(row: dict[str, Any], column: PlainCells, into: str) -> Rejection:
    value, expected = row.pop(_VALUE), row.pop(_EXPECTED)
    return Rejection(into, row[LINE], column.name, value, expected, _as_json(row), is_source=True)


def _as_json(row: dict[str, Any]) -> str:
    return json.dumps({k: v for k, v in row.items() if k != LINE}, ensure_ascii=False)
