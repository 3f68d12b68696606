"""The rows behind a page's numbers as CSV files beside it, for people with a spreadsheet.

A page links ``data/rows-TABLE[--COLUMN-VALUE].csv``; what is linked is written.  One file for all
vehicles serves every vehicle's page: five for each of 5,000 would be 25,000.  A table too long for
a mail or a spreadsheet stays with its command, and so does every table where names are tokens: the
pages are searched for names before they are written, these rows hold more text than the pages.

As spreadsheets open them: a byte-order mark, without which they take UTF-8 for the machine's own
encoding; in languages with a decimal comma that comma and semicolons between cells, as they expect
there (RFC 4180 gives commas); instants without the T and Z that they take for text.  Common
practice, no source.
"""

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Final

import polars as pl
import polars.selectors as cs

from afterclear.commands.pages.told_figures import aware
from afterclear.digest.common.file_names import INDEX, name_mark, rows_of_file
from afterclear.digest.input.frames import DigestSettings
from afterclear.store.engine.database import Connection, query, scalar
from afterclear.store.queries.exports import EXPORTS
from afterclear.wording.exported import with_sentences
from afterclear.wording.language import MARKS

# Rows of one file; a sheet holds 1,048,576 of them (ECMA-376 leaves it open; the usual programs),
# but the evidence of a fleet of thousands is 100 MB and more, each night.
MOST_ROWS: Final = 200_000
# those that grow with scans; the others have a row for a vehicle, site or part
_LONG: Final = ("attempts", "evidence", "episodes", "odometer", "roles", "recurring", "claims",
         "counted_work")  # fmt: skip

_LINK = re.compile(r'href="(?:\.\./)?(data/rows-[\w.-]+\.csv)"')

# A spreadsheet runs a cell that begins with one of these as a formula.
# A line feed is skipped on the way to it, and the wide forms of these signs count as they do.
_FORMULA = r"^[=+\-@\t\r\n＝＋－＠]"  # noqa: RUF001


def tables_beside_pages(con: Connection) -> frozenset[str]:
    """Return the tables short enough to be written beside pages."""
    counts = {name: scalar(con, f"SELECT count(*) FROM ({EXPORTS[name]})") for name in _LONG}
    return frozenset(name for name in EXPORTS if counts.get(name, 0) <= MOST_ROWS)


def row_files_linked(html: str) -> set[str]:
    """Name the row files that a page links."""
    return set(_LINK.findall(html))


def with_row_files(
    con: Connection,
    pages: Iterable[tuple[str, str]],
    shown: DigestSettings,
    linked_elsewhere: Iterable[str] = (),
) -> Iterator[tuple[str, str]]:
    """Yield pages, and before the index the row files they link, each once.

    ``linked_elsewhere``: row files that pages written by others link.  Without who did the work,
    unless people may be named (``technicians``).
    """
    linked = set(linked_elsewhere)
    for name, html in pages:
        linked |= row_files_linked(html)
        if name == INDEX:
            yield from _row_files(con, sorted(linked), shown)
        yield name, html


def _row_files(
    con: Connection, names: Iterable[str], shown: DigestSettings
) -> Iterator[tuple[str, str]]:
    table, rows = "", pl.DataFrame()
    for name in names:  # in order, so that those of one table follow each other
        asked, values, marks = rows_of_file(name)
        if asked != table:
            table, rows = asked, with_sentences(asked, aware(query(con, EXPORTS[asked])))
            rows = rows if shown.technicians else rows.drop("technician", strict=False)
        yield name, spreadsheet_text(_chosen(rows, values, marks), shown.language)


def _chosen(
    rows: pl.DataFrame, values: Mapping[str, Sequence[str]], marks: Mapping[str, str]
) -> pl.DataFrame:
    """Choose the rows with these values; ``marks`` stand for names, of an unknown one for none."""
    wanted = [pl.col(column).cast(pl.String).is_in(each) for column, each in values.items()]
    for column, mark in marks.items():
        name = pl.col(column).fill_null("")
        marked = [
            each for each in rows.select(name.unique()).to_series() if name_mark(each) == mark
        ]
        wanted.append(name.is_in(marked))
    return rows.filter(*wanted) if wanted else rows


def spreadsheet_text(frame: pl.DataFrame, language: str) -> str:
    """Return rows as CSV that a spreadsheet of this language opens as a table."""
    flat = frame.select(
        pl.col(name).cast(pl.String) if kind.is_nested() or kind == pl.Binary else pl.col(name)
        for name, kind in frame.schema.items()
    )
    has_comma = MARKS[language].decimal == ","
    return harmless(flat).write_csv(
        include_bom=True,
        separator=";" if has_comma else ",",
        decimal_comma=has_comma,
        datetime_format="%Y-%m-%d %H:%M:%S",
    )


def harmless(frame: pl.DataFrame) -> pl.DataFrame:
    """Put an apostrophe before text that a spreadsheet would run."""
    return frame.with_columns(
        pl.when(pl.col(name).str.contains(_FORMULA))
        .then(pl.lit("'") + pl.col(name))
        .otherwise(pl.col(name))
        .alias(name)
        for name in frame.select(cs.string()).columns
    )
