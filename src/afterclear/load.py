"""One load: a delivered file into the archive, through its reader, into the store.

The only place where sources, readers, catalogue and store meet.  A load is one transaction and ends
with its ledger row, so a kill at any moment leaves the store as before or after. An archive or a
mail is a line of its own in the ledger, written when all files in it are done.
"""

import logging
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from afterclear.catalogue.names_in_text import ERASED, Called
from afterclear.cut_out import admitted, names_at_the_door, names_of_packed
from afterclear.errors import (
    DecodeError,
    FaultError,
    RefusedFileError,
    UnreachableError,
    Worded,
    told_by,
    trace_of,
    worded,
)
from afterclear.readers.child.reading_process import Readers
from afterclear.readers.containers import Unpacked, check_nesting
from afterclear.readers.limits import USUAL, ReadingLimits
from afterclear.readers.maps.import_map import load_maps
from afterclear.readers.registry import all_readers
from afterclear.records import Delivery, LoadResult, ReadFile, printable
from afterclear.sources.folder import opened_within
from afterclear.store.engine.archive import Incoming, Snapshot, keep_bytes, taken_in
from afterclear.store.engine.database import Connection, transaction
from afterclear.store.engine.failures import is_of_the_file
from afterclear.store.intake.direct_load import NotPlainlyNew
from afterclear.store.intake.forgotten_names import the_door
from afterclear.store.intake.ledger import (
    complete_load,
    known_load,
    next_load_id,
    retracted_load,
    vehicle_given,
    zone_given,
)
from afterclear.store.intake.returned import settle_returned
from afterclear.store.intake.withdrawal import Origin, remember_origin
from afterclear.store.upkeep.archive_changes import was_changed
from afterclear.take_in import Case, Clock, Made, Outside, conclude, remember_outside, take_part

_log = logging.getLogger("afterclear.load")


@dataclass(frozen=True, slots=True)
class Arrival:
    """A file found by a source, not yet loaded."""

    source: str
    path: Path
    name: str  # for messages and the ledger: the path below the source's folder
    zone: str = "UTC"
    vehicle_id: str | None = None
    started_at: datetime | None = None
    root: Path | None = None  # the folder it was found in: nothing outside is read in its place
    # after this load, bytes that were refused are known too: a replay continues
    since: int | None = None
    # a person named the file, or a replay did: bytes that were retracted are taken in again
    by_hand: bool = False


def load_files(
    con: Connection,
    archive: Path,
    arrivals: Iterable[Arrival],
    clock: Clock,
    imports: Path | None = None,
    limits: ReadingLimits = USUAL,
) -> Iterator[LoadResult]:
    """Load files one after another, yielding each one's ledger line as it is done.

    ``imports``: folder of the import maps, if there is one.  ``limits``: what one foreign file may
    take to read.

    Raises:
        ConfigError: a map is wrong; every mistake of every map is listed.

    """
    with Readers(all_readers(load_maps(imports), limits), limits) as readers:
        for arrival in arrivals:
            try:
                yield from load_file(con, archive, arrival, readers, clock)
            except UnreachableError as error:
                load = LoadResult(None, arrival.source, arrival.name, "", "")
                yield replace(load, outcome="left", note=str(error))


