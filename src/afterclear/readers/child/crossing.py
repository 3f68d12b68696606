"""The reading process's answers, written in plain formats and read again.

That process has read bytes that nobody vouches for, so an answer is never pickled: it is one line
of JSON, and rows are Arrow files in a folder.
"""

from pathlib import Path
from typing import Any

import polars as pl

from afterclear.records import PlainRows, ReadFile, Rejection

_REJECTIONS = "rejections.arrow"
_SCHEMA = {
    "table": pl.String,
    "line": pl.Int64,
    "column": pl.String,
    "value": pl.String,
    "expected": pl.String,
    "row": pl.String,
    "is_source": pl.Boolean,
}


def put_down(read: ReadFile, folder: Path) -> dict[str, Any]:
    """Write rows into files of ``folder``; return the small parts of the answer."""
    tables = []
    for number, part in enumerate(read.parts):
        if not isinstance(part, PlainRows):
            raise TypeError(f"{type(part).__name__} is read by the store, not here")
        part.frame.write_ipc(folder / f"{number}.arrow")
        tables.append((part.table, part.zone))
    if read.rejections:
        rows = [
            (r.table, r.line, *map(_sound, (r.column, r.value, r.expected, r.row)), r.is_source)
            for r in read.rejections
        ]
        pl.DataFrame(rows, schema=_SCHEMA, orient="row").write_ipc(folder / _REJECTIONS)
    return {"tables": tables, "note": read.note, "returned": list(read.returned.items())}


def picked_up(answer: dict[str, Any], folder: Path) -> ReadFile:
    """Read again what ``put_down`` wrote."""
    parts = [
        PlainRows(table, _frame(folder / f"{n}.arrow"), zone)
        for n, (table, zone) in enumerate(answer["tables"])
    ]
    refused = folder / _REJECTIONS
    rejections = (
        [Rejection(*row) for row in _frame(refused).iter_rows()] if refused.exists() else []
    )
    returned = {int(line): str(key) for line, key in answer["returned"]}
    return ReadFile(tuple(parts), tuple(rejections), answer["note"], returned)


def _frame(path: Path) -> pl.DataFrame:
    with path.open("rb") as file:
        return pl.read_ipc(file)


def _sound(text: str | None) -> str | None:
    """Replace lone surrogates, which JSON may hold and no column can."""
    return text and text.encode("utf-8", "replace").decode()
