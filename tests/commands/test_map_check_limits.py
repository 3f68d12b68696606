"""``map-check`` opens files nobody vouches for as a load does: within the limits of reading.

All of them are packed into one archive, so that one process is begun for what does not break it.
"""

import io
import os
import subprocess
import sys
import tarfile
from datetime import UTC, datetime
from pathlib import Path
from unittest.mock import Mock

import pytest
from click.testing import CliRunner

from afterclear.cli import main
from afterclear.commands.app import App
from afterclear.commands.intake import mapping
from afterclear.commands.intake.mapping import Asked, MapCheck, check_file
from afterclear.config import Config
from afterclear.errors import TakesLongError, UsageError
from tests.readers.bad_files import bad_files
from tests.readers.messy.printed import papers
from tests.readers.odd_readers import OddReader
from tests.readers.samples import DATA

pytestmark = pytest.mark.slow

NOW = datetime(2026, 11, 1, tzinfo=UTC)
_ENTITIES = "".join(f'<!ENTITY e{n + 1} "{f"&e{n};" * 10}">' for n in range(9))
BOMB = f'<?xml version="1.0"?><!DOCTYPE r [<!ENTITY e0 "x">{_ENTITIES}]><r><a>&e9;</a></r>'.encode()
DEEP = b"<a>" * 200_000 + b"</a>" * 200_000
# name -> what is said of it
FILES: dict[str, str] = {
    "corner.xlsx": "16,384 columns",
    "sparse.json": "hardly a name in common",
    "bomb.blf": "times its size",
    "deep.eml": "nests without end",
    "deepish.eml": "more than 100 deep",
    "brackets.eml": "nests",
    "bomb.xml": "entities",
    "deep.xml": "more than 64 levels",
}


def made_files() -> dict[str, bytes]:
    made = bad_files() | {"bomb.xml": BOMB, "deep.xml": DEEP}
    return {name: made[name] for name in FILES}


def app_of(folder: Path, *, memory_mb: int, seconds: float) -> App:
    (folder / "config").mkdir()
    limits = f"[limits]\nreader_memory_mb = {memory_mb}\nreader_seconds = {seconds}\n"
    (folder / "config" / "afterclear.toml").write_text(limits, encoding="utf-8")
    return App(Config(folder / "config"), folder / "fleet.duckdb", lambda: NOW)


def packed(folder: Path, files: dict[str, bytes]) -> Path:
    path = folder / "all.tar"
    with tarfile.open(path, "w") as made:
        for name, raw in files.items():
            entry = tarfile.TarInfo(name)
            entry.size = len(raw)
            made.addfile(entry, io.BytesIO(raw))
    return path


def told(app: App, path: Path) -> dict[str, MapCheck]:
    return {check.name: check for check in check_file(app, path)}


@pytest.fixture(scope="module")
def checked(tmp_path_factory: pytest.TempPathFactory) -> dict[str, MapCheck]:
    folder = tmp_path_factory.mktemp("bad")
    app = app_of(folder, memory_mb=1000, seconds=60)
    good = {"good.txt": (DATA / "imports" / "scan-export-2025.txt").read_bytes()}
    return told(app, packed(folder, made_files() | good))


@pytest.mark.parametrize("name", FILES)
def test_a_bad_file_is_told_in_a_sentence(checked: dict[str, MapCheck], name: str) -> None:
    assert checked[name].reader is None or checked[name].reason
    assert checked[name].preview is None
    assert checked[name].suggestion is None
    assert FILES[name] in checked[name].reason


def test_a_good_file_after_bad_ones_has_its_suggestion(checked: dict[str, MapCheck]) -> None:
    made = checked["good.txt"]
    assert made.suggestion is not None
    assert made.suggestion.columns
    assert made.preview is not None


@pytest.mark.slow
def test_what_breaks_its_process_is_told_and_the_next_file_checked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mapping, "all_readers", lambda *_: (OddReader(),))
    app = app_of(tmp_path, memory_mb=300, seconds=0.5)
    says = {
        "native": "300 MB of memory",
        "crashing": "SIGSEGV",
        "endless": "more than 0.5 s",
        "faulty": "fault of afterclear's own",
    }
    files = {f"{word}.odd": f"{word} V1".encode() for word in says} | {"z.odd": b"good V2"}
    checks = told(app, packed(tmp_path, files))
    for word, said in says.items():
        assert said in checks[f"{word}.odd"].reason
    assert checks["z.odd"].preview is not None


