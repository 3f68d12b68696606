"""What the scheduler and the desk hold beside the store, and the due times handled."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Final

from afterclear.commands.app import App
from afterclear.errors import StoreInUseError, UsageError
from afterclear.store.engine.database import open_store
from afterclear.store.engine.locking import desk_lock, holding, patient, schedule_lock, users_lock
from afterclear.store.engine.stop_signal import stop_explained
from afterclear.store.queries.journal import last_due

# How long a job waits for another that holds the store, such as a vacuum started by hand.
PATIENCE_S: Final = 6 * 3600.0


@contextmanager
def hold_timetable(app: App) -> Iterator[None]:
    """Be this store's only scheduler, and wait patiently for others that use it.

    Raises:
        StoreError: another process does; says which.

    """
    with (
        holding(schedule_lock(app.store), "schedule", wait_s=0),
        patient(PATIENCE_S),
        stop_explained(),
    ):
        yield


@contextmanager
def hold_desk(app: App) -> Iterator[Path]:
    """Be this store's only desk; give the folder for what is brought to it.

    Raises:
        UsageError: a desk of this garage is open already.

    """
    try:
        with holding(desk_lock(app.store), "desk", wait_s=0):
            yield Path(f"{app.store}.desk")
    except StoreInUseError as error:
        raise UsageError(
            "A desk of this garage is open already. Use its window, or end it first."
        ) from error


def users_file(app: App) -> Path:
    """Give the file of the desk's users, beside the store."""
    return Path(f"{app.store}.users")


@contextmanager
def hold_users(app: App) -> Iterator[Path]:
    """Be the only one who changes the desk's users; give their file.

    Raises:
        StoreInUseError: somebody else is at it; says who.

    """
    with holding(users_lock(app.store), "desk user"):
        yield users_file(app)


def times_attended(app: App, *, read_only: bool = False) -> dict[str, datetime]:
    """Give each job's latest due time that was handled; none for a new store."""
    if not app.store.exists():
        return {}
    # opened for writing by default: a store of an older version is migrated
    with open_store(app.store, read_only=read_only) as con:
        return last_due(con)
