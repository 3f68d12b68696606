"""The shape of a source's table brought to rows of one code each, before its cells are read.

What belongs here: which rows are wanted at all, several codes side by side in one row, and what a
row without any code means.
"""

from collections.abc import Sequence
from dataclasses import replace
from fnmatch import fnmatchcase

import polars as pl

from afterclear.catalogue.codes import says_none
from afterclear.errors import RefusedFileError, worded
from afterclear.readers.mapped.whole_days import made_whole
from afterclear.readers.maps.checked_map import MapColumn, MapTable
from afterclear.readers.maps.source_table import LINE, SourceTable, find_column, plain_heading

# Columns made here; no heading is called so (U+0000 is in no text a person writes).
MADE = "\x00"
CODE, HEADING, _ROW, _NONE = (f"{MADE}{name}" for name in ("code", "heading", "row", "none"))
TOLD = f"{MADE}told "  # before a plain column: its text was read from the file, not a row
FILLER = "none"
_DASHES = r"^[-\u2013\u2014]{1,5}$"
NO_CODE = "rows without a code"
CODE_COLUMNS = ("code", "codes")


def _beside_name(column: str) -> str:
    return f"{MADE}beside {column}"


def matching(names: Sequence[str], patterns: Sequence[str]) -> list[str]:
    """Give the headings that fit file patterns or are equal to them, in the table's order."""
    wanted = [plain_heading(p) for p in patterns]
    return [
        name
        for name in names
        if name != LINE
        and any(fnmatchcase(plain_heading(name), p) or plain_heading(name) == p for p in wanted)
    ]


def shaped(table: SourceTable, spec: MapTable, where: str) -> MapTable:
    """Leave out the rows that are not wanted, and give each code a row.

    Returns the map of the table as it is then.

    Raises:
        RefusedFileError: headings named for it are not there.

    """
    _leave_out(table, spec, where)
    for heading in spec.fill_down:
        name = find_column(heading, table.frame.columns, where)
        cells = pl.col(name).str.strip_chars().replace("", None)
        table.frame = table.frame.with_columns(cells.forward_fill().alias(name))
    if spec.days_within or spec.month_days:
        keys = (spec.days_within, spec.month_days)
        table.frame = made_whole(table.frame, keys, table.above, where)
    if not spec.codes_from:
        return as_shaped(spec)
    table.frame = _row_for_each_code(table.frame, spec, where)
    return as_shaped(spec)


def as_shaped(spec: MapTable) -> MapTable:
    """Give the map of a table whose rows are wanted, filled, and of one code each."""
    spec = replace(spec, keep_where={}, drop_where={}, fill_down=(), days_within={}, month_days={})
    if not spec.codes_from:
        return spec
    columns = {name: _of_made(name, column) for name, column in spec.columns.items()}
    columns.setdefault("code", MapColumn(from_=(CODE,)))
    return replace(spec, columns=columns, codes_from=())


def _of_made(name: str, column: MapColumn) -> MapColumn:
    """Let a column that comes from the codes' columns come from the one made of them."""
    if column.heading:
        return replace(column, from_=(HEADING,), pattern=column.heading)
    if column.beside:
        return replace(column, from_=(_beside_name(name),))
    return column if column.has_origin else replace(column, from_=(CODE,))


def _leave_out(table: SourceTable, spec: MapTable, where: str) -> None:
    for wheres, is_kept, what in (
        (spec.keep_where, True, "rows not wanted"),
        (spec.drop_where, False, "rows dropped"),
    ):
        for heading, pattern in wheres.items():
            name = find_column(heading, table.frame.columns, where)
            cells = pl.col(name).str.strip_chars().fill_null("")
            fits = cells.str.contains(f"(?i){pattern}")
            n_before = len(table.frame)
            table.frame = table.frame.filter(fits if is_kept else ~fits)
            if n_before > len(table.frame):
                table.left_out[what] += n_before - len(table.frame)


# --- codes side by side -------------------------------------------------------------------------


