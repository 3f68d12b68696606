"""One delivered table into the store: staged, spelled, checked, merged; every row counted."""

import json
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from afterclear.errors import worded
from afterclear.plain import APART, ONCE, REPAIRS, SCANS, TABLES, Table
from afterclear.records import PlainFile, PlainRows, Rejection
from afterclear.store.engine.database import Connection, create_temp_table, query, scalar
from afterclear.store.intake.direct_load import NoCode, Speller, insert_straight, may_be_short
from afterclear.store.intake.identity import known_vins
from afterclear.store.intake.lines import csv_row_lines, lines_of_bytes, text_row_lines
from afterclear.store.intake.near_misses import find_near_misses
from afterclear.store.intake.staging import (
    A_CODE,
    KNOWN_VEHICLE,
    SPELLED,
    RawTable,
    check_lines,
    check_one_odometer,
    check_width,
    json_keys,
    row_checks,
    spelling_key,
    stage,
)
from afterclear.store.merging.completed_lines import leave_out_without_part
from afterclear.store.merging.delivered import names_vehicles
from afterclear.store.merging.order_codes import (
    find_places_apart,
    fold_lines,
    further_rows,
    keep_once,
    refuse_whole_lines,
    tell_places,
)
from afterclear.store.merging.order_lines import compare_lines, leave_out_old_lines, replace_lines
from afterclear.store.merging.repeated_scans import leave_out_old_scans, note_repeated_scans
from afterclear.store.merging.rows import contradictions, find_known, merge

_MALFORMED = {
    "MISSING COLUMNS": worded("as many cells as the header has; this line has fewer"),
    "TOO MANY COLUMNS": worded("as many cells as the header has; this line has more"),
    "UNQUOTED VALUE": worded("quotes that are closed, and doubled inside a quoted cell"),
    "LINE SIZE OVER MAXIMUM": worded("a line of less than a million bytes"),
    "INVALID ENCODING": worded("text in UTF-8"),
    "INVALID STATE": worded("cells separated by commas, quoted where they hold one"),
}


@dataclass(frozen=True, slots=True)
class Absorbed:
    """What became of one delivered table's rows."""

    stored: int
    duplicate: int
    corrected: int
    rejections: tuple[Rejection, ...]
    by_identifiers: bool = (
        False  # some numbers were VINs: their vehicles depend on the vehicle list
    )
    note: str = ""


def absorb(
    con: Connection,
    part: PlainFile | PlainRows,
    load_id: int,
    *,
    zone: str,
    spellers: Mapping[str, Speller],
    short: bool = False,
) -> Absorbed:
    """Bring one table of a delivery into the store, inside the caller's transaction.

    ``short``: try the short way for a large file.

    Raises:
        NotPlainlyNew: the short way does not fit; give up the transaction, call again without.
        RefusedFileError: the file cannot be read as what it seems to be.

    """
    with tempfile.TemporaryDirectory() as folder:
        source = _raw_table(con, part, Path(folder), zone)
        check_one_odometer(source)
        for name, of in (("unreadable", "spelling"), ("near_misses", "told")):
            con.execute(f"CREATE OR REPLACE TEMP TABLE {name} ({of} VARCHAR, expected VARCHAR)")
        for name in ("apart", "undecided"):
            con.execute(f"CREATE OR REPLACE TEMP TABLE {name} (number BIGINT)")
        if short and may_be_short(source):
            n_rows = insert_straight(con, source, load_id, spellers.get(source.table.name))
            absorbed = Absorbed(n_rows, 0, 0, ())
        else:
            absorbed = _absorb_staged(con, source, load_id, spellers)
        con.execute(
            f"""INSERT INTO stale_vehicles
                SELECT DISTINCT vehicle_id, load_id FROM {names_vehicles(source.table)}
                WHERE load_id = {load_id}"""
        )
    return absorbed


def _absorb_staged(
    con: Connection, source: RawTable, load_id: int, spellers: Mapping[str, Speller]
) -> Absorbed:
    """Take the long way: every row staged, judged and merged."""
    by_vin = _stage(con, source)
    _spell_codes(con, source, spellers)
    if source.table.name != "vehicles":
        numbers = query(
            con, "SELECT DISTINCT vehicle_id AS told FROM staged WHERE vehicle_id NOT NULL"
        )
        find_near_misses(con, numbers["told"].to_list())
    if _order_matters(con, source):
        _stage(con, source, in_order=True)
    _spell_staged(con, source)
    if source.table is REPAIRS:
        if source.places_apart != "one":
            _refuse_places_apart(con, source)
        _fold(con, source)
    find_known(con, source.table)
    n_old = n_replaced = n_further = n_lines = 0
    if source.table is SCANS and scalar(con, "SELECT count(*) FROM known"):
        n_old = leave_out_old_scans(con, load_id)
        note_repeated_scans(con, load_id)
    if source.table is REPAIRS:
        n_old, n_replaced = _settle_order_lines(con, source, load_id)
        n_further, n_lines = further_rows(con)
    rejections = _refused(con, source)
    merged = merge(con, source.table, load_id)
    return Absorbed(
        stored=merged.stored,
        duplicate=merged.duplicate + n_old + n_further,
        corrected=merged.corrected + n_replaced,
        rejections=tuple(rejections),
        by_identifiers=by_vin,
        note=_told_by_code(n_further, n_lines),
    )


