"""A source's table through its map: rows of the plain layout, and the rows refused.

Rows in = rows out + rows refused, but for cells that hold several values: those make a row each.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from afterclear.errors import RefusedFileError, worded
from afterclear.plain import APART, TABLES, Kind
from afterclear.readers.mapped.cell_origins import (
    Origins,
    constant_text,
    origins_of,
    pieces_of,
    raw_cells,
    rest_of,
    row_as_json,
    with_told,
)
from afterclear.readers.mapped.map_cells import PlainCells, Target, multiply, plain_cells
from afterclear.readers.mapped.map_shape import (
    CODE_COLUMNS,
    FILLER,
    NO_CODE,
    shaped,
    with_one_filler,
)
from afterclear.readers.mapped.order_rows import order_numbers, told_once
from afterclear.readers.mapped.several_values import row_for_each
from afterclear.readers.maps.checked_map import KEY_IDENTIFIERS, ImportMap, MapColumn, MapTable
from afterclear.readers.maps.source_table import AFTER, LINE, SourceTable
from afterclear.records import Delivery, PlainRows, Rejection

_VALUE, _EXPECTED = "\x1fvalue", "\x1fexpected"  # no heading is called so


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
    table.frame = with_told(table, spec, delivery, where)
    # a word for "none" is one word until it is clear which cells were empty as delivered
    frame = _with_one_filler(table.frame, origins, FILLER)
    frame, uneven = row_for_each(frame, spec, origins)
    frame, only_distance = _settled(frame, spec, origins, table)
    frame = _with_one_filler(frame, origins, None)
    zone = how.zone or delivery.zone

    def cells_of(name: str) -> PlainCells:
        column = spec.columns[name]
        raw = raw_cells(
            frame, column, origins[name], constant_text(name, column, table, (delivery, where))
        )
        made = plain_cells(raw, column, _target(spec, name), how, zone)
        if column.times:
            pieces = pieces_of(frame, column.times, where)
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
        rows = rows.hstack(rest_of(frame, origins, rows.columns))
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


def _with_one_filler(frame: pl.DataFrame, origins: Origins, filler: str | None) -> pl.DataFrame:
    names = {origin[0] for n in CODE_COLUMNS if (origin := origins.get(n)) and len(origin) == 1}
    return frame.with_columns(with_one_filler(frame[name], filler) for name in sorted(names))


def _settled(
    frame: pl.DataFrame, spec: MapTable, origins: Origins, table: SourceTable
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
    return Rejection(
        into, row[LINE], column.name, value, expected, row_as_json(row), is_source=True
    )