def load_file(
    con: Connection,
    archive: Path,
    arrival: Arrival,
    readers: Readers,
    clock: Clock,
    nesting: int = 0,
) -> Iterator[LoadResult]:
    """Load one file and, of an archive or a mail, the files within it, each a load of its own.

    A file that is wrong as a whole is refused in the ledger, not raised; so is one the program
    itself fails on.
    """
    started_at = clock()
    opened = partial(opened_within, root=arrival.root) if arrival.root else None
    with taken_in(archive, arrival.path, opened) as incoming, ExitStack() as until_loaded:
        snapshot = incoming.snapshot
        known = known_load(con, snapshot.sha256, arrival.since)
        if known is not None:
            if not was_changed(con, snapshot.sha256):
                incoming.keep()  # an archived file that was lost or altered is whole again
            yield _known(con, arrival, snapshot, known)
            return
        retracted = None if arrival.by_hand else retracted_load(con, snapshot.sha256)
        if retracted is not None:
            note = worded(
                "the same bytes as load {load}, which was retracted; 'afterclear load FILE' takes "
                "them in again",
                load=retracted,
            )
            yield replace(_result(arrival, snapshot), outcome="known", note=note)
            return
        case = replace(case_of(arrival, snapshot, started_at, clock), door=the_door(con))
        if case.door is None:
            incoming.keep()
        try:
            inside = _taken_apart(case, archive, readers, nesting, until_loaded)
        except Exception as error:  # noqa: BLE001 - looked at there, and raised on
            yield _refused_for(con, _packed_at_the_door(case), error)
            return
        if inside is None:
            yield _take_in(con, case, readers, incoming)
            return
        for member in inside.members:
            name = f"{arrival.name}/{member.name}"
            inner = replace(arrival, path=member.path, name=name, root=None)
            yield from load_file(con, archive, inner, readers, clock, nesting + 1)
        case = _packed_at_the_door(case)
        yield _container_line(con, case, inside)


def _known(con: Connection, arrival: Arrival, snapshot: Snapshot, known: int) -> LoadResult:
    """Report that bytes are known; if they come with another vehicle or zone, what to do."""
    load = _result(arrival, snapshot)
    same = worded("the same bytes as load {known}", known=known)
    vehicle, zone = vehicle_given(con, known), zone_given(con, known)
    if vehicle and arrival.vehicle_id not in {None, vehicle}:
        was, option = f"for vehicle {vehicle}", f"--vehicle {arrival.vehicle_id}"
    elif zone and arrival.zone not in {Origin().zone, zone}:
        was, option = f"in zone {zone}", f"--zone {arrival.zone}"
    else:
        return replace(load, outcome="known", note=same)
    note = f"{same}, taken {was}; 'afterclear reassign {known} {option}' changes that"
    return replace(load, outcome="refused", note=note)


def _taken_apart(
    case: Case, archive: Path, readers: Readers, nesting: int, until_loaded: ExitStack
) -> Unpacked | None:
    """Unpack an archive or a mail into a folder that stays until it is loaded; None: it is none."""
    path, name = case.delivery.path, case.delivery.name
    kind = readers.container_kind(path, name)
    if kind is None:
        return None
    check_nesting(nesting, name)
    folder = tempfile.TemporaryDirectory(prefix="within-", dir=archive)
    return readers.unpacked(path, name, kind, Path(until_loaded.enter_context(folder)))


def _container_line(con: Connection, case: Case, inside: Unpacked) -> LoadResult:
    with transaction(con):
        load = replace(case.load, load_id=next_load_id(con), reader=inside.kind, note=inside.note)
        remember_outside(con, case)
        complete_load(con, load, case.started_at, case.clock())
    return load


def case_of(arrival: Arrival, snapshot: Snapshot, started_at: datetime, clock: Clock) -> Case:
    """Say what is known of a delivery before it is read."""
    delivery = _delivery(arrival, snapshot)
    return Case(delivery, _origin(delivery), _result(arrival, snapshot), started_at, clock)


def _take_in(con: Connection, case: Case, readers: Readers, incoming: Incoming) -> LoadResult:
    read = None
    try:
        reader = readers.identify(case.delivery)
        read = reader.read(case.delivery)
        case = _past_the_door(case, read, incoming, readers)
        if case.outside is not None:
            case, read = _without_forgotten(case, case.outside, read, incoming, readers)
        named = replace(case, load=replace(case.load, reader=reader.name))
        try:
            with transaction(con):
                return _write(con, read, named, short=True)
        except NotPlainlyNew:
            with transaction(con):
                return _write(con, read, named, short=False)
    except Exception as error:  # noqa: BLE001 - looked at there, and raised on
        return _refused_for(con, case, error, (read, incoming, readers))


