"""The store's rows into a lake."""

from pathlib import Path

from afterclear.commands.app import App
from afterclear.commands.lake.lake_lock import holding_lake
from afterclear.lake.filling import Filled, fill
from afterclear.store.engine.database import open_store


def fill_lake(app: App, lake: Path, n_buckets: int | None = None) -> Filled:
    """Bring a lake to what the store holds; a new one needs the number of its buckets.

    Raises:
        UsageError: the number of buckets is missing, or is not the lake's.
        StoreError: another process works on the lake, or there is no store.

    """
    # it names vehicles and people; who lets others work on it gives them the right
    lake.mkdir(mode=0o700, parents=True, exist_ok=True)
    with holding_lake(lake, "lake-fill"), open_store(app.store, read_only=True) as con:
        return fill(con, lake, n_buckets)
