"""Rows into Parquet files and back, through a connection that may read one folder only."""

import os
import shutil
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path

from afterclear.store.engine.connection import Connection, literal

_FORM = "FORMAT parquet, COMPRESSION zstd"


@contextmanager
def readable(con: Connection, files: Sequence[Path], name: str = "rows") -> Iterator[str]:
    """Let SQL read Parquet files of the same columns for the block; gives what stands after FROM.

    There is at least one file. ``name``: other than that of files read at the same time.
    """
    with ExitStack() as handed:
        places = [
            handed.enter_context(con.handed(path, f"{name}-{number}.parquet"))
            for number, path in enumerate(files)
        ]
        yield f"read_parquet([{', '.join(literal(str(place)) for place in places)}])"


def put_rows(con: Connection, sql: str, target: Path) -> int:
    """Write the rows of a query of ours to one file; return their number."""
    place = con.handing() / "rows.parquet"
    counted = con.execute(f"COPY ({sql}) TO {literal(str(place))} ({_FORM})").fetchall()
    _move(place, target)
    return int(counted[0][0])


def put_by(con: Connection, sql: str, column: str, folder: Path, name: str) -> dict[int, list[str]]:
    """Write the rows of a query of ours to files, each of one value of a column of whole numbers.

    The files go to ``folder``; ``name``: how their names begin. Returns the files of each value.
    """
    place = con.handing() / "parts"
    con.execute(f"COPY ({sql}) TO {literal(str(place))} ({_FORM}, PARTITION_BY ({column}))")
    found: dict[int, list[str]] = {}
    for part in sorted(place.glob(f"{column}=*")):
        value = int(part.name.partition("=")[2])
        for number, file in enumerate(sorted(part.iterdir())):
            target = f"{column}={value}/{name}-{number}.parquet"
            _move(file, folder / target)
            found.setdefault(value, []).append(target)
    shutil.rmtree(place, ignore_errors=True)
    return found


def _move(file: Path, target: Path) -> None:
    """Put a file in its place: it is there whole or not at all."""
    target.parent.mkdir(parents=True, exist_ok=True)
    beside = target.with_name(f".{target.name}.part")
    shutil.move(file, beside)
    os.replace(beside, target)  # noqa: PTH105 - the same as of any path
