"""Show how a file is read, and suggest an import map for one that no reader takes."""

import math
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Final

import polars as pl

from afterclear.catalogue.control_units import ControlUnits
from afterclear.commands.app import App
from afterclear.config import shipped
from afterclear.errors import (
    DecodeError,
    RefusedFileError,
    TakesLongError,
    UsageError,
    told_by,
    worded,
)
from afterclear.plain import TABLES, Takes
from afterclear.readers.child.reading_process import Readers
from afterclear.readers.containers import Member, check_nesting
from afterclear.readers.mapped.map_reader import MapReader
from afterclear.readers.maps.heading_words import HeadingWords, read_heading_words
from afterclear.readers.maps.import_map import load_maps, parse_map
from afterclear.readers.registry import all_readers
from afterclear.readers.suggest.columns.known_past import Past
from afterclear.readers.suggest.columns.profiles import Known
from afterclear.readers.suggest.columns.questions import Question
from afterclear.readers.suggest.decisions.picked import ASIDE, PICK, said_and_picked
from afterclear.readers.suggest.suggested_map import Context
from afterclear.readers.suggesting import Suggestion
from afterclear.records import Delivery, PlainRows, ReadFile, Rejection
from afterclear.store.engine.database import Connection, open_store, query, transaction
from afterclear.store.intake.absorb import absorb
from afterclear.store.intake.identity import known_identifiers
from afterclear.store.intake.known_past import known_past
from afterclear.store.intake.spelling import expectations
from afterclear.store.queries.exports import EXPORTS
from afterclear.take_in import SPELLERS

__all__ = [
    "ASIDE", "Asked", "MapCheck", "Preview", "Question", "Side", "Suggestion", "check_file",
    "pick_key", "said_and_picked",
]  # fmt: skip


_BY_CLOCK: Final = 2  # times what is allowed of processor time, as for every reader


@dataclass(frozen=True)
class Preview:
    """How a reader reads a file: each table's size and first rows, and everything refused."""

    tables: tuple[tuple[str, int, pl.DataFrame], ...]
    rejections: tuple[Rejection, ...]
    note: str


@dataclass(frozen=True)
class Side:
    """One row of the plain layout beside the source's cells."""

    table: str
    line: int
    row: tuple[tuple[str, str], ...]  # plain column, cell
    arrived: tuple[tuple[str, str], ...] = ()  # the file's own heading, cell
    refused: str = ""  # what was expected where something of the line is refused


@dataclass(frozen=True)
class MapCheck:
    """One file: its reader, or a suggestion; and the result."""

    name: str
    reader: str | None  # None: nothing takes it
    reason: str = ""  # why nothing does, or why the reader refuses it
    preview: Preview | None = None
    suggestion: Suggestion | None = None
    to_fill_in: tuple[str, ...] = ()  # what the suggestion lacks before it can be used
    stored: tuple[Side, ...] = ()  # a row as it came and as it will be stored

    @property
    def is_usable(self) -> bool:
        """Whether the suggestion is a map as it is: nothing is open, nothing is missing."""
        made = self.suggestion
        return made is not None and not (made.questions or self.to_fill_in)


@dataclass(frozen=True)
class Asked:
    """How a file is checked: whose it is, how much is shown, what a person answered."""

    rows: int = 5
    zone: str = "UTC"
    vehicle_id: str | None = None
    answers: Mapping[str, str] = field(default_factory=dict)
    sides: int = 1  # rows of each table shown beside what arrived; one: the fullest
    started_at: datetime | None = None  # begin of a log whose clock is relative
    is_quick: bool = False  # files are only recognised: none is read, no map is suggested
    within_s: float | None = None  # of processor time; somebody waits


def pick_key(heading: str) -> str:
    """Give the key of an answer that picks what a column is taken for."""
    return f"{PICK}{heading}"