def _row_for_each_code(frame: pl.DataFrame, spec: MapTable, where: str) -> pl.DataFrame:
    names = matching(frame.columns, spec.codes_from)
    if not names:
        wanted = ", ".join(map(repr, spec.codes_from))
        raise RefusedFileError(
            worded(
                "{where} has no column that fits {wanted} (codes_from).", where=where, wanted=wanted
            )
        )
    beside = {
        plain: _in_step(frame, plain, column.beside, names, where)
        for plain, column in spec.columns.items()
        if column.beside
    }
    with_heading = any(column.heading for column in spec.columns.values())
    used = {*names, *(name for each in beside.values() for name in each)}
    rest = [name for name in frame.columns if name not in used]
    parts = []
    for at, name in enumerate(names):
        more = [pl.col(b[at]).alias(_beside_name(column)) for column, b in beside.items()]
        parts.append(
            frame.select(
                *rest,
                pl.col(name).str.strip_chars().replace("", None).alias(CODE),
                pl.lit(name).alias(HEADING),
                *more,
                pl.int_range(pl.len()).alias(_ROW),
            )
        )
    rows = pl.concat(parts).sort(_ROW, maintain_order=True)
    none = pl.col(CODE).is_in(_fillers(rows[CODE]))
    rows = rows.with_columns(none.fill_null(value=False).alias(_NONE))
    by_unit = with_heading or "ecu" in beside
    if "ecu" in beside:  # a filler beside no unit is nobody's answer
        unit = pl.col(_beside_name("ecu")).str.strip_chars().replace("", None)
        rows = rows.with_columns(pl.when(pl.col(_NONE) & unit.is_null()).then(None)
                                 .otherwise(pl.col(CODE)).alias(CODE),
                                 (pl.col(_NONE) & unit.is_not_null()).alias(_NONE))  # fmt: skip
    return _chosen(rows, by_unit=by_unit).drop(_ROW, _NONE)


def _chosen(rows: pl.DataFrame, *, by_unit: bool) -> pl.DataFrame:
    """Keep each code; of a row without any, its first filler, otherwise one empty cell.

    ``by_unit``: the heading, or a cell beside, names a unit: each filler is that unit's own answer.
    """
    is_code = pl.col(CODE).is_not_null() & ~pl.col(_NONE)
    first_filler = pl.col(_NONE) & (pl.col(_NONE).cum_sum().over(_ROW) == 1)
    place = pl.int_range(pl.len()).over(_ROW)
    no_code = ~is_code.any().over(_ROW)
    no_filler = ~pl.col(_NONE).any().over(_ROW)
    kept_filler = pl.col(_NONE) if by_unit else first_filler & no_code
    return rows.filter(is_code | kept_filler | (no_code & no_filler & (place == 0)))


def _in_step(
    frame: pl.DataFrame, column: str, patterns: Sequence[str], codes: Sequence[str], where: str
) -> list[str]:
    found = [n for n in matching(frame.columns, patterns) if n not in codes]
    if len(found) != len(codes):
        raise RefusedFileError(
            worded(
                "{where}: {column} should stand beside each of the {n_codes} columns of codes, but "
                "{n_found} columns fit {names}.",
                where=where,
                column=column,
                n_codes=len(codes),
                n_found=len(found),
                names=", ".join(map(repr, patterns)),
            )
        )
    return found


def in_template(frame: pl.DataFrame, origin: Sequence[str], template: str) -> pl.Expr:
    """Fill a template with a row's cells, a question mark where one is blank; all blank: with none.

    A dash in each of several columns is the word for none, as in one; *none* in one of two columns
    says so of both, if the other says nothing else.
    """
    parts = [pl.col(name).str.strip_chars().replace("", None) for name in origin]
    words = {w for name in origin for w in _fillers(frame[name].str.strip_chars())}
    spoken = [w for w in words if any(map(str.isalpha, w))]
    says = pl.coalesce(pl.when(part.is_in(spoken)).then(part) for part in parts)
    parts = [pl.when(~part.str.contains(_DASHES)).then(part) for part in parts]
    told = pl.any_horizontal(
        part.is_not_null() & ~part.is_in(spoken).fill_null(value=False) for part in parts
    )
    filled = pl.format(template, *(part.fill_null("?") for part in parts))
    return pl.when(told).then(filled).otherwise(says)


def _fillers(cells: pl.Series) -> list[str]:
    return [text for text in cells.drop_nulls().unique() if says_none(text)]


def with_one_filler(cells: pl.Series, filler: str | None) -> pl.Series:
    """Spell every form of "no code is stored" in one way; None: as an empty cell."""
    fillers = _fillers(cells.str.strip_chars())
    if not fillers:
        return cells
    says = cells.str.strip_chars().is_in(fillers).fill_null(value=False)
    return (
        pl.select(pl.when(says).then(pl.lit(filler)).otherwise(cells)).to_series().alias(cells.name)
    )
