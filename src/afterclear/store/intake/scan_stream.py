"""A large file of scans straight into the tables that hold them, a piece at a time.

Nearly all cells of such a file say what others said before: rows of one scan share their time and
distance, units repeat their answers. So a row is taken apart while it is still text: each scan's
cells and each answer's cells are parsed and checked once, and what is written of a row is two
numbers. Pieces end where a row ends, so that a file of any size needs the memory of a piece.

Anything to refuse, and whatever more than one cell of a row decides, is left to the ways that look
at every row.
"""

import tempfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

import polars as pl

from afterclear.plain import MILE_COLUMNS, SCANS
from afterclear.store.engine.connection import Binding, Connection
from afterclear.store.engine.database import create_temp_table, frame_of, frame_seen, query, scalar
from afterclear.store.intake.spelling import parsed, raw
from afterclear.store.intake.staging import RawTable, cell_checks, extras, rows_of
from afterclear.store.merging.scan_parts import ANSWERS, FACTS, OF_THE_ROW, take_answers

PIECE_BYTES = 64_000_000
_COLUMNS: Final = {column.name: column for column in SCANS.columns}


def stream_scans(
    con: Connection, source: RawTable, load_id: int, respell: Callable[[Connection], None]
) -> bool:
    """Insert a whole file; give up with False where a row must be looked at on its own.

    ``facts_told`` and ``answers_told`` then have the numbers of what was told. ``respell`` may
    change ``spelled`` in ``answers_told``, the code as it is stored.

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
            if _unit_is_missing(con):
                return False
            cells = told.select(own.cells + (["extras"] if source.unknown else []))
            _store_rows(con, own, pl.DataFrame([fact_no, answer_no, *cells]))
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
        both = (each for name in self.names for each in (name, MILE_COLUMNS.get(name)))
        return [name for name in both if name in known and name is not None]

    def parsed_from(self, table: str, beside: Iterable[str]) -> str:
        """Write SQL for a table's cells as values; one that is to be refused is an error.

        ``beside``: columns that are passed on as they are.
        """
        source, others = self.source, ", ".join(beside)
        cells = ", ".join(f"nullif(trim({name}), '') AS {raw(name)}" for name in self.cells)
        values = ", ".join(
            f"{parsed(_COLUMNS[name], source.known, source.takes)} AS {name}" for name in self.names
        )
        faults = [sql for sql, column, _ in cell_checks(source) if column in self.cells]
        return f"""SELECT {others}, {", ".join(self.names)} FROM (
                SELECT *, {values} FROM (SELECT {others}, {cells or "NULL"} FROM {table}))
            WHERE CASE WHEN {" OR ".join(faults) or "false"}
                THEN error('a row to refuse') ELSE true END"""


def _cells(con: Connection, source: RawTable, piece: Path) -> pl.DataFrame:
    """Read a piece's cells as text, under the names they are delivered with."""
    bind = Binding()
    names = ", ".join(f"t.c{source.header.index(name)} AS {name}" for name in sorted(source.known))
    with con.handed(piece, "delivered") as place:
        sql = f"""SELECT {names}, {extras(source, bind)} AS extras
            FROM {rows_of(source, place, bind)} t"""
        return frame_of(con.relation(sql, bind.values))


def _store_facts(con: Connection, facts: _Part, told: pl.DataFrame, load_id: int) -> pl.Series:
    """Store what rows of one scan share; give each row's number of it."""
    # a scan's rows nearly always follow each other: few are left to be compared
    differs = (pl.col(name).ne_missing(pl.col(name).shift()) for name in facts.cells)
    begins = told.select(
        (pl.any_horizontal(*differs) | (pl.int_range(pl.len()) == 0)).alias("begins")
    )["begins"]
    scans = told.filter(begins).select(facts.cells)
    last = scalar(con, "SELECT max(fact_no) FROM scan_facts")
    in_order = scans.unique().sort("vehicle_id", "scanned_at", "scan_id", *facts.cells)
    distinct = in_order.with_row_index("fact_no", last + 1)
    with frame_seen(con, distinct):
        con.execute(
            f"""INSERT INTO facts_told BY NAME SELECT *, {load_id} AS load_id
                FROM ({facts.parsed_from("frame", ["fact_no"])})"""
        )
    con.execute(f"INSERT INTO scan_facts FROM facts_told WHERE fact_no > {last} ORDER BY fact_no")
    return _numbers(scans, distinct)["fact_no"].gather(begins.cum_sum() - 1)


def _store_answers(
    con: Connection, answers: _Part, told: pl.DataFrame, respell: Callable[[Connection], None]
) -> pl.Series:
    """Store what units answered; give each row's number of it."""
    # a file of odometer readings has no cells of answers, and one answer all the same
    cells = told.select(pl.repeat(0, pl.len()).alias("same"), *answers.cells)
    distinct = cells.unique().with_row_index("nth")
    with frame_seen(con, distinct):
        con.execute(
            f"""CREATE OR REPLACE TEMP TABLE answers_told AS
                SELECT *, code AS spelled, NULL::INTEGER AS answer_no
                FROM ({answers.parsed_from("frame", ["nth"])})"""
        )
    respell(con)
    take_answers(con)
    numbers = query(con, "SELECT answer_no FROM answers_told ORDER BY nth")["answer_no"]
    return numbers.gather(_numbers(cells, distinct)["nth"])


def _numbers(cells: pl.DataFrame, distinct: pl.DataFrame) -> pl.DataFrame:
    """Give each row the number that its cells have among the distinct ones."""
    return cells.join(
        distinct, on=cells.columns, how="left", nulls_equal=True, maintain_order="left"
    )


def _unit_is_missing(con: Connection) -> bool:
    """Whether a row may lack the unit it must name: only one that reads an odometer need not."""
    n_without, n_with_code = con.execute(
        "SELECT count(*), count(code) FROM answers_told WHERE ecu IS NULL"
    ).fetchall()[0]
    reads_nothing = "coalesce(odometer_km, engine_hours) IS NULL"
    return n_with_code > 0 or (
        n_without > 0 and scalar(con, f"SELECT count(*) FROM facts_told WHERE {reads_nothing}") > 0
    )


def _store_rows(con: Connection, own: _Part, rows: pl.DataFrame) -> None:
    as_they_are = [name for name in rows.columns if name not in own.cells]
    with frame_seen(con, rows.sort("fact_no")):
        con.execute(f"INSERT INTO scan_lines BY NAME {own.parsed_from('frame', as_they_are)}")


def pieces(path: Path, folder: Path) -> Iterator[Path]:
    """Yield a file in pieces that end where a row ends, each with the file's header; one at a time.

    A line break between two quotes is part of a cell (RFC 4180), so pieces end where quotes so far
    are even. In a file whose quotes are wrong the database's reader refuses the same row.
    """
    if path.stat().st_size <= PIECE_BYTES:
        yield path
        return
    piece = folder / "piece.csv"
    with path.open("rb") as file:
        header = _rows(file, 0)
        while rows := _rows(file, PIECE_BYTES):
            piece.write_bytes(header + rows)
            yield piece


def _rows(file: BinaryIO, n_bytes: int) -> bytes:
    """Read on for so many bytes, and to the end of the row that stands there."""
    found = [file.read(n_bytes), file.readline()]
    is_within_cell = sum(part.count(b'"') for part in found) % 2
    while is_within_cell and (line := file.readline()):
        found.append(line)
        is_within_cell ^= line.count(b'"') % 2
    return b"".join(found)
