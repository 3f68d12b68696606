"""Write and delete delivered rows, whichever tables hold them."""

from afterclear.plain import SCANS, Table
from afterclear.store.engine.connection import Connection, Values
from afterclear.store.merging.scan_parts import delete_scans, insert_scans, placed_scans


def placed(table: Table, among: str = "") -> str:
    """Write SQL for a table's rows, each with its ``place``, by which ``delete_rows`` finds it.

    ``among``: a table of scans, the only ones wanted; of another plain table all rows are given.
    """
    if table is SCANS:
        return placed_scans(among)
    return f"(SELECT *, rowid AS place FROM {table.name})"


def insert_rows(con: Connection, table: Table, rows: str) -> None:
    """Insert the rows of a query, which names every column of the table."""
    if table is SCANS:
        insert_scans(con, rows)
    else:
        con.execute(f"INSERT INTO {table.name} BY NAME {rows}")


def delete_rows(con: Connection, table: Table, where: str, values: Values = ()) -> None:
    """Delete the rows for which a condition on their columns, or their ``place``, holds."""
    if table is SCANS:
        delete_scans(con, where, values)
    else:
        con.execute(
            f"""DELETE FROM {table.name} WHERE rowid IN (
                    SELECT place FROM {placed(table)} WHERE {where})""",
            values,
        )


def names_vehicles(table: Table) -> str:
    """Name the table in which the vehicles of a plain table's rows stand."""
    return "scan_facts" if table is SCANS else table.name
