"""Delivered bytes that are no longer in the archive as they came, and why."""

from datetime import datetime
from typing import Final

from afterclear.store.engine.database import Connection, scalar

WHY_FORGOTTEN: Final = "a vehicle was erased on request"


def remember_change(con: Connection, sha256: str, kept: str | None, now: datetime) -> None:
    """Say which bytes are kept (None: none) in place of a file's; the caller's transaction."""
    con.execute("DELETE FROM archive_changes WHERE sha256 = ?", [sha256])
    con.execute(
        "INSERT INTO archive_changes VALUES (?, ?, ?, ?)",
        [sha256, kept, WHY_FORGOTTEN, now.replace(tzinfo=None)],
    )


def was_changed(con: Connection, sha256: str) -> bool:
    """Whether a file's bytes are not to be in the archive as they came."""
    return bool(scalar(con, "SELECT count(*) FROM archive_changes WHERE sha256 = ?", [sha256]))
