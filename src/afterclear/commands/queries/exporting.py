"""Take tables out of the store: CSV, JSON Lines, Parquet or a workbook.

A file is written part by part, so that a table need not fit into memory.  Two ask for the whole:
names that are to be tokens are looked for in all rows first, and a workbook is one table.
"""

from collections.abc import Iterator
from contextlib import closing, contextmanager
from itertools import chain
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final, Literal, get_args

import polars as pl
from polars.io.plugins import register_io_source

from afterclear.commands.app import App
from afterclear.commands.pages.pseudonym_key import pseudonyms_of
from afterclear.commands.pages.row_files import harmless
from afterclear.commands.pages.told_figures import aware
from afterclear.commands.queries.plain_cells import as_text
from afterclear.digest.input.pseudonyms import pseudonymise
from afterclear.errors import UnknownNameError, UsageError
from afterclear.export_columns import Holds, holds
from afterclear.store.engine.database import Connection, open_store, query, query_in_parts
from afterclear.store.queries.exports import EXPORTS
from afterclear.wording.exported import with_sentences

TextFormat = Literal["csv", "jsonl"]
Format = Literal["csv", "jsonl", "parquet", "xlsx"]
TABLES: Final = tuple(EXPORTS)
FORMATS: Final[tuple[Format, ...]] = get_args(Format)
_PART: Final = 100_000  # rows written at a time


def export_frame(app: App, table: str) -> pl.DataFrame:
    """Give one exported table.

    Raises:
        UnknownNameError: there is no such table.
        ConfigError: names are to be tokens, and their key is not set.

    """
    sql = _query_of(table)
    names = pseudonyms_of(app, public=False)
    with open_store(app.store, read_only=True) as con:
        frame = with_sentences(table, aware(query(con, sql)))
    return frame if names is None else pseudonymise(frame, names)


@contextmanager
def exported(app: App, table: str, form: TextFormat) -> Iterator[Path]:
    """Give one exported table as a file for the block; the store is not held while it is read."""
    with TemporaryDirectory() as folder:
        place = Path(folder) / f"rows.{form}"
        export_file(app, table, form, place)
        yield place


def export_file(app: App, table: str, form: Format, path: Path) -> int:
    """Write one exported table to a file; return the number of its rows.

    Raises:
        UnknownNameError: there is no such table.
        UsageError: the file is the store, or one of those that belong to it; or a workbook cannot
            hold so many rows.

    """
    if form == "xlsx" or pseudonyms_of(app, public=False) is not None:
        frame = export_frame(app, table)
        return write_frame(app, frame, form, path, sheet=table, about=holds(table))
    _check_not_ours(app, path)
    _query_of(table)
    with open_store(app.store, read_only=True) as con:
        return write_export(con, table, form, path)


def write_export(
    con: Connection, table: str, form: TextFormat | Literal["parquet"], path: Path
) -> int:
    """Write one exported table of an open store to a file; return the number of its rows."""
    # the parts are closed before their store is, also where the writing breaks off
    with closing(query_in_parts(con, _query_of(table), _PART)) as parts:
        told = (with_sentences(table, aware(part)) for part in parts)
        return _write_parts(told, form, path)


def frame_text(frame: pl.DataFrame, form: TextFormat, *, headed: bool = True) -> str:
    """Write rows as text; ``headed``: CSV begins with the columns' names."""
    if form == "csv":
        plain = as_text(frame, lambda kind: kind.is_nested() or kind == pl.Binary)
        return _csv(plain, headed=headed)
    return as_text(frame, lambda kind: kind == pl.Binary).write_ndjson()


def write_frame(
    app: App,
    frame: pl.DataFrame,
    form: Format,
    path: Path,
    *,
    sheet: str = "rows",
    about: Holds | None = None,
) -> int:
    """Write rows to a file; return their number.

    Raises:
        UsageError: the file is the store, or one of those that belong to it; or a workbook cannot
            hold so many rows.

    """
    _check_not_ours(app, path)
    if form != "xlsx":
        return _write_parts(iter([frame]), form, path)
    from afterclear.commands.queries.workbook import write_workbook  # noqa: PLC0415 - slow

    path.parent.mkdir(parents=True, exist_ok=True)
    write_workbook(frame, path, sheet, about)
    return len(frame)


def _query_of(table: str) -> str:
    if table not in EXPORTS:
        raise UnknownNameError("table to export", table, EXPORTS)
    return EXPORTS[table]


def _write_parts(
    parts: Iterator[pl.DataFrame], form: TextFormat | Literal["parquet"], path: Path
) -> int:
    """Write rows that come part by part, one part at least; return their number."""
    path.parent.mkdir(parents=True, exist_ok=True)
    first, n_rows = next(parts), 0

    def counted() -> Iterator[pl.DataFrame]:
        nonlocal n_rows
        for part in chain([first], parts):
            n_rows += len(part)
            yield part

    passing = counted()
    with _whole_or_gone(path):
        if form == "parquet":
            register_io_source(lambda *_: passing, schema=first.schema).sink_parquet(path)
        else:
            with path.open("w", encoding="utf-8", newline="") as file:
                for part in passing:
                    file.write(frame_text(part, form, headed=part is first))
    return n_rows


@contextmanager
def _whole_or_gone(path: Path) -> Iterator[None]:
    """Leave no half of a file that could be taken for all of it."""
    try:
        yield
    except BaseException:
        if path.is_file():  # what the name leads to may be a terminal or a pipe
            path.unlink()
        raise


def form_of(path: Path, asked: str | None) -> Format:
    """Choose the form of a file: the one asked for, else that of its name's ending, else CSV.

    Raises:
        UsageError: the ending says one form, and another is asked for.

    """
    ending = path.suffix.lower().removeprefix(".")
    named = next((form for form in FORMATS if form == ending), None)
    form = next((form for form in FORMATS if form == asked), None)
    if named and form and named != form:
        raise UsageError(f"{path} ends in .{named}, and --format says {form}.")
    return form or named or "csv"


def _check_not_ours(app: App, path: Path) -> None:
    store, place = app.store.resolve(), path.resolve()
    beside = place.parent == store.parent and place.name.startswith(f"{store.name}.")
    if place == store or beside or app.archive.resolve() in place.parents:
        raise UsageError(f"{path} belongs to the store itself; write the export elsewhere.")


def _csv(frame: pl.DataFrame, *, headed: bool) -> str:
    """Plain CSV; text that a spreadsheet would run gets an apostrophe before it."""
    return harmless(frame).write_csv(include_header=headed, datetime_format="%Y-%m-%dT%H:%M:%S%.fZ")
