"""A large file of scans straight into the tables that hold them, a piece at a time.

Nearly all cells of such a file say what others said before: rows of one scan share their time and
distance, units repeat their answers. So a row is taken apart while it is still text: each scan's
cells and each answer's cells are parsed and checked once, and what is written of a row is two
numbers. Pieces end where a row ends, so that a file of any size needs the memory of a piece.

Anything to refuse, and whatever more than one cell of a row decides, is left to the ways that look
at every row.
"""

import mmap
import tempfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import polars as pl

from afterclear.plain import MILE_COLUMNS, SCANS
from afterclear.store.engine.connection import Binding, Connection
from afterclear.store.engine.database import create_temp_table, frame_of, query, scalar
from afterclear.store.intake.spelling import parsed, raw
from afterclear.store.intake.staging import RawTable, cell_checks, rows_of
from afterclear.store.merging.scan_parts import ANSWERS, FACTS, OF_THE_ROW, take_answers

PIECE_BYTES = 64_000_000
_COLUMNS: Final = {column.name: column for column in SCANS.columns}
_TO_REFUSE: Final = "error('a row to refuse')"


def can_stream(source: RawTable) -> bool:
    """Whether a file's rows can be taken apart as text."""
    has_all = source.table is SCANS and "ecu" in source.known
    return has_all and source.form == "csv" and not source.unknown and not source.longest_line


def stream_scans(
    con: Connection, source: RawTable, load_id: int, respell: Callable[[Connection], None]
) -> bool:
    """Insert a whole file; give up with False where a row must be looked at on its own.

    ``facts_told`` and ``answers_told`` have the numbers of what was told, as ``insert_scans``
    leaves them. ``respell``: as there.

    Raises:
        duckdb.Error: the file has a row to refuse.

    """
    facts, answers, own = (_Part(source, names) for names in (FACTS[:-1], ANSWERS, OF_THE_ROW[:-1]))
    con.execute("CREATE OR REPLACE TEMP TABLE facts_told AS FROM scan_facts LIMIT 0")
    numbers = []
    with tempfile.TemporaryDirectory(dir=source.path.parent) as folder:
        for piece in pieces(source.path, Path(folder)):
            told = _cells(con, source, piece)
            fact_no = _store_facts(con, facts, told, load_id)
            answer_no = _store_answers(con, answers, told, respell)
            if answer_no is None:
                return False
            _store_rows(con, own, pl.DataFrame([fact_no, answer_no, *told.select(own.cells)]))
            numbers.append(answer_no.unique())
    create_temp_table(con, "answers_told", pl.concat(numbers).unique().to_frame())
    return True


@dataclass(frozen=True, slots=True)
class _Part:
    """Those columns of a file that go into one of the tables."""

    source: RawTable
    names: tuple[str, ...]

    @property
    def cells(self) -> list[str]:
        """Names of the columns as they are delivered."""
        known = self.source.known
        delivered = (
            MILE_COLUMNS.get(name) if MILE_COLUMNS.get(name) in known else name
            for name in self.names
        )
        return [name for name in delivered if name in known]

    def parsed_from(self, table: str, numbers: Iterable[str]) -> str:
        """Write SQL for a table's cells as values beside its numbers; a wrong cell is an error."""
        source, beside = self.source, ", ".join(numbers)
        cells = ", ".join(f"nullif(trim({name}), '') AS {raw(name)}" for name in self.cells)
        values = ", ".join(
            f"{parsed(_COLUMNS[name], source.known, source.takes)} AS {name}" for name in self.names
        )
        faults = [sql for sql, column, _ in cell_checks(source) if column in self.cells]
        is_to_refuse = " OR ".join(faults) or "false"
        return f"""SELECT {beside}, {", ".join(self.names)} FROM (
                SELECT *, {values} FROM (SELECT {beside}, {cells or "NULL"} FROM {table}))
            WHERE CASE WHEN {is_to_refuse} THEN {_TO_REFUSE} ELSE true END"""