def _refused_for(
    con: Connection,
    case: Case,
    error: Exception,
    at_the_door: tuple[ReadFile | None, Incoming, Readers] | None = None,
) -> LoadResult:
    """Refuse a file for an error it brought about; any other error is raised on."""
    if not is_of_the_file(error):
        raise error
    if at_the_door is not None:
        case = _past_the_door(case, *at_the_door)
    name = case.load.file_name
    if not isinstance(error, RefusedFileError | DecodeError):
        error = FaultError(name, f"{type(error).__name__}: {error}", trace_of(error))
    if isinstance(error, FaultError):
        facts = {"sha256": case.delivery.sha256, "trace": error.trace}
        _log.error("a file could not be read by a fault of ours", extra={"facts": facts})
    return _refuse(con, case, told_by(error), is_fault=isinstance(error, FaultError))


def _past_the_door(case: Case, read: ReadFile | None, incoming: Incoming, readers: Readers) -> Case:
    """Archive a delivery, unless it names a forgotten vehicle; then say so."""
    if case.door is None or case.outside is not None:
        return case
    called = names_at_the_door(case.delivery, case.door, read, readers)
    if called is None:
        incoming.keep()
        return case
    return _left_outside(case, called)


def _packed_at_the_door(case: Case) -> Case:
    """Archive no archive or mail where a vehicle was forgotten: the files in it are, one by one."""
    if case.door is None:
        return case
    return _left_outside(case, names_of_packed(case.delivery, case.door))


def _left_outside(case: Case, called: Called) -> Case:
    name = ERASED if called.are_words_of(case.load.file_name) else case.load.file_name
    return replace(
        case,
        outside=Outside(called),
        load=replace(case.load, file_name=name),
        origin=replace(case.origin, vehicle_id=None),
    )


def _without_forgotten(
    case: Case, outside: Outside, read: ReadFile, incoming: Incoming, readers: Readers
) -> tuple[Case, ReadFile]:
    """Accept a delivery's rows of other vehicles, and archive only those."""
    let_in = admitted(case.delivery, read, outside.called, readers)
    if let_in.content is not None:
        kept = keep_bytes(incoming.archive, let_in.content, case.delivery.path.suffix)
        outside = replace(outside, kept=kept)
    return replace(case, outside=outside), let_in.read


def _write(con: Connection, read: ReadFile, case: Case, *, short: bool) -> LoadResult:
    """Write what a reader made of a file, and the ledger row last; the caller's transaction."""
    read = settle_returned(con, read)
    made = Made(next_load_id(con), list(read.rejections))
    # vehicles first: the file may name the vehicles of its own rows
    for part in sorted(read.parts, key=lambda part: part.table != "vehicles"):
        take_part(con, part, made, case, short=short)
    return conclude(con, read, made, case)


def _origin(delivery: Delivery) -> Origin:
    begun = (
        delivery.started_at.astimezone(UTC).replace(tzinfo=None) if delivery.started_at else None
    )
    return Origin(delivery.zone, delivery.vehicle_id, begun, delivery.path.stat().st_mtime)


def _refuse(con: Connection, case: Case, reason: str, *, is_fault: bool) -> LoadResult:
    """Write a file that was refused as a whole into the ledger; nothing of it is kept."""
    if case.outside is not None:
        reason = case.outside.called.words_erased_from(reason)
    note = printable(" ".join(reason.split()))
    with transaction(con):
        remember_outside(con, case)
        load = replace(case.load, load_id=next_load_id(con), outcome="refused", note=note)
        load = replace(load, is_fault=is_fault)
        remember_origin(con, load.load_id or 0, case.origin)
        complete_load(con, load, case.started_at, case.clock())
    return replace(load, note=reason) if isinstance(reason, Worded) else load


def _delivery(arrival: Arrival, snapshot: Snapshot) -> Delivery:
    return Delivery(
        source=arrival.source,
        name=arrival.name,
        path=snapshot.path,
        sha256=snapshot.sha256,
        zone=arrival.zone,
        vehicle_id=arrival.vehicle_id,
        started_at=arrival.started_at,
    )


def _result(arrival: Arrival, snapshot: Snapshot) -> LoadResult:
    return LoadResult(
        load_id=None,
        source=arrival.source,
        file_name=arrival.name,
        sha256=snapshot.sha256,
        reader="",
    )
