"""A delivery without forgotten vehicles: which of its bytes and rows may stay.

A cut is only taken where it can be shown to be right: every record of the form names its own
vehicle, or the file's own reader makes exactly the same rows of the rest as before. If neither is
true, none of the file's bytes stay.
"""

import csv
import json
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import chain
from typing import Final

import polars as pl

from afterclear.catalogue.names_in_text import Called
from afterclear.errors import RefusedFileError
from afterclear.readers.child.reading_process import Readers
from afterclear.readers.cutting import Cut, without
from afterclear.readers.looking import CannotLookError, parquet_of
from afterclear.records import Delivery, PlainFile, PlainRows, ReadFile, Rejection
from afterclear.store.engine.failures import is_of_the_file
from afterclear.store.intake.forgotten_names import Door

REFUSED: Final = (
    "a vehicle that may be kept: this one was forgotten ('afterclear forget allow NAME' lets it in)"
)
# columns, and a reader's helper columns, that say which vehicle a row is about
_NAMING: Final = ("vehicle_id", "_vin", "_plate", "vin", "plate", "ecu_vin")


@dataclass(frozen=True, slots=True)
class Stays:
    """The part of a file's bytes that may stay: all, ``content``, or nothing (None)."""

    content: bytes | None
    is_changed: bool
    lines: tuple[int, ...] = ()


def what_stays(
    delivery: Delivery, called: Called, readers: Readers, *, speaks: bool | None
) -> Stays:
    """Decide which of a file's bytes may stay when a vehicle is forgotten.

    ``speaks``: rows of the vehicle came from it; None: only its reader knows.
    """
    raw = delivery.path.read_bytes()
    made = without(raw, called)
    try:
        named = any(called.stand_in(t) for t in readers.texts(delivery.path, delivery.name))
    except CannotLookError:
        return Stays(None, is_changed=True)
    if made is not None and made.lines and (made.is_certain or named or speaks):
        return _checked(made, delivery, called, readers)
    if named or speaks:
        return Stays(None, is_changed=True)
    if speaks is None or (made is not None and made.lines):
        found = _read(delivery, readers)
        if found is not None and any(_about(part, called).any() for part in _rows(found)):
            return what_stays(delivery, called, readers, speaks=True)
    return Stays(raw, is_changed=False)


def _checked(made: Cut, delivery: Delivery, called: Called, readers: Readers) -> Stays:
    """Take a cut only if nothing in it names the vehicle and no other row is missing."""
    place = delivery.path.with_name(f"cut{delivery.path.suffix}")
    place.write_bytes(made.content)
    times = delivery.path.stat()
    os.utime(place, ns=(times.st_atime_ns, times.st_mtime_ns))
    if any(called.stand_in(text) for text in readers.texts(place, delivery.name)):
        return Stays(None, is_changed=True)
    if not made.is_certain:
        before = _read(delivery, readers)
        after = _read(replace(delivery, path=place), readers)
        if before is None or after is None or not _is_the_rest(before, after, called):
            return Stays(None, is_changed=True)
    return Stays(made.content, is_changed=True, lines=made.lines)


def _read(delivery: Delivery, readers: Readers) -> ReadFile | None:
    try:
        return readers.identify(delivery).read(delivery)
    except Exception as error:
        if not is_of_the_file(error):
            raise
        return None


def _is_the_rest(before: ReadFile, after: ReadFile, called: Called) -> bool:
    """Whether a file's rows after the cut are those of the others before it."""
    there, here = list(_rows(before)), list(_rows(after))
    if len(there) != len(before.parts) or len(here) != len(after.parts):
        return False  # a plain table is cut by itself, and needs no such proof
    there = [replace(p, frame=p.frame.filter(~_about(p, called))) for p in there]
    rest = {p.table: p.frame.drop("_line", strict=False) for p in there if len(p.frame)}
    found = {p.table: p.frame.drop("_line", strict=False) for p in here if len(p.frame)}
    if rest.keys() != found.keys() or not all(rest[t].equals(found[t]) for t in rest):
        return False
    others = [r for r in before.rejections if not _is_named(r, called)]
    return [replace(r, line=None) for r in others] == [
        replace(r, line=None) for r in after.rejections
    ]


def _rows(read: ReadFile) -> Iterator[PlainRows]:
    return (part for part in read.parts if isinstance(part, PlainRows))