@pytest.mark.slow
@pytest.mark.parametrize("word", ["endless", "asleep"])
def test_a_file_that_takes_longer_than_somebody_waits_is_not_called_wrong(
    word: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mapping, "all_readers", lambda *_: (OddReader(),))
    app = app_of(tmp_path, memory_mb=1000, seconds=60)
    path = tmp_path / "a.odd"
    path.write_text(f"{word} V1", encoding="utf-8")
    with pytest.raises(TakesLongError, match=r"a\.odd"):
        list(check_file(app, path, Asked(within_s=0.2)))


def test_many_files_within_one_take_no_longer_than_somebody_waits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Five seconds of work are ten by the clock; it is past them after the first file."""
    app = app_of(tmp_path, memory_mb=1000, seconds=60)
    clock = Mock(side_effect=[0, 0, 9, 11])
    monkeypatch.setattr(mapping, "time", Mock(monotonic=clock))
    with pytest.raises(TakesLongError, match=r"b\.csv"):
        list(check_file(app, packed(tmp_path, {"a.csv": b"x", "b.csv": b"x"}), Asked(within_s=5)))


def test_it_ends_as_refused_and_writes_nothing_beside_the_file(tmp_path: Path) -> None:
    app_of(tmp_path, memory_mb=1000, seconds=60)
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    (inbox / "bomb.xml").write_bytes(BOMB)
    before = inbox.stat().st_mtime_ns
    words = ["--config", str(tmp_path / "config"), "--store", str(tmp_path / "fleet.duckdb")]
    said = CliRunner().invoke(main, [*words, "map-check", str(inbox / "bomb.xml")])
    assert said.exit_code == 3
    assert "entities" in said.output
    assert inbox.stat().st_mtime_ns == before


@pytest.mark.slow
def test_a_suggested_map_reads_no_more_pages_than_a_load_may(tmp_path: Path) -> None:
    app = app_of(tmp_path, memory_mb=1000, seconds=60)
    config = tmp_path / "config" / "afterclear.toml"
    config.write_text(f"{config.read_text('utf-8')}reader_pages = 2\n", encoding="utf-8")
    app = App(Config(tmp_path / "config"), app.store, app.clock)
    path = tmp_path / "fleet_list.pdf"
    path.write_bytes(next(f.raw for f in papers() if f.name == path.name))
    (check,) = check_file(app, path)
    assert "has 3 pages; at most 2 are read" in check.reason
    assert not check.is_usable


def test_an_answer_to_nothing_is_a_mistake_of_who_asked(tmp_path: Path) -> None:
    path = DATA / "imports" / "scan-export-2025.txt"
    app = app_of(tmp_path, memory_mb=1000, seconds=60)
    with pytest.raises(UsageError, match="Nobody asked nonsense"):
        list(check_file(app, path, Asked(answers={"nonsense": "1"})))


_CHECKS = """
import resource, sys
from pathlib import Path
from tests.commands.test_map_check_limits import check_file, App, Config, NOW
app = App(Config(Path(sys.argv[1]) / "config"), Path(sys.argv[1]) / "fleet.duckdb", lambda: NOW)
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
checks = list(check_file(app, Path(sys.argv[1]) / "all.tar"))
print(len(checks), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
"""


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="counts ru_maxrss in kB")
def test_whoever_asks_stays_small(tmp_path: Path) -> None:
    """The recording alone becomes some GB where nothing stops it."""
    app_of(tmp_path, memory_mb=1000, seconds=60)
    packed(tmp_path, made_files())
    done = subprocess.run(
        [sys.executable, "-c", _CHECKS, str(tmp_path)],
        check=True,
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
    )
    n_checks, more_kb = map(int, done.stdout.split())
    assert n_checks == len(FILES)
    assert more_kb < 100_000
