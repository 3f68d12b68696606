"""Findings into the store: every analysis replaces a table in one transaction."""

from collections.abc import Iterable

import polars as pl

from afterclear.store.engine.database import Connection, create_temp_table, query, transaction


def keep(con: Connection, table: str, rows: pl.DataFrame | None) -> None:
    """Replace all rows of a table of findings; None: the table is left empty."""
    keep_all(con, table, () if rows is None else (rows,))


def keep_all(con: Connection, table: str, frames: Iterable[pl.DataFrame]) -> None:
    """Replace all rows of a table of findings by those of several frames, one after another.

    Columns of a frame that the table lacks are left out.
    """
    with transaction(con):
        con.execute(f"DELETE FROM store.{table}")
        for rows in frames:
            if len(rows):
                _add(con, table, rows)


def _add(con: Connection, table: str, rows: pl.DataFrame) -> None:
    wanted = query(
        con,
        "SELECT column_name FROM duckdb_columns() WHERE database_name = 'store' "
        "AND schema_name = 'main' AND table_name = ? ORDER BY column_index",
        [table],
    )["column_name"]
    create_temp_table(con, "kept", rows.select(c for c in wanted if c in rows.columns))
    con.execute(f"INSERT INTO store.{table} BY NAME FROM kept")
    con.execute("DROP TABLE temp.kept")


def forget(con: Connection, tables: Iterable[str]) -> None:
    """Drop the temporary tables of a finding: otherwise they stay in memory until the end."""
    for table in tables:
        con.execute(f"DROP TABLE IF EXISTS temp.{table}")
