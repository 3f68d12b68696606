"""Foreign files in a process of their own: whatever one does to it, the others are loaded."""

import io
import json
import logging
import os
import pickle
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from afterclear.commands.intake.loading import LoadReport
from afterclear.errors import RefusedFileError
from afterclear.load import Arrival, load_file, load_files
from afterclear.readers.child import reading_process
from afterclear.readers.child.reading_process import Readers
from afterclear.readers.limits import ReadingLimits
from afterclear.readers.mapped.map_reader import MapReader
from afterclear.readers.maps.import_map import load_maps
from afterclear.readers.registry import all_readers
from afterclear.records import Delivery, LoadResult, PlainRows
from afterclear.store.engine.database import open_store
from tests.readers.bad_files import BAD, bad_files, workbook
from tests.readers.odd_readers import OddReader
from tests.readers.samples import SCANS, all_samples, deliver, readers

pytestmark = pytest.mark.slow

NOON = datetime(2026, 11, 1, 12, tzinfo=UTC)
SMALL = ReadingLimits(memory_bytes=400_000_000, seconds=0.2, member_bytes=1000)
_MAPS = {
    "books": 'kind = "workbook"\nfiles = ["*.xlsx"]\ntable = [{into = "vehicles", '
    'columns = {vehicle_id = "unit", make = "made by"}}]',
    "trees": 'kind = "json"\nfiles = ["*.json"]\ntable = [{into = "vehicles", rows = "units", '
    'columns = {vehicle_id = "unit", make = "k1"}}]',
    "marks": 'kind = "xml"\nfiles = ["*.xml"]\ntable = [{into = "vehicles", rows = "r.a", '
    'columns = {vehicle_id = "unit", make = "by"}}]',
}


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> dict[str, LoadResult]:
    """Load every bad file, and good ones after them, in one night."""
    folder = tmp_path_factory.mktemp("night")
    (folder / "imports").mkdir()
    for name, text in _MAPS.items():
        (folder / "imports" / f"{name}.toml").write_text(text)
    good = {
        "good.csv": SCANS.replace("S", "G").encode(),
        "good.xlsx": workbook((0, 0, "unit"), (0, 1, "made by"), (1, 0, "U1"), (1, 1, "Nordal")),
    }
    arrivals = []
    for name, raw in {**bad_files(), **good}.items():
        (folder / name).write_bytes(raw)
        arrivals.append(Arrival("test", folder / name, name))
    with open_store(folder / "x.duckdb") as con:
        results = load_files(con, folder / "archive", arrivals, lambda: NOON, folder / "imports")
        return {result.file_name: result for result in results}


@pytest.mark.parametrize("name", BAD)
def test_a_file_that_broke_its_reader_is_refused_with_the_reason(
    night: dict[str, LoadResult], name: str
) -> None:
    reason = BAD[name]
    assert night[name].outcome == ("refused" if reason else "stored")
    assert (reason or "files within") in night[name].note
    assert not night[name].is_fault


def test_files_after_bad_ones_are_loaded(night: dict[str, LoadResult]) -> None:
    assert night["good.csv"].rows_stored == 3
    assert night["good.xlsx"].rows_stored == 1


@pytest.mark.slow
def test_a_hundred_thousand_siblings_cost_what_they_weigh(tmp_path: Path) -> None:
    """Copied for each new one, they took minutes for 3 MB; the limit here is far from both."""
    path = tmp_path / "a.xml"
    rows = "".join(f"<a><unit>U{n}</unit><by>Nordal</by></a>" for n in range(100_000))
    path.write_text(f"<r>{rows}</r>")
    (tmp_path / "marks.toml").write_text(_MAPS["marks"])
    known = all_readers(load_maps(tmp_path))
    with Readers(known, ReadingLimits(seconds=30)) as apart:
        read = apart.read_apart("map:marks", Delivery("test", "a.xml", path, ""))
    (part,) = read.parts
    assert isinstance(part, PlainRows)
    assert part.frame.height == 100_000


