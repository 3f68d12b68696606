"""Broken files through every reader, into a store: ``python -m tests.faults.fuzz --files 20000``.

Counts what became of them and ends with exit code 1 after a crash (any error that is not one of
ours), a hang (more than two seconds of processor time for one file), more memory than such a file
may take, or a row not accounted for.  Foreign files are read as they are in earnest, apart.
Each file's number and the seed make it again: ``--seed S --only N`` leaves it in a folder.
"""

import argparse
import random
import resource
import signal
import sys
import tempfile
import traceback
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType

from afterclear.config import shipped
from afterclear.errors import AfterclearError
from afterclear.load import Arrival, load_file
from afterclear.readers.child.reading_process import Readers
from afterclear.readers.limits import ReadingLimits
from afterclear.readers.maps.import_map import ImportMap, load_maps, parse_map
from afterclear.readers.registry import all_readers
from afterclear.records import LoadResult
from afterclear.store.engine.database import Connection, open_store, query
from afterclear.store.upkeep.checks import check_rows
from tests.campaigns import counted, kept
from tests.faults.mutations import mutated, seeds

MOST_S = 2.0  # processor time: a busy machine is no hang
_STORE_OF = 500  # files a store, so that it stays small
NOON = datetime(2026, 11, 1, 12, tzinfo=UTC)


@dataclass
class Tally:
    """What became of the files."""

    fates: Counter[str] = field(default_factory=Counter)
    readers: Counter[str] = field(default_factory=Counter)
    rows: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)  # crashes, hangs, rows unaccounted for
    slowest: tuple[float, int] = (0.0, -1)

    def lines(self) -> list[str]:
        """Tell it in a few lines."""
        return [
            f"files: {dict(sorted(self.fates.items()))}",
            f"by reader: {dict(sorted(self.readers.items()))}",
            f"rows: {dict(sorted(self.rows.items()))}",
            f"slowest: {self.slowest[0]:.2f} s (file {self.slowest[1]})",
            f"wrong: {len(self.wrong)}",
            *self.wrong[:20],
        ]


class HangError(Exception):
    """One file took too long."""


@contextmanager
def limited(seconds: float) -> Iterator[None]:
    """Raise ``HangError`` when the block has used so much processor time."""

    def stop(_: int, __: FrameType | None) -> None:
        raise HangError

    before = signal.signal(signal.SIGPROF, stop)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def fuzz(n_files: int, seed: int) -> Tally:
    """Load broken files; every problem is in ``wrong``."""
    tally = Tally()
    known = all_readers((*load_maps(shipped("config") / "imports"), *maps_of_prints()))
    # the first recording waits for its library, which takes two seconds to load
    limits = ReadingLimits(memory_bytes=1_500_000_000, seconds=4 * MOST_S)
    readers = Readers(known, limits)
    with readers:
        _fuzz(n_files, seed, readers, tally)
    return tally


def read_again(folder: Path) -> Tally:
    """Load files that broke a reader once, each called by its number and its name."""
    tally = Tally()
    limits = ReadingLimits(memory_bytes=1_500_000_000, seconds=4 * MOST_S)
    known = all_readers((*load_maps(shipped("config") / "imports"), *maps_of_prints()))
    with (
        Readers(known, limits) as readers,
        tempfile.TemporaryDirectory() as place,
        open_store(Path(place) / "fuzz.duckdb") as con,
    ):
        for path in sorted(folder.iterdir()):
            number, _, name = path.name.partition("_")
            arrival = Arrival("fuzz", path, name, vehicle_id="V1", started_at=NOON)
            _one(con, Path(place), (int(number), arrival, readers), tally)
    return tally


# No example of the program reads a PDF: one map for a table, one for lines.
_PRINTS = {
    "table": """kind = "pdf"
files = ["table*.pdf", "delivered*.pdf"]
[[table]]
into = "scans"
header_has = ["Unit", "Code"]
[table.columns]
vehicle_id = { above = 'Vehicle: (\\S+)' }
scanned_at = { above = 'Date: ([\\d-]+ [\\d:]+)' }
ecu = "Unit"
code = "Code"
""",
    "lines": """kind = "text"
files = ["lines*.pdf"]
[[table]]
into = "scans"
begin = '^Vehicle: (?P<vehicle>\\S+)'
section = ['^Date: (?P<date>.+)', '^\\[(?P<unit>[^\\]]+)\\]']
row = ['^(?P<code>\\S+) (?P<status>\\w+)$']
[table.columns]
vehicle_id = "vehicle"
scanned_at = "date"
ecu = "unit"
code = "code"
status = "status"
""",
}


