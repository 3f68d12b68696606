"""Show what is made of a file, and suggest an import map for one that nothing takes."""

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import polars as pl

from afterclear.config import shipped
from afterclear.errors import DecodeError, RefusedFileError, UsageError
from afterclear.load import SPELLERS
from afterclear.plain import Takes
from afterclear.readers.base import Reader
from afterclear.readers.containers import check_nesting, container_kind, unpacked
from afterclear.readers.heading_words import read_heading_words
from afterclear.readers.import_map import load_maps, parse_map
from afterclear.readers.map_reader import MapReader
from afterclear.readers.registry import all_readers, identify
from afterclear.readers.suggesting import Suggestion, suggest_map
from afterclear.readers.unread import why_unread
from afterclear.records import Delivery, PlainRows, ReadFile, Rejection
from afterclear.runs.app import App
from afterclear.store.absorb import absorb
from afterclear.store.database import open_store, query, transaction
from afterclear.store.exports import EXPORTS


@dataclass(frozen=True)
class Preview:
    """What a reader makes of a file: each table's size and first rows, and all that is refused."""

    tables: tuple[tuple[str, int, pl.DataFrame], ...]
    rejections: tuple[Rejection, ...]
    note: str


@dataclass(frozen=True)
class MapCheck:
    """One file: who takes it, or a suggestion; and what comes of it."""

    name: str
    reader: str | None  # None: nothing takes it
    why: str = ""  # why nothing does, or why the reader refuses it
    preview: Preview | None = None
    suggestion: Suggestion | None = None
    to_fill_in: tuple[str, ...] = ()  # what the suggestion lacks before it can be used


@dataclass(frozen=True, slots=True)
class _Asked:
    """By which readers a file is looked at, how many rows are shown, what is taken of tables."""

    readers: tuple[Reader, ...]
    rows: int
    takes: Takes


def check_file(
    app: App, path: Path, *, rows: int = 5, zone: str = "UTC", vehicle_id: str | None = None
) -> Iterator[MapCheck]:
    """Check a file or, of an archive or a mail, each file within it.  Nothing is stored.

    Raises:
        UsageError: there is no such file.
        ConfigError: an import map is wrong; every mistake is told.

    """
    if not path.is_file():
        raise UsageError(f"There is no file {path}.")
    asked = _Asked(all_readers(load_maps(app.config.imports)), rows, app.takes)
    delivery = Delivery("map-check", path.name, path, "0" * 64, zone, vehicle_id)
    yield from _check_within(delivery, asked)


def _check_within(delivery: Delivery, asked: _Asked, nesting: int = 0) -> Iterator[MapCheck]:
    """Check a file or each file within it, down as far as a load goes."""
    kind = container_kind(delivery.path, delivery.name)
    if kind is None:
        yield _check(delivery, asked)
        return
    with tempfile.TemporaryDirectory() as folder:
        try:
            check_nesting(nesting, delivery.name)
            members = unpacked(delivery.path, delivery.name, kind, Path(folder)).members
        except RefusedFileError as error:
            yield MapCheck(delivery.name, None, str(error))
            return
        for member in members:
            inner = replace(delivery, name=member.name, path=member.path)
            yield from _check_within(inner, asked, nesting + 1)


def _check(delivery: Delivery, asked: _Asked) -> MapCheck:
    try:
        reader = identify(delivery, asked.readers)
    except RefusedFileError as error:
        return _suggested(delivery, str(error), asked)
    try:
        preview = _preview(reader.read(delivery), delivery, asked)
    except (RefusedFileError, DecodeError) as error:
        return MapCheck(delivery.name, reader.name, str(error))
    return MapCheck(delivery.name, reader.name, preview=preview)


def _suggested(delivery: Delivery, why: str, asked: _Asked) -> MapCheck:
    words = read_heading_words(shipped("config") / "imports" / "headings.csv")
    try:
        suggestion = suggest_map(delivery, words)
    except RefusedFileError as error:
        return MapCheck(delivery.name, None, why_unread(delivery) or str(error))
    problems: list[str] = []
    made = parse_map(suggestion.text, "suggested", "the suggestion", problems)
    if made is None:
        return MapCheck(delivery.name, None, why, suggestion=suggestion, to_fill_in=tuple(problems))
    try:
        preview = _preview(MapReader(made).read(delivery), delivery, asked)
    except RefusedFileError as error:
        return MapCheck(delivery.name, None, str(error), suggestion=suggestion)
    return MapCheck(delivery.name, None, why, preview, suggestion)


def _preview(read: ReadFile, delivery: Delivery, asked: _Asked) -> Preview:
    """Take rows into a store that is thrown away: what it refuses is refused here too."""
    tables = []
    rejections = list(read.rejections)
    with (
        tempfile.TemporaryDirectory() as folder,
        open_store(Path(folder) / "x.duckdb", takes=asked.takes) as con,
    ):
        for part in read.parts:
            with transaction(con):
                own = _with_any_name(part) if isinstance(part, PlainRows) else part
                made = absorb(con, own, 1, zone=delivery.zone, spellers=SPELLERS)
            rejections += made.rejections
            head = query(con, f"SELECT * FROM ({EXPORTS[part.table]}) LIMIT {asked.rows:d}")
            filled = [c for c in head.columns if head[c].null_count() < len(head)]
            tables.append((part.table, made.stored + made.duplicate, head.select(filled)))
    return Preview(tuple(tables), tuple(rejections), read.note)


def _with_any_name(part: PlainRows) -> PlainRows:
    """Let a VIN or plate stand for the number: whose it is, only the real store knows."""
    names = [c for c in ("vehicle_id", "_vin", "_plate") if c in part.frame.columns]
    frame = part.frame.with_columns(pl.coalesce(names).alias("vehicle_id"))
    return PlainRows(part.table, frame.drop("_vin", "_plate", strict=False))
