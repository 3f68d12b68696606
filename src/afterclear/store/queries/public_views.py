"""Views of the store that others may build on: one for each export, with its columns explained.

The schema's name carries its version.  A column listed here keeps its name and meaning; a change
gets a new name, and the old column stays for one more minor version.  Any program that opens a
DuckDB file can read them, also from the snapshot beside the store while the tool is at work. They
hold no English sentences: those are made when a table is exported.
"""

import hashlib
import json
from typing import TYPE_CHECKING, Any, Final

import duckdb

from afterclear.errors import StoreError, UsageError
from afterclear.export_columns import Holds, holds
from afterclear.store.engine.connection import Connection, literal, quoted
from afterclear.store.engine.database import frame_of, transaction
from afterclear.store.queries.exports import EXPORTS

if TYPE_CHECKING:
    import polars as pl

SCHEMA: Final = "tables_v1"
# VINs are doubted by a function of the program, which no other program has.
_LEFT_OUT: Final = {"identity_conflicts"}
VIEWS: Final = tuple(name for name in EXPORTS if name not in _LEFT_OUT)
_SINCE: Final = "made_by"  # a view of the inputs of the others
# Statements that only read; files, settings and extensions are out of a connection's reach anyway.
_READING: Final = {duckdb.StatementType.SELECT, duckdb.StatementType.EXPLAIN}


def make_views(con: Connection) -> None:
    """Make the views that are missing or differ from this version's."""
    fingerprint = _fingerprint()
    if _made_from(con) == fingerprint:
        return
    with transaction(con):
        con.execute(f"DROP SCHEMA IF EXISTS {SCHEMA} CASCADE")
        con.execute(f"CREATE SCHEMA {SCHEMA}")
        for name in VIEWS:
            _make(con, name, holds(name))
        con.execute(f"CREATE VIEW {SCHEMA}.{_SINCE} AS SELECT '{fingerprint}' AS fingerprint")


def answer(con: Connection, sql: str, most: int | None = None) -> "pl.DataFrame":
    """Give the rows of one reading statement, in which tables are named as exports are.

    ``most``: no more than the first so many.

    Raises:
        StoreError: the store has no such views yet.
        UsageError: it is not one statement that reads, or the database does not understand it.

    """
    if _made_from(con) != _fingerprint():
        raise StoreError("The store's views are not of this version. Run 'afterclear analyse'.")
    con.execute(f"USE store.{SCHEMA}")
    try:
        kind = con.kind(sql)
    except ValueError as error:
        raise UsageError("One statement at a time; nothing was run.") from error
    except duckdb.Error as error:
        raise UsageError(str(error)) from error
    if kind not in _READING:
        raise UsageError(f"Only a statement that reads is run here, not {kind.name}.")
    try:
        found = con.relation(sql)
        _check_columns(found)
        return frame_of(found if most is None else found.limit(most))
    except duckdb.Error as error:
        raise UsageError(str(error)) from error


def _check_columns(found: duckdb.DuckDBPyRelation) -> None:
    """Refuse what no frame can hold: two columns of one name, and spans of time.

    Raises:
        UsageError: with what to write instead.

    """
    names = found.columns
    if twice := sorted({name for name in names if names.count(name) > 1}):
        raise UsageError(f"Two columns are called {twice[0]!r}: name one of them with AS.")
    for name, kind in zip(names, found.types, strict=True):
        if "INTERVAL" in str(kind):
            raise UsageError(
                f"{name!r} holds spans of time: ask for date_diff('day', first, last), or for "
                f'CAST("{name}" AS VARCHAR).'
            )


def _made_from(con: Connection) -> str | None:
    found = con.execute(
        "SELECT count(*) FROM duckdb_views() WHERE schema_name = ? AND view_name = ?",
        [SCHEMA, _SINCE],
    ).fetchall()
    if not found[0][0]:
        return None
    return str(con.execute(f"SELECT fingerprint FROM {SCHEMA}.{_SINCE}").fetchall()[0][0])


def _fingerprint() -> str:
    declared = [
        (name, EXPORTS[name], holds(name).about, dict(holds(name).columns)) for name in VIEWS
    ]
    return hashlib.sha256(json.dumps(declared).encode()).hexdigest()


def _make(con: Connection, name: str, what: Holds) -> None:
    view = f"{SCHEMA}.{quoted(name)}"
    con.execute(f"CREATE VIEW {view} AS {_from_main(con, EXPORTS[name])}")
    found = con.execute(f"DESCRIBE {view}").fetchall()
    comments = [f"COMMENT ON VIEW {view} IS {literal(what.about)}"] + [
        f"COMMENT ON COLUMN {view}.{quoted(column)} IS {literal(what.columns[column])}"
        for column, *_ in found
        if column in what.columns
    ]
    con.script(";\n".join(comments))


def _from_main(con: Connection, sql: str) -> str:
    """Name the schema of each table a query reads: a view would first look among its neighbours.

    The database's own parser takes the query apart and puts it together again.
    """
    tree = json.loads(con.execute("SELECT json_serialize_sql(?)", [sql]).fetchall()[0][0])
    parts = [node["cte_map"]["map"] for node in _nodes(tree) if "cte_map" in node]
    own = {entry["key"] for part in parts for entry in part}
    for node in _nodes(tree):
        if node.get("type") == "BASE_TABLE" and node["table_name"] not in own:
            node["alias"] = node["alias"] or node["table_name"]
            node["qualified_name"] = {"path": ["main", node["table_name"]]}
    made = con.execute("SELECT json_deserialize_sql(?)", [json.dumps(tree)]).fetchall()
    return str(made[0][0])


def _nodes(tree: Any) -> list[dict[str, Any]]:  # noqa: ANN401 - a parse tree of any shape
    if isinstance(tree, list):
        return [node for each in tree for node in _nodes(each)]
    if not isinstance(tree, dict):
        return []
    return [tree, *(node for each in tree.values() for node in _nodes(each))]
