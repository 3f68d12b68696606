"""A store as an older program left it: of a schema that was there once, with or without rows."""

from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Final

from afterclear.store.engine.connection import Connection
from afterclear.store.engine.migrations import known_migrations

_FOLDER: Final = files("afterclear.store") / "migrations"


def schema_made(con: Connection, last: str) -> Iterator[str]:
    """Apply each migration up to the last, as the program of its time did; name it afterwards."""
    con.execute("CREATE TABLE migrations (name VARCHAR, applied_at TIMESTAMP)")
    for name in known_migrations():
        if name <= last:
            con.script((_FOLDER / name).read_text(encoding="utf-8"))
            con.execute("INSERT INTO migrations VALUES (?, timezone('UTC', now()))", [name])
            yield name


def put_back(store: Path, schema: str) -> None:
    """Put a store back to an older schema: every row goes along, without columns made since.

    A table that lacks one of its old columns now stays empty: an analysis makes its rows.
    """
    made = store.with_name("older.duckdb")
    con = Connection({"older": made, "store": store})
    for _ in schema_made(con, schema):
        pass
    now = _columns(con, "store", views=True)
    for table, columns in _columns(con, "older").items():
        there = {name: kind for name, (kind, _) in now.get(table, {}).items()}
        kept = [name for name, (kind, _) in columns.items() if there.get(name) == kind]
        required = {name for name, (_, is_required) in columns.items() if is_required}
        if table != "migrations" and kept and required <= set(kept):
            names = ", ".join(kept)
            con.execute(f"INSERT INTO {table} ({names}) SELECT {names} FROM store.{table}")
    # rules of other programs judged its rows
    con.execute("UPDATE analyses SET version = '0.0.1'")
    con.close()
    made.replace(store)


def _columns(
    con: Connection, store: str, *, views: bool = False
) -> dict[str, dict[str, tuple[str, bool]]]:
    """Name each table's columns, with their type and whether they may not be empty.

    ``views``: those of views too, since what was a table may be a view now.
    """
    found: dict[str, dict[str, tuple[str, bool]]] = {}
    tables = "SELECT table_name FROM duckdb_tables() WHERE database_name = $1"
    for table, column, *kind in con.execute(
        f"""SELECT table_name, column_name, data_type, NOT is_nullable FROM duckdb_columns()
           WHERE database_name = $1 AND schema_name = 'main'
               AND ($2 OR table_name IN ({tables}))""",
        [store, views],
    ).fetchall():
        found.setdefault(table, {})[column] = (kind[0], kind[1])
    return found