def test_a_name_within_is_told_in_letters_that_do_no_harm(night: dict[str, LoadResult]) -> None:
    assert not [name for name in night if not name.isprintable()]


def _with_paths() -> dict[str, str]:
    return os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}


class Bench:
    """A store, and readers that misbehave when asked to."""

    def __init__(self, folder: Path, limits: ReadingLimits) -> None:
        self.folder, self.readers = folder, Readers([OddReader()], limits)

    def load(self, *words: str) -> LoadReport:
        results = []
        for n, word in enumerate(words):
            path = self.folder / f"{n}.odd"
            path.write_text(f"{word} V{n}")
            arrival = Arrival("test", path, path.name)
            with open_store(self.folder / "x.duckdb") as con:
                loads = load_file(con, self.folder / "archive", arrival, self.readers, lambda: NOON)
                results += loads
        return LoadReport(tuple(results))


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path, SMALL)
    with made.readers:
        yield made


@pytest.mark.parametrize("word", ["hungry", pytest.param("native", marks=pytest.mark.slow)])
def test_what_takes_too_much_memory_is_refused_and_the_next_file_read(
    word: str, tmp_path: Path
) -> None:
    bench = Bench(tmp_path, replace(SMALL, seconds=60))
    with bench.readers:
        report = bench.load("good", word, "good")
    assert [r.outcome for r in report.results] == ["stored", "refused", "stored"]
    assert "more than 400 MB of memory" in report.results[1].note


@pytest.mark.parametrize(
    ("word", "said"),
    [
        ("crashing", "SIGSEGV"),
        ("endless", "more than 0.2 s"),
        ("asleep", "more than 0.2 s"),
    ],
)
def test_what_takes_too_long_or_crashes_is_refused_and_the_next_file_read(
    word: str, said: str, bench: Bench
) -> None:
    report = bench.load("good", word, "good")
    assert [r.outcome for r in report.results] == ["stored", "refused", "stored"]
    assert said in report.results[1].note
    assert report.exit_code == 3


def test_a_fault_of_ours_is_refused_as_ours_and_logged(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.ERROR, "afterclear"):
        report = bench.load("faulty", "good")
    assert [r.outcome for r in report.results] == ["refused", "stored"]
    assert "fault of afterclear's own" in report.results[0].note
    assert "KeyError" in report.results[0].note
    assert report.exit_code == 1
    (record,) = caplog.records
    assert "odd_readers.py" in record.facts["trace"]  # type: ignore[attr-defined]


def test_a_process_ended_from_outside_is_no_ones_refusal(tmp_path: Path) -> None:
    """The system may have been short of memory for another's sake: the next run tries again."""
    path = tmp_path / "1.csv"
    path.write_text("killed V1")
    with Readers([OddReader()]) as readers, pytest.raises(reading_process.UnreachableError):
        readers.read_apart("odd", Delivery("test", "1.odd", path, ""))