def _about(part: PlainRows, called: Called) -> pl.Series:
    """Mark the rows that are about a vehicle, or name it in any cell."""
    named = pl.repeat(value=False, n=len(part.frame), eager=True)
    for name in part.frame.columns:
        column = part.frame[name]
        if column.dtype != pl.String:
            continue
        values = [
            value
            for value in column.drop_nulls().unique()
            if (called.is_cell(value) if name in _NAMING else called.is_identifier(value))
            or called.stand_in(value)
        ]
        named = named | column.is_in(values).fill_null(value=False)
    return named


def _is_named(rejection: Rejection, called: Called) -> bool:
    value = rejection.value or ""
    is_own = rejection.column == "vehicle_id" and called.is_number(value)
    return is_own or called.stand_in(f"{value} {rejection.expected}") or called.owns(rejection.row)


# --- at the door ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Admitted:
    """The accepted part of a delivery: its rows, and its bytes (None: none)."""

    read: ReadFile
    content: bytes | None
    called: Called


def names_at_the_door(
    delivery: Delivery, door: Door, read: ReadFile | None, readers: Readers
) -> Called | None:
    """Find names of forgotten vehicles in a delivery; None: it may come in as it is.

    A file that cannot be opened may not, whatever it names.
    """
    cells = [delivery.vehicle_id or ""]
    try:
        if read is not None:
            cells += [cell for part in read.parts for cell in _vehicle_cells(part)]
        texts = readers.texts(delivery.path, delivery.name)
        return door.refused(cells, chain([delivery.name], texts))
    except CannotLookError:  # it is refused for the same reason, and its content is not known
        return door.refused(cells, [delivery.name]) or Called(frozenset(), frozenset())


def names_of_packed(delivery: Delivery, door: Door) -> Called:
    """Give the names of forgotten vehicles in an archive's own name; its files have theirs."""
    return door.refused((), [delivery.name]) or Called(frozenset(), frozenset())


def admitted(delivery: Delivery, read: ReadFile, called: Called, readers: Readers) -> Admitted:
    """Leave out the rows of forgotten vehicles; each is refused without its content.

    Raises:
        RefusedFileError: a plain table cannot be cut.

    """
    stays = what_stays(delivery, called, readers, speaks=True)
    parts: list[PlainFile | PlainRows] = []
    refused = [
        Rejection(r.table, r.line, None, None, REFUSED) if _is_named(r, called) else r
        for r in read.rejections
    ]
    for part in read.parts:
        if isinstance(part, PlainRows):
            outside = _about(part, called)
            parts.append(replace(part, frame=part.frame.filter(~outside)))
            lines: Iterable[int | None] = part.frame.filter(outside)["_line"]
        elif stays.content is None:
            raise RefusedFileError(
                f"{delivery.name} speaks of a forgotten vehicle and cannot be cut. Deliver it "
                "without, or let the vehicle in with 'afterclear forget allow NAME'."
            )
        else:
            place = part.path.with_name(f"admitted{part.path.suffix}")
            place.write_bytes(stays.content)
            parts.append(replace(part, path=place))
            lines = stays.lines if part.form != "parquet" else [None] * len(stays.lines)
        refused += [Rejection(part.table, line, None, None, REFUSED) for line in lines]
    note = called.erased_from(read.note)
    left = replace(read, parts=tuple(parts), rejections=tuple(refused), note=note)
    return Admitted(left, stays.content, called)


def _vehicle_cells(part: PlainFile | PlainRows) -> Iterator[str]:
    """Give the cells of a table that name a row's vehicle, each once.

    Raises:
        CannotLookError: its file is damaged.

    """
    if isinstance(part, PlainRows):
        frame = part.frame
    elif part.form == "parquet":
        naming = [name for name in part.header if name in _NAMING]
        frame = parquet_of(part.path, part.path.name, naming)
    else:
        yield from _cells_of_text(part)
        return
    for name in _NAMING:
        if name in frame.columns:
            yield from frame[name].cast(pl.String, strict=False).drop_nulls().unique()


def _cells_of_text(part: PlainFile) -> Iterator[str]:
    with part.path.open(encoding="utf-8-sig", errors="replace", newline="") as file:
        if part.form == "jsonl":
            cells = {str(thing.get(n)) for thing in map(_thing, file) for n in _NAMING}
        else:
            at = [n for n, name in enumerate(part.header) if name in _NAMING]
            cells = {row[n] for row in csv.reader(file) for n in at if n < len(row)}
    yield from sorted(cells)


def _thing(line: str) -> dict[str, object]:
    try:
        thing = json.loads(line)
    except (ValueError, RecursionError):
        return {}
    return thing if isinstance(thing, dict) else {}
