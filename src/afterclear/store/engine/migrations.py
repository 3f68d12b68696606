"""Bring a store's schema up to date: numbered SQL files, each applied once, in order.

A migration and the record that it was applied are one transaction, so a kill between two
leaves a store of a known version.  A released file is never edited.

Tables of findings have no migrations: every analysis fills them again, so one that differs from its
declaration (``finding_tables``) is created again, empty, and an analysis is requested.
"""

from importlib.resources import files
from typing import Final

import duckdb

from afterclear.errors import StoreError
from afterclear.finding_tables.declaration import columns_of, sql_type, table_sql
from afterclear.finding_tables.registry import STORED
from afterclear.store.engine.connection import Connection

_MIGRATIONS: Final = files("afterclear.store") / "migrations"
_FINDINGS: Final = "findings"  # represents the declared tables among the pending


def known_migrations() -> list[str]:
    """Names of all migrations this program knows, in the order they apply."""
    return sorted(f.name for f in _MIGRATIONS.iterdir() if f.name.endswith(".sql"))


def applied_migrations(con: Connection) -> list[str]:
    """Names of the migrations a store has; never writes."""
    try:  # to list all tables takes ten times longer
        found = con.execute("SELECT name FROM migrations ORDER BY name")
    except duckdb.CatalogException:
        return []
    return [name for (name,) in found.fetchall()]


def pending_migrations(con: Connection) -> list[str]:
    """Names of the migrations a store still lacks.

    Raises:
        StoreError: the store has one this program does not know, so it is newer.

    """
    known, applied = known_migrations(), applied_migrations(con)
    unknown = sorted(set(applied) - set(known))
    if unknown:
        raise StoreError(
            f"The store was written by a newer afterclear (it has {unknown[0]}). "
            "Update the program, or restore a backup made before."
        )
    pending = [name for name in known if name not in applied]
    return [*pending, _FINDINGS] if pending or _not_as_declared(con) else []


def migrate(con: Connection) -> list[str]:
    """Apply what is pending; return the names applied."""
    pending = pending_migrations(con)
    for name in pending:
        if name == _FINDINGS:
            _make_anew(con, _not_as_declared(con))
            continue
        con.execute("BEGIN")
        con.execute("CREATE TABLE IF NOT EXISTS migrations (name VARCHAR, applied_at TIMESTAMP)")
        con.script((_MIGRATIONS / name).read_text(encoding="utf-8"))
        con.execute("INSERT INTO migrations VALUES (?, timezone('UTC', now()))", [name])
        con.execute("COMMIT")
    return pending


def _not_as_declared(con: Connection) -> list[str]:
    """Name the tables of findings that lack a column, or have one that is not declared."""
    found: dict[str, list[tuple[str, str, bool]]] = {}
    for table, *column in con.execute(
        "SELECT table_name, column_name, data_type, NOT is_nullable FROM duckdb_columns() "
        "WHERE NOT internal AND schema_name = 'main' ORDER BY table_name, column_index"
    ).fetchall():
        found.setdefault(table, []).append((column[0], column[1], column[2]))
    return [
        table
        for table, finding in STORED.items()
        if found.get(table) != [(c.name, sql_type(c), c.required) for c in columns_of(finding.row)]
    ]


def _make_anew(con: Connection, tables: list[str]) -> None:
    """Create tables of findings as declared; the next analysis fills them."""
    con.execute("BEGIN")
    for table in tables:
        con.execute(f"DROP TABLE IF EXISTS {table}")
        con.execute(table_sql(STORED[table]))
    if con.execute("SELECT count(*) FROM analyses").fetchall()[0][0]:
        con.execute("DELETE FROM unfinished")
        con.execute("INSERT INTO unfinished VALUES ('analysis', timezone('UTC', now()))")
    con.execute("COMMIT")
