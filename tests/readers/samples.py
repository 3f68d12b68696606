"""A good file for every reader there is, the import maps of ``config/imports`` among them."""

import io
import json
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import polars as pl

from afterclear.config import shipped
from afterclear.readers.maps.checked_map import ImportMap
from afterclear.readers.maps.import_map import load_maps
from afterclear.readers.reader import Reader
from afterclear.readers.registry import all_readers
from afterclear.records import Delivery, PlainRows, ReadFile
from tests.readers.bus import BEGIN, DM1, one_code
from tests.readers.workbooks import ods, orders, xls, xlsx

DATA = Path(__file__).parent / "data"
IMPORTS = shipped("config") / "imports"
SCANS = """scan_id,vehicle_id,scanned_at,odometer_km,ecu,code,status
S-1,T-1,2025-03-04T10:00:00Z,83120,engine,P0301,confirmed
S-1,T-1,2025-03-04T10:00:00Z,83120,brakes,,
S-2,T-1,2025-04-04T10:00:00Z,84120,engine,,
"""
HEX = """vehicle_id: T-1
scanned_at: 2025-03-30T14:05:00+02:00
form: messages
> 7DF 03
7E8 43 02 01 02 01 13
7E9 43 00
"""


@dataclass(frozen=True)
class Sample:
    """A file a reader takes, and what is true of its kind."""

    name: str
    reader: str
    raw: bytes
    is_text: bool = True  # its bytes are text in ``encoding``
    by_line: bool = True  # each line stands for itself: a prefix of the file is a file
    encoding: str = "utf-8"
    delimiter: str = ""  # of the headings' row, where it has one
    heading_line: int = 0

    @property
    def suffix(self) -> str:
        """The file's suffix."""
        return Path(self.name).suffix


def maps() -> dict[str, ImportMap]:
    """Give the example maps by name."""
    return {each.name: each for each in load_maps(IMPORTS) if isinstance(each, ImportMap)}


@cache
def readers() -> tuple[Reader, ...]:
    """Give every registered reader, one for each example map."""
    return all_readers(tuple(maps().values()))


def reader_named(name: str) -> Reader:
    """Give a reader by its name."""
    return next(r for r in readers() if r.name == name)


def _import(name: str) -> bytes:
    return (DATA / "imports" / name).read_bytes()


def _parquet() -> bytes:
    file = io.BytesIO()
    pl.read_csv(SCANS.encode(), infer_schema=False).write_parquet(file)
    return file.getvalue()


def _jsonl() -> bytes:
    return pl.read_csv(SCANS.encode(), infer_schema=False).write_ndjson().encode()


def _returned() -> bytes:
    names, *rows = (line.split(",") for line in SCANS.splitlines())
    numbers = [str(n) for n, _ in enumerate(rows, 1)]
    own = "refused rows 1"
    return xlsx(
        {
            own: [
                ["refused row", "why it was refused", *names],
                *([n, "", *row] for n, row in zip(numbers, rows, strict=True)),
            ],
            "origin of the rows": [
                ["Leave this sheet as it is."],
                ["sheet", own, "scans", "plain", "UTC"],
                *(["column", own, name, json.dumps(name)] for name in names),
                *(["row", own, n, f"key {n}"] for n in numbers),
            ],
        }
    )


def _bus() -> bytes:
    frames = [(1_700_000_000 + n, DM1, one_code(100, 4)) for n in range(30)]
    lines = [f"({at:.6f}) can0 {can_id:08X}#{data.hex().upper()}" for at, can_id, data in frames]
    return "".join(f"{line}\n" for line in lines).encode()


def all_samples() -> list[Sample]:
    """List the samples."""
    book: Callable[[str], str] = lambda suffix: f"orders_2025.{suffix}"  # noqa: E731
    orders_reader = "map:brookfield_orders"
    return [
        Sample("scans.csv", "plain_table", SCANS.encode(), delimiter=",", heading_line=1),
        Sample("scans.jsonl", "plain_table", _jsonl()),
        Sample("scans.parquet", "plain_table", _parquet(), is_text=False, by_line=False),
        Sample("bus.log", "can_log", _bus()),
        Sample("answers.txt", "hex_responses", HEX.encode()),
        Sample(
            "fehlerliste_2025-10.csv",
            "map:nordhof_faults",
            _import("fehlerliste_2025-10.csv"),
            encoding="cp1252",
            delimiter=";",
            heading_line=4,
        ),
        Sample(
            "scan-export-2025.txt",
            "map:coastline_scans",
            _import("scan-export-2025.txt"),
            delimiter="\t",
            heading_line=1,
        ),
        Sample(
            "pool_harbour_2025.csv",
            "map:harbour_list",
            _import("pool_harbour_2025.csv"),
            delimiter=",",
            heading_line=2,
        ),
        Sample(
            "register_fevrier.prn",
            "map:oldline_register",
            _import("register_fevrier.prn"),
            encoding="latin-1",
        ),
        Sample("reading_0425.txt", "map:handset_report", _import("reading_0425.txt")),
        Sample("telebox_7.json", "map:telebox_reports", _import("telebox_7.json"), by_line=False),
        Sample("gatehouse_0412.xml", "map:gatehouse_results", _import("gatehouse_0412.xml"),
               by_line=False),
        Sample("yard_17.html", "map:yardpage", _import("yard_17.html"), by_line=False),
        Sample(book("xlsx"), orders_reader, xlsx(orders()), is_text=False, by_line=False),
        Sample(book("ods"), orders_reader, ods(orders()), is_text=False, by_line=False),
        Sample(book("xls"), orders_reader, xls(orders()), is_text=False, by_line=False),
        Sample("refused_rows.xlsx", "returned_rows", _returned(), is_text=False, by_line=False),
    ]  # fmt: skip


def deliver(folder: Path, name: str, raw: bytes) -> Delivery:
    """Put bytes into a file and deliver it, for the vehicle T-1 where it names none."""
    path = folder / name
    path.write_bytes(raw)
    return Delivery("test", name, path, "0123456789abcdef" * 4, vehicle_id="T-1", started_at=BEGIN)


def rows_of(read: ReadFile) -> list[tuple[str, int | None, tuple[tuple[str, str], ...]]]:
    """List (table, line, cells) of every row a reader made itself; empty cells left out."""
    return [
        (
            part.table,
            row.pop("_line"),
            tuple(sorted((k, v) for k, v in row.items() if v is not None and v != "")),
        )
        for part in read.parts
        if isinstance(part, PlainRows)
        for row in part.frame.to_dicts()
    ]