def check_file(app: App, path: Path, asked: Asked | None = None) -> Iterator[MapCheck]:
    """Check a file or, of an archive or a mail, each file within it.  Nothing is stored.

    Raises:
        UsageError: there is no such file, or an answer answers nothing.
        ConfigError: an import map is wrong; every mistake is listed.
        TakesLongError: it takes longer than it was given.

    """
    asked = asked or Asked()
    if not path.is_file():
        raise UsageError(worded("There is no file {path}.", path=path))
    delivery = Delivery("map-check", path.name, path, "0" * 64, asked.zone, asked.vehicle_id)
    delivery = replace(delivery, started_at=asked.started_at)
    limits, until = app.reading_limits, math.inf
    if asked.within_s is not None:
        until = time.monotonic() + _BY_CLOCK * asked.within_s
        if asked.within_s < limits.seconds:
            limits = replace(limits, seconds=asked.within_s, is_brief=True)
    known = all_readers(load_maps(app.config.imports), limits)
    with (
        tempfile.TemporaryDirectory() as folder,
        Readers(known, limits, Path(folder)) as readers,
    ):
        how = _Checking(readers, _context(app), asked, app.takes, limits.pages, app.store, until)
        yield from _check_within(delivery, how)


def _context(app: App) -> Context:
    """Gather what helps to know a column: words, control units, vehicles loaded before."""
    words, units = _shipped_words()
    known = Known()
    if app.store.exists():
        with open_store(app.store, read_only=True) as con:
            own = known_identifiers(con)
        known = Known(own.numbers, own.vins, own.plates, own.owners, own.written)
    return Context(words, units, known, app.clock(), tables=app.config.tables)


@cache  # thousands of words are folded, and a desk checks file after file
def _shipped_words() -> tuple[HeadingWords, ControlUnits]:
    config = shipped("config")
    tables = config / "imports"
    words = read_heading_words(tables / "headings.csv", tables / "doubts.csv")
    return words, ControlUnits.load(config)


@dataclass(frozen=True)
class _Checking:
    """What every file of one check is read with."""

    readers: Readers
    context: Context
    asked: Asked
    takes: Takes
    max_pages: int  # of a PDF
    store: Path
    until: float  # by the clock that only runs on


def _check_within(delivery: Delivery, how: _Checking, nesting: int = 0) -> Iterator[MapCheck]:
    """Check a file or each file within it, down as far as a load goes."""
    if time.monotonic() > how.until:  # each of many files within takes little
        raise TakesLongError(delivery.name)
    with tempfile.TemporaryDirectory() as folder:
        try:
            members = _members(delivery, how.readers, nesting, Path(folder))
        except RefusedFileError as error:
            yield MapCheck(delivery.name, None, told_by(error))
            return
        if members is None:
            yield _check(delivery, how)
        for member in members or ():
            inner = replace(delivery, name=member.name, path=member.path)
            yield from _check_within(inner, how, nesting + 1)


def _members(
    delivery: Delivery, readers: Readers, nesting: int, folder: Path
) -> list[Member] | None:
    """Unpack an archive or a mail; None: it is none."""
    kind = readers.container_kind(delivery.path, delivery.name)
    if kind is None:
        return None
    check_nesting(nesting, delivery.name)
    return readers.unpacked(delivery.path, delivery.name, kind, folder).members


def _check(delivery: Delivery, how: _Checking) -> MapCheck:
    try:
        reader = how.readers.identify(delivery)
    except RefusedFileError as error:
        if how.asked.is_quick:
            return MapCheck(delivery.name, None, told_by(error))
        return _suggested(delivery, told_by(error), how)
    if how.asked.is_quick:
        return MapCheck(delivery.name, reader.name)
    try:
        preview = _preview(reader.read(delivery), delivery, how)
    except (RefusedFileError, DecodeError) as error:
        return MapCheck(delivery.name, reader.name, told_by(error))
    return MapCheck(delivery.name, reader.name, preview=preview)


