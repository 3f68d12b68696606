"""A store that lives in memory and ends with its block: for a share of a fleet's vehicles."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from afterclear.store.engine.connection import Connection
from afterclear.store.engine.database import settings_at
from afterclear.store.engine.migrations import migrate


@contextmanager
def passing_store() -> Iterator[Connection]:
    """Give an empty store of the present schema; what memory cannot hold goes to a folder aside."""
    with TemporaryDirectory(prefix="afterclear-") as folder:
        place = Path(folder) / "passing"
        con = Connection({"store": place}, in_memory=True)
        try:
            con.lock(settings_at(place))
            migrate(con)
            yield con
        finally:
            con.close()