def _told_by_code(n_further: int, n_lines: int) -> str:
    if not n_further:
        return ""
    return worded(
        "lines of orders told once for each code: {n_lines:,}, in {n_rows:,} rows",
        n_rows=n_further + n_lines,
        n_lines=n_lines,
    )


def _settle_order_lines(con: Connection, source: RawTable, load_id: int) -> tuple[int, int]:
    """Settle what the file's lines are in orders stored already.

    Returns (rows left out as outdated, stored rows that are replaced).
    """
    if not scalar(con, "SELECT count(*) FROM known"):
        return 0, 0
    n_old = _leave_out_outdated(con, load_id)
    if compare_lines(con, load_id):
        # the file once more in order, so that its lines have numbers to be refused by; if they
        # had some, none may be refused before the lines are compared again
        con.execute("DELETE FROM undecided")
        _stage_again(con, source)
        _leave_out_outdated(con, load_id)
        compare_lines(con, load_id)
        refuse_whole_lines(con)
        _stage_again(con, source)
        _leave_out_outdated(con, load_id)
    return n_old, replace_lines(con, load_id)


def _leave_out_outdated(con: Connection, load_id: int) -> int:
    return leave_out_old_lines(con, load_id) + leave_out_without_part(con)


def _stage_again(con: Connection, source: RawTable) -> None:
    """Stage orders in the file's order; their codes spelled, each line one row."""
    _stage_spelled(con, source)
    _fold(con, source)


def _fold(con: Connection, source: RawTable) -> None:
    fold_lines(con)
    keep_once(con, source.once)


def _stage_spelled(con: Connection, source: RawTable) -> None:
    _stage(con, source, in_order=True)
    _spell_staged(con, source)


def _spell_staged(con: Connection, source: RawTable) -> None:
    """Spell the staged codes, and tell the lines of different places apart where a map says so."""
    _apply_spellings(con, source.table)
    if source.places_apart == "each":
        tell_places(con)


def _refuse_places_apart(con: Connection, source: RawTable) -> None:
    """Refuse rows of orders that differ in codes of different places only."""
    if not find_places_apart(con):
        return
    # as for lines that are undecided: once in order for the numbers, once to refuse by them
    con.execute("DELETE FROM apart")
    _stage_spelled(con, source)
    find_places_apart(con)
    _stage_spelled(con, source)


def _stage(con: Connection, source: RawTable, *, in_order: bool = False) -> bool:
    """Stage a file, with VINs replaced by their vehicles' numbers; say whether there were any."""
    stage(con, source, in_order=in_order)
    con.execute("SET VARIABLE n_staged = (SELECT count(*) FROM staged)")
    if not known_vins(con, source.table.name, "staged"):
        return False
    con.execute("UPDATE staged SET vehicle_id = own FROM renamed WHERE vehicle_id = told")
    return True


def _raw_table(con: Connection, part: PlainFile | PlainRows, folder: Path, zone: str) -> RawTable:
    table = TABLES[part.table]
    if isinstance(part, PlainFile):
        longest = check_lines(part.path, part.form)
        # in JSON Lines any line may bring a column the first ones lack
        is_lines = part.form == "jsonl"
        header = json_keys(con, part.path, con.takes) if is_lines else part.header
        source = RawTable(
            table, part.path, part.form, header, zone, con.takes, longest_line=longest
        )
        check_width(source)
        return source
    path = folder / "rows.parquet"
    said = {n: "".join(part.frame[n].head(1)) for n in (APART, ONCE) if n in part.frame.columns}
    names = tuple(name for name in part.frame.columns if name not in {"_line", *said})
    part.frame.select(*names, "_line").write_parquet(path)
    return RawTable(
        table, path, "parquet", names, zone, con.takes,
        numbered=True, places_apart=said.get(APART, ""), once=tuple(said.get(ONCE, "").split()),
    )  # fmt: skip


def _order_matters(con: Connection, source: RawTable) -> bool:
    return (
        scalar(con, "SELECT count(fault) FROM staged") > 0
        or scalar(con, "SELECT count(*) FROM unreadable") > 0
        or scalar(con, "SELECT count(*) FROM near_misses") > 0
        or contradictions(con, source.table) > 0
    )