def _cells(con: Connection, source: RawTable, piece: Path) -> pl.DataFrame:
    """Read a piece's cells as text, under the names they are delivered with."""
    bind = Binding()
    with con.handed(piece, "delivered") as place:
        names = ", ".join(f"t.c{source.header.index(name)} AS {name}" for name in source.known)
        return frame_of(
            con.relation(f"SELECT {names} FROM {rows_of(source, place, bind)} t", bind.values)
        )


def _store_facts(con: Connection, facts: _Part, told: pl.DataFrame, load_id: int) -> pl.Series:
    """Store what rows of one scan share; give each row's number of it."""
    differs = (pl.col(name).ne_missing(pl.col(name).shift()) for name in facts.cells)
    begins = told.select(
        (pl.any_horizontal(*differs) | (pl.int_range(pl.len()) == 0)).alias("begins")
    )["begins"]
    scans = told.filter(begins).select(facts.cells)
    last = scalar(con, "SELECT max(fact_no) FROM scan_facts")
    distinct = (
        scans.unique()
        .sort("vehicle_id", "scanned_at", "scan_id", *facts.cells)
        .with_row_index("fact_no", last + 1)
    )
    create_temp_table(con, "piece_facts", distinct)
    con.execute(
        f"""INSERT INTO facts_told BY NAME SELECT *, {load_id} AS load_id
            FROM ({facts.parsed_from("piece_facts", ["fact_no"])})"""
    )
    con.execute(f"INSERT INTO scan_facts FROM facts_told WHERE fact_no > {last} ORDER BY fact_no")
    numbers = scans.join(
        distinct, on=facts.cells, how="left", nulls_equal=True, maintain_order="left"
    )
    return numbers["fact_no"].gather(begins.cum_sum() - 1)


def _store_answers(
    con: Connection, answers: _Part, told: pl.DataFrame, respell: Callable[[Connection], None]
) -> pl.Series | None:
    """Store what units answered; give each row's number of it, or None if one names no unit."""
    cells = told.select(answers.cells)
    distinct = cells.unique().with_row_index("nth")
    create_temp_table(con, "piece_answers", distinct)
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE answers_told AS
            SELECT *, code AS spelled, NULL::INTEGER AS answer_no
            FROM ({answers.parsed_from("piece_answers", ["nth"])})"""
    )
    # whether a row may name no unit depends on what else it says
    if scalar(con, "SELECT count(*) FROM answers_told WHERE ecu IS NULL"):
        return None
    respell(con)
    take_answers(con)
    numbers = query(con, "SELECT answer_no FROM answers_told ORDER BY nth")["answer_no"]
    nth = cells.join(
        distinct, on=answers.cells, how="left", nulls_equal=True, maintain_order="left"
    )
    return numbers.gather(nth["nth"])


def _store_rows(con: Connection, own: _Part, rows: pl.DataFrame) -> None:
    create_temp_table(con, "piece_rows", rows.sort("fact_no"))
    con.execute(
        f"""INSERT INTO scan_rows BY NAME
            {own.parsed_from("piece_rows", ["fact_no", "answer_no"])}"""
    )


def pieces(path: Path, folder: Path) -> Iterator[Path]:
    """Yield a file in pieces that end where a row ends, each with the file's header; one at a time.

    A line break between two quotes is part of a cell (RFC 4180), so pieces end where quotes so far
    are even. In a file whose quotes are wrong the database's reader refuses the same row.
    """
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        if len(data) <= PIECE_BYTES:
            yield path
            return
        begin = _row_end(data, 0, 0)
        header, piece = data[:begin], folder / "piece.csv"
        while begin < len(data):
            end = _row_end(data, begin, begin + PIECE_BYTES)
            with piece.open("wb") as out:
                out.write(header)
                out.write(data[begin:end])
            yield piece
            begin = end


def _row_end(data: mmap.mmap, begin: int, after: int) -> int:
    """Find the end of the first row that ends after a place; rows begin at ``begin``."""
    end = data.find(b"\n", min(after, len(data))) + 1 or len(data)
    is_within_cell = data[begin:end].count(b'"') % 2
    while is_within_cell and end < len(data):
        begin, end = end, data.find(b"\n", end) + 1 or len(data)
        is_within_cell ^= data[begin:end].count(b'"') % 2
    return end
