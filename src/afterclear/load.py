"""One load: a delivered file into the archive, through its reader, into the store.

The only place where sources, readers, normalise and store meet.  A load is one transaction
and ends with its ledger row, so a kill at any moment leaves the store as before or after.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from afterclear.errors import DecodeError, RefusedFileError
from afterclear.normalise.codes import NormalCode, normal_code, split_codes
from afterclear.readers.base import Reader
from afterclear.readers.registry import all_readers, identify
from afterclear.records import Delivery, LoadResult, ReadFile
from afterclear.store.absorb import absorb
from afterclear.store.archive import Snapshot, archived
from afterclear.store.database import Connection, transaction
from afterclear.store.identity import under_own_number
from afterclear.store.ledger import (
    complete_load,
    insert_rejections,
    known_load,
    next_load_id,
)
from afterclear.store.shortcut import NotPlainlyNew

Clock = Callable[[], datetime]


@dataclass(frozen=True, slots=True)
class Arrival:
    """A file found by a source, not yet taken in."""

    source: str
    path: Path
    name: str  # as told in messages and the ledger: the path below the source's folder
    zone: str = "UTC"
    vehicle_id: str | None = None
    started_at: datetime | None = None


def load_files(
    con: Connection, archive: Path, arrivals: Sequence[Arrival], clock: Clock
) -> Iterator[LoadResult]:
    """Load files one after another, yielding each one's ledger line as it is done."""
    readers = all_readers()
    for arrival in arrivals:
        yield load_file(con, archive, arrival, readers, clock)


def load_file(
    con: Connection,
    archive: Path,
    arrival: Arrival,
    readers: Sequence[Reader],
    clock: Clock,
) -> LoadResult:
    """Load one file; a file that is wrong as a whole is refused in the ledger, not raised."""
    started_at = clock()
    with archived(archive, arrival.path) as snapshot:
        load = _result(arrival, snapshot)
        known = known_load(con, snapshot.sha256)
        if known is not None:
            return replace(load, outcome="known", note=f"the same bytes as load {known}")
        case = _Case(_delivery(arrival, snapshot), load, started_at, clock)
        return _take_in(con, case, readers)


@dataclass(frozen=True, slots=True)
class _Case:
    """One delivery on its way in."""

    delivery: Delivery
    load: LoadResult  # as far as it is known
    started_at: datetime
    clock: Clock


def _take_in(con: Connection, case: _Case, readers: Sequence[Reader]) -> LoadResult:
    try:
        reader = identify(case.delivery, readers)
        read = reader.read(case.delivery)
        named = replace(case, load=replace(case.load, reader=reader.name))
        try:
            return _write(con, read, named, short=True)
        except NotPlainlyNew:
            return _write(con, read, named, short=False)
    except (RefusedFileError, DecodeError) as error:
        return _refuse(con, case, str(error))


def _write(con: Connection, read: ReadFile, case: _Case, *, short: bool) -> LoadResult:
    """Write what a reader made of a file, and the ledger row last, as one transaction."""
    with transaction(con):
        load_id = next_load_id(con)
        parts = [
            absorb(
                con,
                under_own_number(con, part),
                load_id,
                zone=case.delivery.zone,
                spellers=SPELLERS,
                short=short,
            )
            for part in read.parts
        ]
        rejections = [*read.rejections, *(r for part in parts for r in part.rejections)]
        load = replace(
            case.load,
            load_id=load_id,
            rows_read=sum(p.read for p in parts) + len(read.rejections),
            rows_stored=sum(p.stored for p in parts),
            rows_duplicate=sum(p.duplicate for p in parts),
            rows_corrected=sum(p.corrected for p in parts),
            rows_rejected=len(rejections),
            note=read.note,
        )
        insert_rejections(con, load_id, load.file_name, rejections)
        complete_load(con, load, case.started_at, case.clock())
    return load


def _refuse(con: Connection, case: _Case, why: str) -> LoadResult:
    """Write a file that was refused as a whole into the ledger; nothing of it is kept."""
    with transaction(con):
        load = replace(case.load, load_id=next_load_id(con), outcome="refused", note=why)
        complete_load(con, load, case.started_at, case.clock())
    return load


def spell_code(text: str, failure_type: str | None) -> str | None:
    """Spell one code in the normal form; None if it is no code."""
    spelled = normal_code(text, failure_type)
    return spelled.code if isinstance(spelled, NormalCode) else None


def spell_codes(text: str, _: str | None) -> str | None:
    """Spell a list of codes, space-separated, in the normal form; None if one is no code."""
    codes = [spell_code(word, None) for word in split_codes(text)]
    return None if None in codes else " ".join(code for code in codes if code)


SPELLERS = {"scans": spell_code, "repairs": spell_codes}


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
