"""Read archived files again, after a map was mended or a vehicle list came in."""

from collections.abc import Callable, Collection, Container, Iterable, Mapping
from dataclasses import dataclass

from afterclear.commands.app import App
from afterclear.commands.intake.loading import LoadReport
from afterclear.errors import UsageError, worded
from afterclear.read_again import UNCHANGED, Again, Change, finish, load_again, reading_again
from afterclear.records import LoadResult
from afterclear.store.engine.database import Connection, open_store, query
from afterclear.store.intake.withdrawal import (
    LaterReplaced,
    Left,
    PastLoad,
    depending,
    mendable,
    past_loads,
    replay_left,
)


@dataclass(frozen=True, slots=True)
class ReplayReport:
    """The result of a replay: how many loads were asked for, how many had to go with them."""

    n_asked: int
    n_depending: int
    load: LoadReport


def replay(
    app: App,
    load_ids: Iterable[int],
    on_load: Callable[[LoadResult], None],
    *,
    everything: bool = False,
) -> ReplayReport:
    """Read loads again; without numbers, those that refused something.

    Loads whose rows built on them, and later ones whose rows they would replace, are read again
    too, in the order in which they first came, so that a later correction stays the later one.

    The rest of a killed replay is done first; the same request again continues it.

    Raises:
        UsageError: there is no such load, or it was replaced already.
        RefusedFileError: a file that was stored would now be refused; then nothing was changed.

    """
    asked = set(load_ids)
    request = "all" if everything else " ".join(map(str, sorted(asked)))
    how = (app.clock, app.config.imports, app.reading_limits, request)
    with (
        open_store(app.store, takes=app.takes) as con,
        reading_again(con, app.archive, *how) as again,
    ):
        left = replay_left(con)
        done = gone_on(again, left, on_load) if left else []
        if left and left.request == request:
            return ReplayReport(len(left.load_ids), 0, LoadReport(tuple(done)))
        past = {load.load_id: load for load in past_loads(con)}
        check_known(asked, past)
        readable = readable_loads(con, past)
        if everything:
            asked = readable
        elif not asked:
            asked = mendable(con) & readable
        chosen, results = read_anew(again, past, asked, on_load, readable=readable)
    report = LoadReport((*done, *results))
    return ReplayReport(len(asked), len(chosen) - len(asked), report)


def read_anew(
    again: Again,
    past: Mapping[int, PastLoad],
    asked: Collection[int],
    on_load: Callable[[LoadResult], None],
    *,
    readable: Container[int],
    change: Change = UNCHANGED,
) -> tuple[list[PastLoad], list[LoadResult]]:
    """Read loads again with all that must be read with them; give those loads and the results.

    Raises:
        UsageError: one is no longer in the archive; then nothing was changed.
        RefusedFileError: a file that was stored would now be refused; then nothing was changed.

    """
    retracted = {load.load_id for load in change.retracted}
    needed = {*asked, *retracted}
    while True:
        with_them = depending(again.con, needed)
        chosen = [past[n] for n in sorted(with_them - retracted) if n in past]
        _check_archived(chosen, readable)
        results = []
        try:
            for result in load_again(again, chosen, change):
                results.append(result)
                on_load(result)
        except LaterReplaced as signal:
            needed |= signal.load_ids
        else:
            return chosen, results


def gone_on(again: Again, left: Left, on_load: Callable[[LoadResult], None]) -> list[LoadResult]:
    """Finish a replay that was killed."""
    past = [load for load in past_loads(again.con) if load.load_id in left.load_ids]
    results = []
    for result in finish(again, past):
        results.append(result)
        on_load(result)
    return results


def _check_archived(chosen: Iterable[PastLoad], readable: Container[int]) -> None:
    """Refuse to read again what the archive no longer has."""
    lost = [load.load_id for load in chosen if load.load_id not in readable]
    if lost:
        raise UsageError(
            worded(
                "Load {load_id} would have to be read again, but its file is no longer in "
                "the archive as it came: a vehicle was erased from it, or it is older than "
                "is kept. Nothing was changed.",
                load_id=min(lost),
            )
        )


def check_known(asked: Collection[int], past: Mapping[int, PastLoad]) -> None:
    """Check that loads count.

    Raises:
        UsageError: there is no such load, or it was replaced or retracted already.

    """
    if unknown := sorted(set(asked) - set(past)):
        raise UsageError(
            worded(
                "There is no load {names} any more or yet (replaced and retracted ones "
                "count no more). 'afterclear export loads' lists them.",
                names=", ".join(map(str, unknown)),
            )
        )


def readable_loads(con: Connection, past: Mapping[int, PastLoad]) -> set[int]:
    """Name the loads whose files are still in the archive as they came."""
    gone = set(query(con, "SELECT sha256 FROM archive_changes")["sha256"])
    return {n for n, load in past.items() if load.sha256 not in gone}
