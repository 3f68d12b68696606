"""Bring a store's schema up to date: numbered SQL files, each applied once, in order.

A migration and the record that it was applied are one transaction, so a kill between two
leaves a store of a known version.  A released file is never edited.

Tables of findings have no migrations: every analysis fills them again, so one that differs from its
declaration (``finding_tables``) is created again, empty, and an analysis is requested.  A store
remembers the files that declare them, so that whoever only reads it need not load them.
"""

import hashlib
from importlib.resources import files
from typing import Final

import duckdb

from afterclear.errors import StoreError
from afterclear.store.engine.connection import Connection

_MIGRATIONS: Final = files("afterclear.store") / "migrations"
_DECLARED: Final = files("afterclear.finding_tables")
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
    if not pending and (has_these_declarations(con) or not _not_as_declared(con)):
        return []
    return [*pending, _FINDINGS]


def has_these_declarations(con: Connection) -> bool:
    """Whether the tables of findings were last held against these very declarations."""
    try:
        found = con.execute("FROM findings_declared").fetchall()
    except duckdb.CatalogException:
        return False
    return found == [(_mark(),)]


def note_declarations(con: Connection) -> None:
    """Remember that the tables of findings are as they are declared."""
    con.execute(f"CREATE OR REPLACE VIEW findings_declared AS SELECT '{_mark()}' AS mark")


def _mark() -> str:
    """Sum up the files that declare findings."""
    digest = hashlib.sha256()
    for file in sorted(_DECLARED.iterdir(), key=lambda each: each.name):
        if file.name.endswith(".py"):
            digest.update(file.read_bytes())
    return digest.hexdigest()


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
    from afterclear.finding_tables.declaration import columns_of, sql_type  # noqa: PLC0415
    from afterclear.finding_tables.registry import STORED  # noqa: PLC0415 - slow to load

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
    from afterclear.finding_tables.declaration import table_sql  # noqa: PLC0415
    from afterclear.finding_tables.registry import STORED  # noqa: PLC0415

    con.execute("BEGIN")
    for table in tables:
        con.execute(f"DROP TABLE IF EXISTS {table}")
        con.execute(table_sql(STORED[table]))
    if con.execute("SELECT count(*) FROM analyses").fetchall()[0][0]:
        con.execute("DELETE FROM unfinished")
        con.execute("INSERT INTO unfinished VALUES ('analysis', timezone('UTC', now()))")
    note_declarations(con)
    con.execute("COMMIT")