def _spell_codes(con: Connection, source: RawTable, spellers: Mapping[str, Speller]) -> None:
    """Spell each distinct code once; what cannot be spelled goes into ``unreadable``."""
    con.execute("DROP TABLE IF EXISTS temp.spellings")
    column = SPELLED.get(source.table.name)
    if column is None or column not in source.known:
        return
    spell = spellers[source.table.name]
    key = spelling_key(source.table)
    distinct = query(con, f"SELECT DISTINCT {key} AS spelling FROM staged WHERE {column} NOT NULL")
    texts = distinct["spelling"].to_list()
    spelled = [
        spell(text, failure or None) for text, _, failure in (t.rpartition("|") for t in texts)
    ]
    normal = [None if isinstance(each, NoCode) else each for each in spelled]
    reason = [each.expected if isinstance(each, NoCode) else None for each in spelled]
    spellings = distinct.with_columns(
        pl.Series("normal", normal, dtype=pl.String), pl.Series("expected", reason, dtype=pl.String)
    )
    create_temp_table(con, "spellings", spellings)
    con.execute(
        "INSERT INTO unreadable SELECT spelling, expected FROM spellings WHERE normal IS NULL"
    )


def _apply_spellings(con: Connection, table: Table) -> None:
    column = SPELLED.get(table.name)
    if column is None or not scalar(
        con, "SELECT count(*) FROM duckdb_tables() WHERE table_name = 'spellings'"
    ):
        return
    # only rows whose spelling changes are touched
    con.execute(
        f"""UPDATE staged SET {column} = nullif(s.normal, '') FROM spellings s
            WHERE {spelling_key(table)} = s.spelling AND s.normal IS DISTINCT FROM {column}
            AND s.normal IS NOT NULL"""
    )


def _refused(con: Connection, source: RawTable) -> list[Rejection]:
    """Everything of the file that is not stored, with line, column, value and expectation."""
    malformed, refused_lines = _malformed_lines(con, source)
    checks = row_checks(source)
    faulty = query(con, _faulty_rows(source)).rows()
    if not faulty:
        return malformed
    lines = _row_lines(con, source, refused_lines, {nth for nth, *_ in faulty})
    rejections = [
        _rejection(source, (*checks[fault][:2], hint or checks[fault][2]), lines.get(nth, nth), row)
        for nth, fault, row, hint in faulty
    ]
    return sorted(malformed + rejections, key=lambda r: r.line or 0)


def _faulty_rows(source: RawTable) -> str:
    """Write SQL for the rows refused: place, which check, the row, what this cell should be."""
    checks = row_checks(source)
    hints = {A_CODE: "unreadable", KNOWN_VEHICLE: "near_misses"}
    cases = " ".join(
        f"WHEN {at} THEN (SELECT any_value(expected) FROM {hints[reason]} WHERE {of} = {key})"
        for at, (_, _, reason) in enumerate(checks)
        if reason in hints
        for of, key in [
            ("spelling", spelling_key(source.table)) if reason == A_CODE else ("told", "vehicle_id")
        ]
    )
    hint = f"CASE fault {cases} END" if cases else "NULL"
    return f"""SELECT _nth, fault, raw_row::VARCHAR, {hint} FROM staged
        WHERE fault NOT NULL ORDER BY _nth"""


def _rejection(
    source: RawTable, check: tuple[str, str, str], line: int | None, raw_row: str
) -> Rejection:
    _, column, expectation = check
    cells = json.loads(raw_row)
    if set(cells) == {"line"} and "line" not in source.header:
        return Rejection(
            source.table.name, line, None, cells["line"], "a JSON object on each line", raw_row
        )
    value = cells.get(column)
    text = value if value is None or isinstance(value, str) else json.dumps(value)
    return Rejection(source.table.name, line, column, text, expectation, raw_row)


def _malformed_lines(con: Connection, source: RawTable) -> tuple[list[Rejection], set[int]]:
    """Lines the file's reader could not even split, one rejection each."""
    if source.form != "csv":
        return [], set()
    found = query(
        con,
        """SELECT line_byte_position AS place, first(error_type::VARCHAR) AS kind,
               first(csv_line) AS text
           FROM csv_rejects GROUP BY place ORDER BY place""",
    ).rows()
    lines = lines_of_bytes(source.path, [place for place, _, _ in found])
    rejections = [
        Rejection(source.table.name, line, None, text, _MALFORMED.get(kind, kind.lower()), text)
        for line, (_, kind, text) in zip(lines, found, strict=True)
    ]
    return rejections, set(lines)


def _row_lines(
    con: Connection, source: RawTable, refused: set[int], wanted: set[int]
) -> dict[int, int | None]:
    """Place among the accepted rows -> line in the file; empty where a place is all there is."""
    if source.form == "parquet":
        return {}
    lines = (
        text_row_lines(source.path)
        if source.form == "jsonl"
        else csv_row_lines(source.path, refused)
    )
    nth, found = 0, dict[int, int | None]()
    for nth, line in enumerate(lines, start=1):
        if nth in wanted:
            found[nth] = line
    if nth != scalar(con, "SELECT getvariable('n_staged')"):
        # the two readers split the file differently: better no line than a wrong one
        return dict.fromkeys(wanted)
    return found
