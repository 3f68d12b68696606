"""What the keeper of the timetable needs of the store: its lock, and what was attended to."""

from contextlib import AbstractContextManager
from datetime import datetime

from afterclear.runs.app import App
from afterclear.store.database import open_store
from afterclear.store.journal import last_due
from afterclear.store.locking import holding, schedule_lock


def hold_timetable(app: App) -> AbstractContextManager[None]:
    """Be the only one that keeps this store's timetable.

    Raises:
        StoreError: another process does; says which.

    """
    return holding(schedule_lock(app.store), "schedule", wait_s=0)


def times_attended(app: App, *, read_only: bool = False) -> dict[str, datetime]:
    """Give each job's latest due time that was attended to; none for a new store."""
    if not app.store.exists():
        return {}
    # writing, unless told otherwise: a store of an older version is migrated
    with open_store(app.store, read_only=read_only) as con:
        return last_due(con)
