"""How far each source is read: the state in which each of its files was last taken.

A file that has not changed since is not fetched or read again.  A refused one is tried again when
its reader (the program, an import map) has changed.
"""

from datetime import datetime

from afterclear.store.engine.database import Connection, query, transaction
from afterclear.store.queries.results import naive


def taken(con: Connection, source: str, reading: str) -> dict[str, str]:
    """Give name -> token of a source's files that ``reading`` need not read again."""
    rows = query(
        con,
        """SELECT name, token FROM cursors
           WHERE source = ? AND token <> '' AND (outcome <> 'refused' OR reading = ?)""",
        [source, reading],
    )
    return dict(rows.iter_rows())


def put_cursor(
    con: Connection, source: str, name: str, state: tuple[str, str, str], now: datetime
) -> None:
    """Record a file as taken; ``state``: its token, its outcome, and what read it."""
    token, outcome, reading = state
    with transaction(con):
        con.execute("DELETE FROM cursors WHERE source = ? AND name = ?", [source, name])
        con.execute(
            "INSERT INTO cursors VALUES (?, ?, ?, ?, ?, ?)",
            [source, name, token, outcome, reading, naive(now)],
        )