def maps_of_prints() -> list[ImportMap]:
    """Give maps for the seeds that are PDFs."""
    problems: list[str] = []
    made = [parse_map(text, name, name, problems) for name, text in _PRINTS.items()]
    found = [each for each in made if each is not None]
    if problems:
        raise ValueError(problems)
    return found


def _fuzz(n_files: int, seed: int, readers: Readers, tally: Tally) -> None:
    known = seeds()
    for begin in range(0, n_files, _STORE_OF):
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place)
            with open_store(folder / "fuzz.duckdb") as con:
                for number in range(begin, min(begin + _STORE_OF, n_files)):
                    name, content = made(seed, number, known)
                    file = folder / f"delivered{Path(name).suffix}"
                    file.write_bytes(content)
                    arrival = Arrival("fuzz", file, name, vehicle_id="V1", started_at=NOON)
                    _one(con, folder, (number, arrival, readers), tally)
                tally.wrong += [
                    f"files {begin} ...: {finding.says} {finding.examples}"
                    for finding in check_rows(con)
                    if finding.n_breaches
                ]


def made(seed: int, number: int, known: list[tuple[str, bytes]]) -> tuple[str, bytes]:
    """Make a file again from its number."""
    return mutated(random.Random(f"{seed} {number}"), known)  # noqa: S311 - no secret


def _one(con: Connection, folder: Path, case: tuple[int, Arrival, Readers], tally: Tally) -> None:
    number, arrival, readers = case
    begun = _used_s()
    try:
        # a hang is told by the limit; twice the time ends it
        with limited(2 * MOST_S):
            results = list(load_file(con, folder / "archive", arrival, readers, lambda: NOON))
    except HangError:
        tally.wrong.append(f"file {number}: more than {2 * MOST_S} s")
        tally.fates["hang"] += 1
        return
    except AfterclearError as error:
        tally.wrong.append(f"file {number}: {type(error).__name__} ended the whole load: {error}")
        tally.fates["raised"] += 1
        return
    except Exception as error:  # noqa: BLE001 - the point of it
        where = traceback.extract_tb(error.__traceback__)[-1]
        tally.wrong.append(
            f"file {number} ({arrival.name}): {error!r} at {where.filename}:{where.lineno}"
        )
        tally.fates["crash"] += 1
        return
    took_s = _used_s() - begun
    tally.slowest = max(tally.slowest, (took_s, number))
    if took_s > MOST_S:
        tally.wrong.append(f"file {number} ({arrival.name}): {took_s:.2f} s")
    for result in results:
        _count(con, number, result, tally)


def _count(con: Connection, number: int, result: LoadResult, tally: Tally) -> None:
    tally.fates[result.outcome] += 1
    tally.readers[result.reader or "none"] += 1
    tally.rows["read"] += result.rows_read
    for fate in ("stored", "duplicate", "rejected"):
        tally.rows[fate] += getattr(result, f"rows_{fate}")
    if result.outcome == "refused" and not result.note:
        tally.wrong.append(f"file {number}: refused without a word")
    # the net has held, but the reader should not have needed it
    if result.is_fault or any(said in result.note for said in ("takes more than", "crashed on it")):
        tally.wrong.append(f"file {number}: {result.note}")
    if result.load_id is not None and result.rows_rejected:
        kept = query(con, "SELECT count(*) FROM rejections WHERE load_id = ?", [result.load_id])
        if kept.item() != result.rows_rejected:
            tally.wrong.append(f"file {number}: {kept.item()} of {result.rows_rejected} refusals")


def _used_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=20261125)
    parser.add_argument("--only", type=int, help="Write this file here instead.")
    asked = parser.parse_args()
    if asked.only is not None:
        name, content = made(asked.seed, asked.only, seeds())
        Path(f"fuzzed-{asked.only}-{name}").write_bytes(content)
        return
    with kept("files", " ".join(["python -m tests.faults.fuzz", *sys.argv[1:]])) as run:
        tally = fuzz(asked.files, asked.seed)
        counted(sum(tally.fates.values()), "broken files", len(tally.wrong))
        run.told = "; ".join(tally.lines()[:4])
    print("\n".join(tally.lines()))
    sys.exit(bool(tally.wrong))


if __name__ == "__main__":
    main()
