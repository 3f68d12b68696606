"""The short way for a large file: parsed straight into its table, without staging.

Most large deliveries are wholly new and hold nothing to refuse.  Such a file is inserted in the
pass that parses it, and checked in its table. At the first sign of anything else (a row to refuse,
a known key, two contents of one key) the caller rolls the transaction back and the file goes the
long way, which decides row by row.  The result is the same; a million rows take half the time.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import duckdb
import polars as pl

from afterclear.plain import REPAIRS, SCANS, Table
from afterclear.store.engine.connection import Binding
from afterclear.store.engine.database import Connection, create_temp_table, query, scalar
from afterclear.store.intake.identity import known_vins
from afterclear.store.intake.near_misses import find_near_misses
from afterclear.store.intake.scan_stream import stream_scans
from afterclear.store.intake.staging import SPELLED, RawTable, forget_refused, staging_sql
from afterclear.store.merging.order_codes import told_by_code
from afterclear.store.merging.rows import entity_hash, key_hash, key_within_scan, stored_columns
from afterclear.store.merging.scan_parts import is_each_scan_one

# A small file gains nothing worth a second attempt.
FROM_BYTES = 8_000_000


@dataclass(frozen=True, slots=True)
class NoCode:
    """A text that is no code, and what was expected instead."""

    expected: str


# Spells one cell: (text, failure type) -> normal form, empty if it says that none is stored.
Speller = Callable[[str, str | None], str | NoCode]


class NotPlainlyNew(Exception):  # noqa: N818 - a signal between two ways, no error
    """Something in the file needs the long way; the transaction must be given up."""


def may_be_short(source: RawTable) -> bool:
    """Whether the short way is worth trying."""
    # a failure type of its own column joins the code and is then gone: only staging sees both
    plain = "failure_type" not in source.known
    is_plain = plain and source.form == "csv" and not source.longest_line
    return is_plain and source.path.stat().st_size >= FROM_BYTES


def insert_straight(con: Connection, source: RawTable, load_id: int, spell: Speller | None) -> int:
    """Insert a whole file; return the number of its rows.

    Raises:
        NotPlainlyNew: give up the transaction and take the long way.

    """
    forget_refused(con)
    con.execute("SET TimeZone = ?", [source.zone])
    try:
        if source.table is not SCANS:
            _insert_parsed(con, source, load_id)
        elif not stream_scans(con, source, load_id, _respelling(source, spell)):
            raise NotPlainlyNew
    except duckdb.Error as error:
        raise NotPlainlyNew from error
    if scalar(con, "SELECT count(*) FROM csv_rejects"):
        raise NotPlainlyNew
    if source.table is SCANS:
        return _checked_scans(con, load_id)
    if spell is not None:
        _spell_in_place(con, source, load_id, spell)
    return _checked_count(con, source, load_id)


def _insert_parsed(con: Connection, source: RawTable, load_id: int) -> None:
    columns = ", ".join(stored_columns(source.table))
    with con.handed(source.path, "delivered") as place:
        bind = Binding()
        con.execute(
            f"""INSERT INTO {source.table.name} BY NAME
                SELECT {columns}, {load_id} AS load_id FROM ({staging_sql(source, place, bind)})
                WHERE CASE WHEN fault IS NULL THEN true ELSE error('a row to refuse') END""",
            bind.values,
        )


def _respelling(source: RawTable, spell: Speller | None) -> Callable[[Connection], None]:
    """Give what spells the codes of the answers told, of which there are few."""
    if spell is None or SPELLED[SCANS.name] not in source.known:
        return lambda _: None
    return partial(_spell_answers, spell=spell)


def _spell_answers(con: Connection, spell: Speller) -> None:
    if _respelled(con, "SELECT DISTINCT code FROM answers_told WHERE code NOT NULL", spell):
        con.execute(
            """UPDATE answers_told SET spelled = nullif(normal, '') FROM respelled
               WHERE code = told"""
        )


def _spell_in_place(con: Connection, source: RawTable, load_id: int, spell: Speller) -> None:
    name, column = source.table.name, SPELLED.get(source.table.name)
    if column is None or column not in source.known:
        return
    own = f"{column} NOT NULL AND load_id = {load_id}"
    if _respelled(con, f"SELECT DISTINCT {column} FROM {name} WHERE {own}", spell):
        con.execute(
            f"""UPDATE {name} SET {column} = nullif(normal, '') FROM respelled
                WHERE {own} AND {column} = told"""
        )


def _respelled(con: Connection, texts: str, spell: Speller) -> int:
    """Put into ``respelled`` which of a query's texts are spelled otherwise; count them."""
    told = query(con, f"SELECT * FROM ({texts}) t(told)")["told"]
    spelled = [spell(text, None) for text in told]
    if any(isinstance(each, NoCode) for each in spelled):
        raise NotPlainlyNew
    normal = pl.Series("normal", spelled, dtype=pl.String)
    changed = pl.DataFrame([told, normal]).filter(pl.col("told") != pl.col("normal"))
    if len(changed):
        create_temp_table(con, "respelled", changed)
    return len(changed)


def _checked_scans(con: Connection, load_id: int) -> int:
    """Count the scan rows just inserted; their facts and answers tell what else is to check."""
    each = "min(fact_no) OVER (PARTITION BY vehicle_id, scan_id)"
    scan = "fact_no" if is_each_scan_one(con) else each
    # as numbers: one of the scan and one of what the key has of the answer
    repeated = scalar(
        con,
        f"""WITH told AS (SELECT fact_no, {scan} AS scan FROM facts_told),
            said AS (
                SELECT answer_no, min(answer_no) OVER (PARTITION BY {key_within_scan()}) AS said
                FROM unit_answers SEMI JOIN answers_told USING (answer_no))
            SELECT count(*) FROM (
                SELECT 1 FROM scan_lines JOIN told USING (fact_no) JOIN said USING (answer_no)
                GROUP BY scan, said HAVING count(*) > 1)""",
    )
    known = scalar(
        con,
        f"""SELECT count(*) FROM scan_facts SEMI JOIN facts_told USING (vehicle_id, scan_id)
            WHERE load_id <> {load_id}""",
    )
    told = "facts_told"
    if repeated or known or known_vins(con, SCANS.name, told) or _any_near_miss(con, told):
        raise NotPlainlyNew
    return scalar(con, "SELECT count(*) FROM scan_lines SEMI JOIN facts_told USING (fact_no)")


def _checked_count(con: Connection, source: RawTable, load_id: int) -> int:
    table = source.table
    own = f"{table.name} WHERE load_id = {load_id}"
    n_rows = scalar(con, f"SELECT count(*) FROM {own}")
    repeated = scalar(
        con,
        f"""SELECT count(*) FROM (
                SELECT 1 FROM {own} GROUP BY {key_hash(table)} HAVING count(*) > 1)""",
    )
    entity = entity_hash(table)
    known = scalar(
        con,
        f"""SELECT count(*) FROM {table.name} WHERE load_id <> {load_id}
            AND {entity} IN (SELECT {entity} FROM {own})""",
    )
    by_code = table is REPAIRS and told_by_code(con, own)
    doubtful = repeated or known or by_code
    if doubtful or known_vins(con, table.name, own) or _any_near_miss(con, own, table):
        raise NotPlainlyNew
    return n_rows


def _any_near_miss(con: Connection, own: str, table: Table = SCANS) -> bool:
    if table.name == "vehicles":
        return False
    numbers = query(con, f"SELECT DISTINCT vehicle_id AS told FROM {own}")["told"].to_list()
    return find_near_misses(con, numbers) > 0
