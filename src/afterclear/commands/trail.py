"""Who did what at the desk: noted at once in a file beside the store, then taken into the store.

A line is on the disk before the person gets an answer, even while a load holds the store or before
there is one.  An entry has a number of its own, so that a kill doubles none.
"""

import json
import os
import secrets
import threading
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Final

from afterclear.commands.app import App
from afterclear.errors import StoreError
from afterclear.store.engine.database import Connection, open_store
from afterclear.store.engine.locking import holding, patient, trail_lock
from afterclear.store.upkeep.trail import Entry, add_entries, last_entries

_LONGEST: Final = 500  # letters about one deed
_turn: Final = threading.Lock()  # the lock file keeps other processes out


def note(
    app: App, who: str, role: str, did: str, about: str = "", vehicles: Iterable[str] = ()
) -> None:
    """Note what a person did.

    Raises:
        OSError: it cannot be written.

    """
    entry = Entry(
        secrets.token_hex(8), app.clock(), who, role, did, about[:_LONGEST], tuple(vehicles)
    )
    line = json.dumps(asdict(entry), default=datetime.isoformat)
    with _turn, holding(trail_lock(app.store), "desk"):
        target = os.open(_file(app), os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        with os.fdopen(target, "a", encoding="utf-8") as file:
            # one that a full disk or a kill cut off before it does not swallow this one
            file.write(f"\n{line}\n")
            file.flush()
            os.fsync(file.fileno())


def trail(app: App, n: int) -> list[Entry]:
    """List what was done last, newest first; also what is noted and not in the store yet."""
    with _turn, holding(trail_lock(app.store), "desk"):
        noted = _noted(app)
        kept = []
        if app.store.exists():
            with open_store(app.store, read_only=True) as con:
                kept = last_entries(con, n)
    known = {entry.entry_id for entry in kept}
    new = [entry for entry in noted if entry.entry_id not in known]
    return sorted([*new, *kept], key=lambda entry: entry.done_at, reverse=True)[:n]


def take_in(app: App, con: Connection) -> None:
    """Take into the store what is noted; the caller holds the store."""
    if not _file(app).exists():
        return  # no lock file is left beside a store that has no desk
    with _turn, holding(trail_lock(app.store), "desk"):
        if noted := _noted(app):
            add_entries(con, noted)
            _file(app).unlink(missing_ok=True)


def take_in_if_free(app: App) -> None:
    """Take it in, unless there is no store or another process holds it."""
    if app.store.exists() and _file(app).exists():
        with suppress(StoreError), patient(0), open_store(app.store) as con:
            take_in(app, con)


def _file(app: App) -> Path:
    return Path(f"{app.store}.trail")


def _noted(app: App) -> list[Entry]:
    """Read what is noted; a line that was cut off is none."""
    try:
        lines = _file(app).read_text(encoding="utf-8", errors="replace").splitlines()
    except FileNotFoundError:
        return []
    found = []
    for line in lines:
        with suppress(ValueError, KeyError, TypeError):
            row = json.loads(line)
            row |= {
                "done_at": datetime.fromisoformat(row["done_at"]),
                "vehicles": tuple(row["vehicles"]),
            }
            found.append(Entry(**row))
    return found
