"""How far each source is read: the state in which each of its files was last taken.

A file that has not changed since is not fetched or read again.  A refused one is tried again when
its reader (the program, an import map) has changed.  A source may go on listing files whose names
name a forgotten vehicle: they are remembered by a hash.
"""

import re
from datetime import datetime
from typing import Final

from afterclear.catalogue.names_in_text import ERASED
from afterclear.store.engine.database import Connection, query, transaction
from afterclear.store.intake.forgotten_names import keyed_hash, the_door
from afterclear.store.queries.results import naive

_WORD: Final = re.compile(r"[^\W_]+")


class Cursors:
    """The memory of one source; ``reading``: what reads its files now."""

    def __init__(self, con: Connection, source: str, reading: str) -> None:
        self._con, self._source, self._reading = con, source, reading
        self._door = the_door(con)
        self._taken = dict(
            query(
                con,
                """SELECT name, token FROM cursors
                   WHERE source = ? AND token <> '' AND (outcome <> 'refused' OR reading = ?)""",
                [source, reading],
            ).iter_rows()
        )

    def token(self, name: str) -> str | None:
        """Give the state in which a file was taken; None: it is to be read."""
        return self._taken.get(self._remembered(name))

    def put(self, name: str, token: str, outcome: str, now: datetime) -> None:
        """Record a file as taken."""
        place, con = [self._source, self._remembered(name)], self._con
        with transaction(con):
            con.execute("DELETE FROM cursors WHERE source = ? AND name = ?", place)
            con.execute(
                "INSERT INTO cursors VALUES (?, ?, ?, ?, ?, ?)",
                [*place, token, outcome, self._reading, naive(now)],
            )

    def _remembered(self, name: str) -> str:
        if self._door is None or self._door.refused(_WORD.findall(name), [name]) is None:
            return name
        return f"{ERASED} {keyed_hash(self._door.key, 'file', name)}"
