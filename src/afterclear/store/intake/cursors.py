"""How far each source is read: the state in which each of its files was last taken.

A file that has not changed since is not fetched or read again.  One that was refused is tried
again when what reads it (the program, an import map) has changed.
"""

from datetime import datetime

from afterclear.store.engine.database import Connection, query, transaction
from afterclear.store.queries.results import naive


def taken(con: Connection, source: str, reading: str) -> dict[str, str]:
    """Give name -> token of a source's files that need no second look by ``reading``."""
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
    """Remember a file as taken; ``state``: its token, what became of it, and by what reading."""
    token, outcome, reading = state
    with transaction(con):
        con.execute("DELETE FROM cursors WHERE source = ? AND name = ?", [source, name])
        con.execute(
            "INSERT INTO cursors VALUES (?, ?, ?, ?, ?, ?)",
            [source, name, token, outcome, reading, naive(now)],
        )
