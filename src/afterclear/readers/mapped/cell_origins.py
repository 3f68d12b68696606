"""Where a map's cells come from: headings of the source, its name, the text above the table."""

import json
import re
from collections.abc import Sequence
from typing import Any

import polars as pl

from afterclear.errors import RefusedFileError, worded
from afterclear.plain import APART, MILE_COLUMNS, ONCE, TABLES
from afterclear.readers.mapped.map_shape import MADE, TOLD, in_template
from afterclear.readers.maps.checked_map import KEY_IDENTIFIERS, MapColumn, MapTable
from afterclear.readers.maps.source_table import LINE, SourceTable, plain_heading
from afterclear.records import Delivery

# Plain column -> its source columns: () where it needs none, None: optional, missing.
Origins = dict[str, tuple[str, ...] | None]


def origins_of(table: SourceTable, spec: MapTable, where: str) -> Origins:
    """Find each plain column's source columns: () where it needs none, None: optional, missing.

    Raises:
        RefusedFileError: a heading is missing, or occurs twice.

    """
    names = [n for n in table.frame.columns if n != LINE]
    keys = {plain_heading(name): name for name in names}
    origins: Origins = {}
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


def pieces_of(frame: pl.DataFrame, heading: str, where: str) -> pl.Series:
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


def constant_text(
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


def with_told(table: SourceTable, spec: MapTable, delivery: Delivery, where: str) -> pl.DataFrame:
    """Keep beside each row what only its file says, so that a refused one can come back alone."""
    told = {
        name: constant_text(name, column, table, (delivery, where))
        for name, column in spec.columns.items()
        if column.file_name or column.above or column.sheet_name
    }
    told |= {"vehicle_id": delivery.vehicle_id} if "vehicle_id" not in spec.columns else {}
    return table.frame.with_columns(
        pl.lit(text).alias(f"{TOLD}{name}") for name, text in told.items() if text
    )


def raw_cells(
    frame: pl.DataFrame, column: MapColumn, origin: tuple[str, ...] | None, value: str | None
) -> pl.Series:
    """Give the cells of a column as they came; ``value``: what every row says alike."""
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


def rest_of(frame: pl.DataFrame, origins: Origins, taken: Sequence[str]) -> pl.DataFrame:
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


def row_as_json(row: dict[str, Any]) -> str:
    """Write a row of the source as it is kept beside its refusal."""
    return json.dumps({k: v for k, v in row.items() if k != LINE}, ensure_ascii=False)