def _suggested(delivery: Delivery, reason: str, how: _Checking) -> MapCheck:
    try:
        suggestion = how.readers.suggested(delivery, how.context, how.asked.answers)
        if suggestion.may_be_known and how.store.exists():
            context = replace(how.context, past=_past(how, suggestion.may_be_known))
            suggestion = how.readers.suggested(delivery, context, how.asked.answers)
    except RefusedFileError as error:
        return MapCheck(delivery.name, None, told_by(error))
    problems: list[str] = []
    made = parse_map(suggestion.text, "suggested", "the suggestion", problems)
    if made is None or suggestion.missing:
        lacks = suggestion.missing or tuple(problems)
        return MapCheck(delivery.name, None, reason, suggestion=suggestion, to_fill_in=lacks)
    try:
        read = how.readers.read_with(MapReader(made, how.max_pages), delivery)
        preview = _preview(read, delivery, how)
    except RefusedFileError as error:
        why = told_by(error)
        return MapCheck(delivery.name, None, why, suggestion=suggestion, to_fill_in=(why,))
    words = expectations(how.takes)
    refused = {
        r.line: worded(
            "{column}: expected {what}",
            column=r.column or worded("the row"),
            what=words.get(r.expected, r.expected),
        )
        for r in preview.rejections
    }
    stored = tuple(
        side
        for part in read.parts
        if isinstance(part, PlainRows) and not part.frame.is_empty()
        for side in _sides(part, suggestion, how.asked.sides, refused)
    )
    return MapCheck(delivery.name, None, reason, preview, suggestion, stored=stored)


def _past(how: _Checking, vehicles: Sequence[str]) -> Past:
    """Look up what the store holds of a file's vehicles, named as the file names them."""
    with open_store(how.store, read_only=True) as con:
        known = known_past(con, vehicles)
    return Past(known.readings, known.codes, how.takes.km_per_day)


def _sides(
    part: PlainRows, suggestion: Suggestion, n_rows: int, refused: Mapping[int | None, str]
) -> Iterator[Side]:
    """Give rows of a table beside what arrived: the first ones, or the fullest if it is one."""
    arrived = {row.line: row.cells for row in suggestion.first_rows}
    found = set(part.frame.columns)
    names = [*TABLES[part.table].names, "_vin", "_plate", "odometer_mi"]
    names = [name for name in names if name in found]
    rows = part.frame.head(50).rows(named=True)
    known = [row for row in rows if row["_line"] in arrived] or rows
    if n_rows == 1:
        known = [max(known, key=lambda row: sum(bool(row[n]) for n in names))]
    for row in known[:n_rows]:
        cells = tuple((n.removeprefix("_"), str(row[n])) for n in names if row[n])
        line = int(row["_line"])
        source = arrived.get(line, ())
        # lines are counted again on each sheet: a row with nothing of it is another sheet's
        is_its_own = {cell for _, cell in cells} & {cell for _, cell in source}
        yield Side(part.table, line, cells, source if is_its_own else (), refused.get(line, ""))


def _preview(read: ReadFile, delivery: Delivery, how: _Checking) -> Preview:
    """Take rows into a store that is thrown away: what it refuses is refused here too."""
    n_rows = Counter[str]()  # of a table, over all sheets
    rejections = list(read.rejections)
    with (
        tempfile.TemporaryDirectory() as folder,
        open_store(Path(folder) / "x.duckdb", takes=how.takes) as con,
    ):
        for part in read.parts:
            with transaction(con):
                own = _with_any_name(part) if isinstance(part, PlainRows) else part
                zone = (isinstance(part, PlainRows) and part.zone) or delivery.zone
                made = absorb(con, own, 1, zone=zone, spellers=SPELLERS)
            rejections += made.rejections
            n_rows[part.table] += made.stored + made.duplicate
        tables = [
            (table, n, _first_rows(con, table, how.asked.rows)) for table, n in n_rows.items()
        ]
    return Preview(tuple(tables), tuple(rejections), read.note)


def _first_rows(con: Connection, table: str, n: int) -> pl.DataFrame:
    """Give the first rows as they would be stored, without columns they have nothing in."""
    head = query(con, f"SELECT * FROM ({EXPORTS[table]}) LIMIT {n:d}")
    return head.select(c for c in head.columns if head[c].null_count() < len(head))


def _with_any_name(part: PlainRows) -> PlainRows:
    """Use a VIN or plate as the number: only the real store knows the vehicle."""
    names = [c for c in ("vehicle_id", "_vin", "_plate") if c in part.frame.columns]
    frame = part.frame.with_columns(pl.coalesce(names).alias("vehicle_id"))
    return PlainRows(part.table, frame.drop("_vin", "_plate", strict=False))
