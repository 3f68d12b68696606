"""The rows of one delivery into the store, and its line in the ledger; the caller's transaction.

``load`` reads a file for the first time, ``read_again`` an archived one once more: what becomes of
its rows is the same.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime

from afterclear.catalogue.codes import NormalCode, normal_code, says_none, split_codes
from afterclear.catalogue.names_in_text import Called
from afterclear.errors import worded
from afterclear.records import Delivery, LoadResult, PlainFile, PlainRows, ReadFile, Rejection
from afterclear.store.engine.database import Connection
from afterclear.store.intake.absorb import Absorbed, absorb
from afterclear.store.intake.direct_load import NoCode
from afterclear.store.intake.forgotten_names import Door
from afterclear.store.intake.identity import adopt, under_own_number
from afterclear.store.intake.ledger import Came, complete_load, insert_rejections
from afterclear.store.intake.near_misses import new_vehicles
from afterclear.store.intake.returned import how_they_came, set_returned_aside
from afterclear.store.intake.withdrawal import Origin, remember_origin
from afterclear.store.merging.repeated_scans import forget_told, replace_retold
from afterclear.store.merging.rows import note_written
from afterclear.store.settling.doubts import doubtful_vins, undrivable_readings
from afterclear.store.settling.mended_rows import clear_mended
from afterclear.store.upkeep.archive_changes import remember_change

Clock = Callable[[], datetime]


@dataclass(frozen=True, slots=True)
class Outside:
    """The parts of a delivery that name forgotten vehicles and stay outside."""

    called: Called
    kept: str | None = None  # hash of the bytes that are archived instead


@dataclass(frozen=True, slots=True)
class Case:
    """One delivery on its way in."""

    delivery: Delivery
    origin: Origin
    load: LoadResult  # as far as it is known
    started_at: datetime
    clock: Clock
    door: Door | None = None  # None: no vehicle was forgotten
    outside: Outside | None = None  # if it names forgotten vehicles


def spell_code(text: str, failure_type: str | None) -> str | NoCode:
    """Spell one code in the normal form; empty if the text says that none is stored."""
    spelled = normal_code(text, failure_type)
    if isinstance(spelled, NormalCode):
        return spelled.code
    return "" if spelled.says_none else NoCode(spelled.expected)


def spell_codes(text: str, _: str | None) -> str | NoCode:
    """Spell a list of codes, space-separated, in the normal form."""
    if says_none(text):
        return ""
    codes = [spell_code(word, None) for word in split_codes(text)]
    wrong = next((code for code in codes if isinstance(code, NoCode)), None)
    return wrong or " ".join(code for code in codes if isinstance(code, str) and code)


SPELLERS = {"scans": spell_code, "repairs": spell_codes}


@dataclass(slots=True)
class Made:
    """The outcome of a file's rows so far."""

    load_id: int
    rejections: list[Rejection]
    parts: list[Absorbed] = field(default_factory=list)
    tables: set[str] = field(default_factory=set)
    notes: list[str] = field(default_factory=list)
    by_identifiers: bool = False


def take_part(
    con: Connection, part: PlainFile | PlainRows, made: Made, case: Case, *, short: bool
) -> None:
    """Store the rows of one part of a file; the caller's transaction."""
    own = under_own_number(con, part)
    zone = part.zone or case.delivery.zone if isinstance(part, PlainRows) else case.delivery.zone
    note_written(con, made.load_id, case.origin.changed_at)
    absorbed = absorb(con, own.part, made.load_id, zone=zone, spellers=SPELLERS, short=short)
    made.parts.append(absorbed)
    made.tables.add(part.table)
    made.rejections += [*own.rejections, *absorbed.rejections]
    made.notes += [note for note in (own.note, absorbed.note) if note]
    made.by_identifiers = made.by_identifiers or own.by_identifiers or absorbed.by_identifiers


def conclude(con: Connection, read: ReadFile, made: Made, case: Case) -> LoadResult:
    """Count a load's rows and write its ledger row."""
    if read.returned:
        forget_told(con, made.load_id)  # a row that comes back is no whole scan
    elif "scans" in made.tables:
        made.notes += replace_retold(con, made.load_id, case.load.source, made.rejections)
    if n_moved := adopt(con, made.load_id):
        made.notes.append(
            worded("earlier rows put under the number their VIN was now given: {n:,}", n=n_moved)
        )
    came = _how_it_came(con, read, case)
    made.notes += _to_look_at(con, made, read)
    load = replace(
        case.load,
        load_id=made.load_id,
        rows_read=read.n_known
        + sum(p.stored + p.duplicate for p in made.parts)
        + len(made.rejections),
        rows_stored=sum(p.stored for p in made.parts),
        rows_duplicate=read.n_known + sum(p.duplicate for p in made.parts),
        rows_corrected=sum(p.corrected for p in made.parts),
        rows_rejected=len(made.rejections),
        note="; ".join(filter(None, [read.note, *made.notes])),
    )
    tables = " ".join(sorted(made.tables))
    remember_origin(
        con, made.load_id, case.origin, tables=tables, by_identifiers=made.by_identifiers
    )
    remember_outside(con, case)
    insert_rejections(con, made.load_id, load.file_name, made.rejections, came)
    complete_load(con, load, case.started_at, case.clock())
    return load


def _how_it_came(con: Connection, read: ReadFile, case: Case) -> Callable[[Rejection], Came]:
    """Say of each refused row how it came; of one that came back, how it first did."""
    first = how_they_came(con, read.returned)
    here = Came(case.load.reader, case.delivery.zone)
    return lambda refused: first.get(refused.line or 0, here)


def _to_look_at(con: Connection, made: Made, read: ReadFile) -> list[str]:
    """Give the notes on a load whose rows are all in."""
    load_id = made.load_id
    if read.returned:
        n_mended = len(read.returned.keys() - {refused.line for refused in made.rejections})
        set_returned_aside(con, load_id, read.returned)
    else:
        n_mended = clear_mended(con, load_id)
    said = (
        new_vehicles(con, load_id),
        doubtful_vins(con, load_id),
        undrivable_readings(con, load_id, con.takes.km_per_day),
        worded("rows refused before that came mended: {n:,}", n=n_mended) if n_mended else "",
    )
    return [note for note in said if note]


def remember_outside(con: Connection, case: Case) -> None:
    """Note which bytes were archived in place of a delivery's own, if any were."""
    if case.outside is not None:
        remember_change(con, case.delivery.sha256, case.outside.kept, case.clock())
