"""Read archived files again, after a map was mended or a vehicle list came in."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from afterclear.errors import UsageError
from afterclear.load import load_again
from afterclear.records import LoadResult
from afterclear.runs.app import App
from afterclear.runs.loading import LoadReport
from afterclear.store.database import Connection, open_store, query
from afterclear.store.withdrawal import depending, mendable, past_loads


@dataclass(frozen=True, slots=True)
class ReplayReport:
    """What came of a replay: how many loads were asked for, how many went with them."""

    n_asked: int
    n_depending: int
    load: LoadReport


def replay(
    app: App,
    load_ids: Iterable[int],
    told: Callable[[LoadResult], None],
    *,
    everything: bool = False,
) -> ReplayReport:
    """Read loads again; without numbers, those that refused something.

    Loads whose rows built on them are read again too, in their order, so that a later
    correction stays the later one.

    Raises:
        UsageError: there is no such load, or it was replaced already.
        RefusedFileError: a file that was stored would now be refused; then nothing was changed.

    """
    with open_store(app.store) as con:
        past = {load.load_id: load for load in past_loads(con)}
        asked = set(load_ids)
        if unknown := sorted(asked - set(past)):
            raise UsageError(
                f"There is no load {', '.join(map(str, unknown))} to read again "
                "(replaced loads count no more). 'afterclear export loads' lists them."
            )
        gone = _gone(con)
        readable = {n for n, load in past.items() if load.sha256 not in gone}
        if everything:
            asked = readable
        elif not asked:
            asked = mendable(con) & readable
        chosen = [past[n] for n in sorted(depending(con, asked)) if n in past]
        if lost := sorted({load.load_id for load in chosen} - readable):
            raise UsageError(
                f"Load {lost[0]} would have to be read again, but its file is no longer in the "
                "archive as it came: a vehicle was erased from it, or it is older than is kept. "
                "Nothing was changed."
            )
        results = []
        for result in load_again(con, app.archive, chosen, app.clock, app.config.imports):
            results.append(result)
            told(result)
    return ReplayReport(len(asked), len(chosen) - len(asked), LoadReport(tuple(results)))


def _gone(con: Connection) -> set[str]:
    """Hashes of files that are no longer in the archive as they came."""
    return set(query(con, "SELECT sha256 FROM archive_changes")["sha256"])
