"""Findings into the store: a table is made anew by every analysis, in one transaction."""

from collections.abc import Iterable

import polars as pl

from afterclear.store.database import Connection, create_temp_table, query, transaction


def keep(con: Connection, table: str, rows: pl.DataFrame | None) -> None:
    """Replace all rows of a table of findings; None: there is nothing to say.

    Columns of ``rows`` that the table lacks are left out.
    """
    with transaction(con):
        con.execute(f"DELETE FROM store.{table}")
        if rows is not None and len(rows):
            wanted = query(
                con,
                "SELECT column_name FROM duckdb_columns() WHERE database_name = 'store' "
                "AND table_name = ? ORDER BY column_index",
                [table],
            )["column_name"]
            create_temp_table(con, "kept", rows.select(c for c in wanted if c in rows.columns))
            con.execute(f"INSERT INTO store.{table} BY NAME FROM kept")
            con.execute("DROP TABLE temp.kept")


def forget(con: Connection, tables: Iterable[str]) -> None:
    """Drop temporary tables a finding was made from: they lie in memory till the end else."""
    for table in tables:
        con.execute(f"DROP TABLE IF EXISTS temp.{table}")