def test_no_secret_is_handed_to_it(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("YARD_PASSWORD", "x")
    (told,) = bench.load("telling").results
    assert "PATH" in told.note
    assert "YARD_PASSWORD" not in told.note


def test_a_file_loads_no_other_reader_than_its_own(tmp_path: Path) -> None:
    path = tmp_path / "1.odd"
    path.write_text("loaded V1")
    with (
        Readers([*readers(), OddReader()]) as apart,
        pytest.raises(RefusedFileError) as told,
    ):
        apart.read_apart("odd", Delivery("test", "1.odd", path, ""))
    loaded = set(str(told.value).split())
    assert "tests.readers.odd_readers" in loaded
    assert not loaded & {"pydantic", "can", "afterclear.readers.bus.recordings"}
    assert not [name for name in loaded if name.startswith("afterclear.readers.mapped")]


_LOADED = "import sys; import {}; print(*sys.modules)"


@pytest.mark.parametrize(
    ("begun", "without"),
    [
        ("afterclear.readers.child.reading_child", {"polars", "duckdb", "pydantic"}),
        (
            "afterclear.readers.registry as r; r.all_readers()",
            {"afterclear.readers.bus.recordings", "afterclear.readers.mapped.map_tables"},
        ),
    ],
)
def test_neither_process_loads_at_its_start_what_reading_takes(
    begun: str, without: set[str]
) -> None:
    words = [sys.executable, "-c", _LOADED.format(begun)]
    said = subprocess.run(words, check=True, capture_output=True, text=True, env=_with_paths())
    assert not without & set(said.stdout.split())


def test_a_checked_map_comes_to_it_without_the_library_that_checks() -> None:
    begun = "pickle, afterclear.readers.mapped.map_tables; pickle.load(sys.stdin.buffer)"
    words = [sys.executable, "-c", _LOADED.format(begun)]
    mapped = pickle.dumps([reader for reader in readers() if isinstance(reader, MapReader)])
    said = subprocess.run(words, check=True, capture_output=True, input=mapped, env=_with_paths())
    loaded = set(said.stdout.decode().split())
    assert "afterclear.readers.maps.checked_map" in loaded
    assert not loaded & {"pydantic", "pydantic_core"}


def test_what_a_library_prints_is_no_answer(bench: Bench) -> None:
    assert bench.load("chatty").exit_code == 0


def test_plain_tables_begin_no_process(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading_process, "_begun", None)
    frame = pl.read_csv(io.StringIO(SCANS), infer_schema=False)
    (tmp_path / "a.csv").write_text(SCANS)
    (tmp_path / "b.jsonl").write_text(
        "".join(
            json.dumps({**r, "scan_id": f"J{n}"}) + "\n" for n, r in enumerate(frame.to_dicts())
        )
    )
    frame.with_columns(scan_id=pl.lit("P") + pl.col("scan_id")).write_parquet(
        tmp_path / "c.parquet"
    )
    arrivals = [Arrival("t", tmp_path / n, n) for n in ("a.csv", "b.jsonl", "c.parquet")]
    with open_store(tmp_path / "x.duckdb") as con:
        results = list(load_files(con, tmp_path / "archive", arrivals, lambda: NOON))
    assert [r.outcome for r in results] == ["stored"] * 3


def test_what_is_read_apart_is_what_is_read_here(tmp_path: Path) -> None:
    known = readers()
    with Readers(known) as apart:
        for sample in all_samples():
            delivery = deliver(tmp_path, sample.name, sample.raw)
            reader = apart.identify(delivery)
            assert reader.name == sample.reader
            there = reader.read(delivery)
            here = next(r for r in known if r.name == reader.name).read(delivery)
            assert (there.rejections, there.note) == (here.rejections, here.note)
            for one, other in zip(there.parts, here.parts, strict=True):
                assert one.table == other.table
                if isinstance(one, PlainRows) and isinstance(other, PlainRows):
                    assert one.frame.equals(other.frame)
                    assert one.frame.schema == other.frame.schema


_BEGINS = """
import sys
from pathlib import Path
from afterclear.readers.child.reading_process import Readers
from afterclear.records import Delivery
from tests.readers.odd_readers import OddReader
from afterclear.readers.child import reading_process
readers = Readers([OddReader()])
path = Path(sys.argv[1])
path.write_text("good V1")
readers.read_apart("odd", Delivery("test", "1.odd", path, ""))
print(readers._process.popen.pid, flush=True)
path.write_text("asleep V1")
readers.read_apart("odd", Delivery("test", "1.odd", path, ""))
"""


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
def test_it_ends_with_whoever_began_it(tmp_path: Path) -> None:
    """Killed while its question is being answered: nothing is left behind."""
    with subprocess.Popen(
        [sys.executable, "-c", _BEGINS, str(tmp_path / "1.odd")],
        stdout=subprocess.PIPE,
        text=True,
        env=_with_paths(),
    ) as child:
        assert child.stdout is not None
        place = Path("/proc") / child.stdout.readline().strip()
        assert place.exists()
        child.kill()
    for _ in range(200):
        if not place.exists() or "zombie" in (place / "status").read_text():
            return
        time.sleep(0.1)
    raise AssertionError("it lives on")
