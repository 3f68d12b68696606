"""Read archived files again: their loads are withdrawn and repeated, as if for the first time.

Files read before are read in one transaction; files still refused as a whole, and archives, are
tried one by one after it. Those are listed in ``replay_left`` until they are done, so that a killed
replay continues and leaves the ledger of an undisturbed one.
"""

import os
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC
from pathlib import Path

from afterclear.errors import DecodeError, RefusedFileError, UsageError
from afterclear.load import Arrival, case_of, load_file
from afterclear.plain import TABLES
from afterclear.readers.child.reading_process import Readers
from afterclear.readers.limits import USUAL, ReadingLimits
from afterclear.readers.maps.import_map import load_maps
from afterclear.readers.reader import MAP_PREFIX
from afterclear.readers.registry import all_readers
from afterclear.records import LoadResult, ReadFile
from afterclear.store.engine.archive import Snapshot, taken_out
from afterclear.store.engine.database import Connection, transaction
from afterclear.store.engine.failures import is_of_the_file
from afterclear.store.intake.ledger import known_load, next_load_id
from afterclear.store.intake.returned import settle_returned
from afterclear.store.intake.withdrawal import (
    PastLoad,
    check_order,
    keep_left,
    mark_replaced,
    mark_retracted,
    mark_tried,
    replay_left,
    vehicles_of,
    withdraw,
)
from afterclear.take_in import Case, Clock, Made, conclude, take_part

# An archive or mail is not read again: each file in it is a load of its own.
CONTAINERS = {"zip", "tar", "gz", "mail"}


@dataclass(frozen=True, slots=True)
class Again:
    """Reads archived files again.  ``request``: the replay as it was asked for, in words."""

    con: Connection
    archive: Path
    readers: Readers
    clock: Clock
    request: str = ""


@contextmanager
def reading_again(
    con: Connection,
    archive: Path,
    clock: Clock,
    imports: Path | None,
    limits: ReadingLimits = USUAL,
    request: str = "",
) -> Iterator[Again]:
    """Make ready to read again, with the maps as they are now.

    Raises:
        ConfigError: a map is wrong; every mistake of every map is listed.

    """
    with Readers(all_readers(load_maps(imports), limits), limits) as readers:
        yield Again(con, archive, readers, clock, request)


@dataclass(frozen=True, slots=True)
class Change:
    """What happens to loads besides reading again, in the same transaction."""

    retracted: tuple[PastLoad, ...] = ()  # withdrawn, and not read again
    says: Mapping[int, str] = field(default_factory=dict)  # load -> its new vehicle or zone


UNCHANGED = Change()


def load_again(
    again: Again, past: Sequence[PastLoad], change: Change = UNCHANGED
) -> Iterator[LoadResult]:
    """Read archived files again, replacing what their loads stored and refused.

    All are withdrawn and read again in one transaction, in the order in which they first came; then
    those that are still refused as a whole, and archives, are tried each on its own.

    Raises:
        RefusedFileError: a file that was stored would now be refused; then nothing was changed.
        LaterReplaced: more loads must be read again with these; then nothing was changed.
        UsageError: a load would be the same as before; then nothing was changed.

    """
    past = [p for p in past if p.reader not in CONTAINERS]
    first = {p.sha256: p for p in reversed(past)}  # refused twice, the same bytes are read once
    together = [p for p in first.values() if p.outcome == "stored" or is_readable(again, p)]
    together.sort(key=lambda p: p.arrived)
    while True:
        left = [p for p in past if p not in together]
        try:
            results = _read_together(again, together, left, change)
        except _StillRefusedError as refused:
            together.remove(refused.load)
        else:
            break
    yield from results
    yield from finish(again, left)


def finish(again: Again, left: Sequence[PastLoad]) -> Iterator[LoadResult]:
    """Try the rest of a replay, one by one."""
    known = replay_left(again.con)
    for old in left:
        yield from _try_again(again, old, known.since if known else None)


