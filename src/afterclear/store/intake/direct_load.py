"""The short way for a large file: parsed straight into its table, without staging.

Most large deliveries are wholly new and hold nothing to refuse.  Such a file is inserted in the
pass that parses it, and checked in its table. At the first sign of anything else (a row to refuse,
a known key, two contents of one key) the caller rolls the transaction back and the file goes the
long way, which decides row by row.  The result is the same; a million rows take half the time.
"""

from collections.abc import Callable
from dataclasses import dataclass

import duckdb
import polars as pl

from afterclear.plain import REPAIRS, Table
from afterclear.store.engine.connection import Binding
from afterclear.store.engine.database import Connection, create_temp_table, query, scalar
from afterclear.store.intake.identity import known_vins
from afterclear.store.intake.near_misses import find_near_misses
from afterclear.store.intake.staging import SPELLED, RawTable, forget_refused, staging_sql
from afterclear.store.merging.order_codes import told_by_code
from afterclear.store.merging.rows import entity_hash, key_hash, stored_columns

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
    return plain and source.form == "csv" and source.path.stat().st_size >= FROM_BYTES


def insert_straight(con: Connection, source: RawTable, load_id: int, spell: Speller | None) -> int:
    """Insert a whole file; return the number of its rows.

    Raises:
        NotPlainlyNew: give up the transaction and take the long way.

    """
    columns = ", ".join(stored_columns(source.table))
    forget_refused(con)
    con.execute("SET TimeZone = ?", [source.zone])
    try:
        with con.handed(source.path, "delivered") as place:
            bind = Binding()
            con.execute(
                f"""INSERT INTO {source.table.name} ({columns}, load_id)
                    SELECT {columns}, {load_id} FROM ({staging_sql(source, place, bind)})
                    WHERE CASE WHEN fault IS NULL THEN true ELSE error('a row to refuse') END""",
                bind.values,
            )
    except duckdb.Error as error:
        raise NotPlainlyNew from error
    if scalar(con, "SELECT count(*) FROM csv_rejects"):
        raise NotPlainlyNew
    if spell is not None:
        _spell_in_place(con, source, load_id, spell)
    return _checked_count(con, source, load_id)


def _spell_in_place(con: Connection, source: RawTable, load_id: int, spell: Speller) -> None:
    column = SPELLED.get(source.table.name)
    if column is None or column not in source.known:
        return
    texts = query(
        con,
        f"""SELECT DISTINCT {column} AS told FROM {source.table.name}
            WHERE load_id = {load_id} AND {column} NOT NULL""",
    )["told"]
    spelled = [spell(text, None) for text in texts]
    if any(isinstance(each, NoCode) for each in spelled):
        raise NotPlainlyNew
    normal = pl.Series("normal", spelled, dtype=pl.String)
    changed = pl.DataFrame([texts, normal]).filter(pl.col("told") != pl.col("normal"))
    if len(changed):
        create_temp_table(con, "respelled", changed)
        con.execute(
            f"""UPDATE {source.table.name} SET {column} = nullif(normal, '') FROM respelled
                WHERE load_id = {load_id} AND {column} = told"""
        )


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


def _any_near_miss(con: Connection, own: str, table: Table) -> bool:
    if table.name == "vehicles":
        return False
    numbers = query(con, f"SELECT DISTINCT vehicle_id AS told FROM {own}")["told"].to_list()
    return find_near_misses(con, numbers) > 0
