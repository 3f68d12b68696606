"""Bring a store's schema up to date: numbered SQL files, each applied once, in order.

A migration and the record that it was applied are one transaction, so a kill between two
leaves a store of a known version.  A released file is never edited.
"""

from importlib.resources import files
from typing import Final

from afterclear.errors import StoreError
from afterclear.store.engine.connection import Connection

_MIGRATIONS: Final = files("afterclear.store") / "migrations"


def known_migrations() -> list[str]:
    """Names of all migrations this program knows, in the order they apply."""
    return sorted(f.name for f in _MIGRATIONS.iterdir() if f.name.endswith(".sql"))


def applied_migrations(con: Connection) -> list[str]:
    """Names of the migrations a store has; never writes."""
    tables = con.execute("SELECT table_name FROM duckdb_tables()").fetchall()
    if ("migrations",) not in tables:
        return []
    return [name for (name,) in con.execute("SELECT name FROM migrations ORDER BY name").fetchall()]


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
    return [name for name in known if name not in applied]


def migrate(con: Connection) -> list[str]:
    """Apply what is pending; return the names applied."""
    pending = pending_migrations(con)
    for name in pending:
        con.execute("BEGIN")
        con.execute("CREATE TABLE IF NOT EXISTS migrations (name VARCHAR, applied_at TIMESTAMP)")
        con.script((_MIGRATIONS / name).read_text(encoding="utf-8"))
        con.execute("INSERT INTO migrations VALUES (?, timezone('UTC', now()))", [name])
        con.execute("COMMIT")
    return pending