def _read_together(
    again: Again, past: Sequence[PastLoad], left: Sequence[PastLoad], change: Change
) -> list[LoadResult]:
    """Withdraw loads and read their files again, in one transaction."""
    con, results = again.con, []
    with transaction(con):
        were = {n: vehicles_of(con, n) for n in change.says}
        withdraw(con, [p.load_id for p in (*past, *change.retracted)], next_load_id(con))
        for old in change.retracted:
            mark_retracted(con, old.load_id, again.clock())
        made = {p: Made(n, []) for n, p in enumerate(past, next_load_id(con))}
        # every vehicle list first: the rows of all files may need it
        for old in past:
            if "vehicles" in old.tables or old.reader.startswith(MAP_PREFIX) or not old.reader:
                _read(again, old, made[old], {"vehicles"})
        for old in past:
            read, case = _read(again, old, made[old], set(TABLES) - made[old].tables)
            made[old].rejections += read.rejections
            if old.load_id in change.says:
                made[old].notes.append(change.says[old.load_id])
            results.append(conclude(con, read, made[old], case))
            mark_replaced(con, old.load_id, made[old].load_id)
        for old in past:
            if old.load_id in were:
                _check_other_vehicle(con, old, made[old].load_id, were[old.load_id])
        check_order(con, [m.load_id for m in made.values()])
        keep_left(con, [p.load_id for p in left], again.request)
    return results


def _check_other_vehicle(con: Connection, old: PastLoad, new: int, were: set[str]) -> None:
    """Check that a file assigned to another vehicle does not name its vehicles itself.

    Raises:
        UsageError: it does; nothing is to be changed.

    """
    named_vehicle = old.origin.vehicle_id
    if named_vehicle is not None and were and named_vehicle not in vehicles_of(con, new):
        raise UsageError(
            f"Nothing was changed: {old.file_name} (load {old.load_id}) names its vehicles itself, "
            f"so it cannot be put under {named_vehicle}. "
            f"'afterclear retract {old.load_id}' takes it back; then load a mended file."
        )


class _StillRefusedError(Exception):
    """A file that was refused as a whole still is; the transaction must be rolled back."""

    def __init__(self, load: PastLoad) -> None:
        self.load = load
        super().__init__(load)


def is_readable(again: Again, old: PastLoad) -> bool:
    """Whether a file that was refused as a whole can now be read, and is no archive."""
    with taken_out(again.archive, old.sha256, old.file_name) as snapshot:
        arrival = _arrival(old, snapshot)
        case = case_of(arrival, snapshot, again.clock(), again.clock)
        try:
            if again.readers.container_kind(snapshot.path, old.file_name) is not None:
                return False
            again.readers.identify(case.delivery).read(case.delivery)
        except Exception as error:
            if not is_of_the_file(error):
                raise
            return False
        return True


def _read(
    again: Again, old: PastLoad, made: Made, tables: Collection[str]
) -> tuple[ReadFile, Case]:
    """Read a file and take in its parts of these tables."""
    with taken_out(again.archive, old.sha256, old.file_name) as snapshot:
        arrival = _arrival(old, snapshot)
        case = case_of(arrival, snapshot, again.clock(), again.clock)
        try:
            reader = again.readers.identify(case.delivery)
            read = settle_returned(again.con, reader.read(case.delivery))
            for part in read.parts:
                if part.table in tables:
                    take_part(again.con, part, made, case, short=False)
        except Exception as error:
            if not is_of_the_file(error):
                raise
            if old.outcome == "refused":
                raise _StillRefusedError(old) from error
            if not isinstance(error, RefusedFileError | DecodeError):
                raise
            raise RefusedFileError(
                f"Nothing was changed: load {old.load_id}, which was stored, would now be "
                f"refused: {error}"
            ) from error
        return read, replace(case, load=replace(case.load, reader=reader.name))


def _try_again(again: Again, old: PastLoad, since: int | None) -> Iterator[LoadResult]:
    """Load a file that was refused; the new result replaces its old line."""
    con = again.con
    with taken_out(again.archive, old.sha256, old.file_name) as snapshot:
        arrival = replace(_arrival(old, snapshot), since=since)
        loads = load_file(con, again.archive, arrival, again.readers, again.clock)
        for load in loads:
            new = load.load_id or known_load(con, old.sha256, since)
            if load.sha256 == old.sha256 and new is not None:
                with transaction(con):
                    mark_replaced(con, old.load_id, new)
                    mark_tried(con, old.load_id)
            yield load


def _arrival(old: PastLoad, snapshot: Snapshot) -> Arrival:
    origin = old.origin
    if origin.changed_at is not None:  # a log with a clock of its own is dated by its file
        os.utime(snapshot.path, (origin.changed_at, origin.changed_at))
    begun = origin.started_at.replace(tzinfo=UTC) if origin.started_at else None
    return Arrival(
        old.source,
        snapshot.path,
        old.file_name,
        origin.zone,
        origin.vehicle_id,
        begun,
        by_hand=True,
    )
