"""Read archived files again: their loads are taken back, and made anew, as if for the first time.

What was read before is read in one transaction; what is still refused as a whole, and archives,
are tried one by one after it.  Those stand in ``replay_left`` until they are done, so that a
replay that was killed is gone on with, and the ledger is then that of an undisturbed one.
"""

import os
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC
from pathlib import Path

from afterclear.errors import DecodeError, RefusedFileError, UsageError
from afterclear.load import (
    Arrival,
    Case,
    Clock,
    Made,
    case_of,
    conclude,
    load_file,
    take_part,
)
from afterclear.plain import TABLES
from afterclear.readers.child.reading_process import Readers
from afterclear.readers.limits import USUAL, ReadingLimits
from afterclear.readers.maps.import_map import load_maps
from afterclear.readers.reader import MAP_PREFIX
from afterclear.readers.registry import all_readers
from afterclear.records import LoadResult, ReadFile
from afterclear.store.engine.archive import Snapshot, taken_out
from afterclear.store.engine.database import Connection, is_of_the_file, transaction
from afterclear.store.intake.ledger import known_load, next_load_id
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

# An archive or mail is not read again: each file in it is a load of its own.
CONTAINERS = {"zip", "tar", "gz", "mail"}


@dataclass(frozen=True, slots=True)
class Again:
    """Reads archived files anew.  ``request``: the replay as it was asked for, in words."""

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
        ConfigError: a map is wrong; every mistake of every map is told.

    """
    with Readers(all_readers(load_maps(imports), limits), limits) as readers:
        yield Again(con, archive, readers, clock, request)


@dataclass(frozen=True, slots=True)
class Change:
    """What else than reading again happens to loads, in the same transaction."""

    retracted: tuple[PastLoad, ...] = ()  # taken back, and not read again
    says: Mapping[int, str] = field(default_factory=dict)  # load -> how it is told anew


UNCHANGED = Change()


def load_again(
    again: Again, past: Sequence[PastLoad], change: Change = UNCHANGED
) -> Iterator[LoadResult]:
    """Read archived files again, replacing what their loads stored and refused.

    All are taken back and read anew in one transaction, in the order in which they first came;
    then those that are still refused as a whole, and archives, are tried each on its own.

    Raises:
        RefusedFileError: a file that was stored would now be refused; then nothing was changed.
        LaterReplaced: more loads must be read again with these; then nothing was changed.
        UsageError: a load told anew is what it was; then nothing was changed.

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
    """Try what a replay has left, one by one."""
    known = replay_left(again.con)
    for old in left:
        yield from _try_again(again, old, known.since if known else None)


def _read_together(
    again: Again, past: Sequence[PastLoad], left: Sequence[PastLoad], change: Change
) -> list[LoadResult]:
    """Take loads back and read their files anew, in one transaction."""
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
    """See that a file told to be another vehicle's does not name its vehicles itself.

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
    """A file that was refused as a whole still is; the transaction must be given up."""

    def __init__(self, load: PastLoad) -> None:
        self.load = load
        super().__init__(load)


def is_readable(again: Again, old: PastLoad) -> bool:
    """Tell whether a file that was refused as a whole can now be read, and is no archive."""
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
            read = reader.read(case.delivery)
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
    """Load a file that was refused; its old line is replaced by whatever comes of it now."""
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
