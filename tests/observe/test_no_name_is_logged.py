"""No log names a vehicle, a file or a person, whatever is done: no forgetting reaches a log.

Everything that is logged is brought about with errors, files and notes that name one vehicle; then
what was written is searched for all its names, in every encoding.  And before it is forgotten: what
never stood there need not be erased.
"""

import ast
import json
import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import ClassVar

import pytest
from click.testing import CliRunner

import afterclear as package
from afterclear import load as loading
from afterclear import take_in
from afterclear.cli import main
from afterclear.commands.app import App
from afterclear.commands.intake import fetching
from afterclear.config import NamedJob, without_secrets
from afterclear.desk import noting, routes
from afterclear.desk.door import Session
from afterclear.desk.long_work.bench import Bench
from afterclear.desk.users import Role
from afterclear.errors import StoreInUseError, UnreachableError
from afterclear.observe.logs import log_to, quiet
from afterclear.observe.metrics import Board
from afterclear.readers.registry import all_readers
from afterclear.records import Delivery, ReadFile
from afterclear.schedule import runner
from afterclear.schedule.runner import Heard
from afterclear.schedule.times import Next
from afterclear.sources.source import Found
from afterclear.store.engine import locking
from tests.desk.test_access import Served, try_to
from tests.desk.test_desk import Browser
from tests.store.spoken import (
    NOW,
    NUMBER,
    OWNER,
    PLATE,
    VEHICLES,
    VIN,
    app_in,
    deliveries,
    names_in,
    places_with_names,
)

TOLD = f"{OWNER}: {NUMBER}, {VIN}, {PLATE}"
SETTINGS = """
[watching]
log_file = "logs/all.log"
log_form = "{form}"
metrics_file = "metrics.prom"
[limits]
max_file_mb = 1
"""
SOURCES = """
[[source]]
name = "yard"
folder = "inbox"
settle_seconds = 0
[[source]]
name = "web"
url = "https://yard.example/"
"""
JOB = NamedJob(name="nightly", does="run", every="6h")


def failing(error: BaseException) -> Callable[..., object]:
    def fails(*_: object, **__: object) -> object:
        raise error from LookupError(TOLD)

    return fails


class OddReader:
    """Fails on what a file says, as no reader should."""

    name: ClassVar[str] = "odd"

    def identify(self, delivery: Delivery) -> bool:
        return delivery.name.endswith(".odd")

    def read(self, delivery: Delivery) -> ReadFile:
        raise KeyError(delivery.path.read_text(encoding="utf-8"))


class _BreaksOff:
    """A place whose files break off."""

    def look(self) -> list[Found]:
        return [Found(f"{NUMBER}.csv", "one")]

    def fetch(self, found: Found, *_: object) -> None:
        raise UnreachableError(f"{found.name} broke off.") from ConnectionResetError(104, TOLD)


@contextmanager
def _place(_: object) -> Iterator[_BreaksOff]:
    yield _BreaksOff()


@pytest.fixture(params=["text", "json"])
def garage(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[App]:
    """Set up a garage that logs, with files of every form, and some that no reader can read."""
    app_in(tmp_path)
    config, inbox = tmp_path / "config", tmp_path / "inbox"
    (config / "afterclear.toml").write_text(SETTINGS.format(form=request.param))
    (config / "sources.toml").write_text(SOURCES)
    inbox.mkdir()
    big = (VEHICLES + " " * 1_100_000).encode()
    odd = {f"{NUMBER}_big.csv": big, "a.odd": TOLD.encode()}
    for name, content in (deliveries() | odd).items():
        (inbox / name).write_bytes(content)
    monkeypatch.setattr(fetching, "opened_place", _place)
    monkeypatch.setattr("afterclear.sources.source.WAITS_S", (0.0, 0.0, 0.0))
    monkeypatch.setattr(loading, "all_readers", lambda *given: (*all_readers(*given), OddReader()))
    yield app_in(tmp_path)
    quiet()


def events_in_source() -> set[str]:
    """Give each event that is logged with facts or an error; others are words of ours alone."""
    found = set()
    for path in Path(package.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)):
                continue
            logger = node.func.value
            if isinstance(logger, ast.Name) and logger.id in {"_log", "_LOG"}:
                assert len(node.args) == 1 + (node.func.attr == "log"), "facts stand beside a text"
                said = node.args[-1]
                assert isinstance(said, ast.Constant | ast.Name), f"{path}, {node.lineno}: no text"
                if isinstance(said, ast.Constant):
                    found.add(str(said.value))
    return found


def command(app: App, *words: str) -> str:
    place = ["--config", str(app.config.folder), "--store", str(app.store)]
    return CliRunner().invoke(main, [*place, *words]).output


def _at_the_desk(app: App, patch: pytest.MonkeyPatch) -> None:
    """Let everything of a desk break that may."""
    browser = Browser(app).enter()
    with patch.context() as broken:
        broken.setattr(routes, "_check_signs", failing(ValueError(TOLD)))
        assert browser.client.get("/bring").status_code == 500
    with patch.context() as broken:
        broken.setattr(noting, "take_in_if_free", failing(OSError(5, TOLD, VIN)))
        browser.bring(f"{NUMBER}.csv", VEHICLES)
    browser.uploads.drop_all()
    with patch.context() as broken:
        broken.setattr(noting, "note", failing(ValueError(TOLD)))
        noting.note_deed(app, Session(user=OWNER, role=Role.READ), "decided", VIN, (NUMBER,))
    with patch.context() as broken:
        broken.setattr(Bench, "_run", failing(ValueError(TOLD)))
        bench = Bench(app)
        bench.begin(f"Load {NUMBER}", [["load", NUMBER]])
        bench.wait(60)
    (folder := app.store.with_name("served")).mkdir()
    served = Served(folder)
    assert try_to(served.browser(), VIN, OWNER) == 403


def _by_the_timetable(app: App, patch: pytest.MonkeyPatch) -> list[str]:
    """Let jobs fail and break; give what the timetable says meanwhile."""
    said: list[str] = []
    for error in (UnreachableError(TOLD), ValueError(TOLD), StoreInUseError("'load', process 7")):
        keeper = runner._Keeper(app, Heard(lambda _: None, said.append), Board())  # noqa: SLF001
        with patch.context() as broken:
            broken.setattr(runner, "do_job", failing(error))
            keeper._do(JOB, Next(NOW, 0))  # noqa: SLF001
    return said


def _held_by_another(app: App, patch: pytest.MonkeyPatch) -> None:
    with patch.context() as hurried:
        hurried.setattr(locking, "_TOLD_AFTER_S", 0.0)
        with (
            locking._acquire(app.store.with_name("a.lock"), 1.0) as file,  # noqa: SLF001
            suppress(StoreInUseError),
        ):
            locking._sign(file, "load")  # noqa: SLF001
            locking._acquire(app.store.with_name("a.lock"), 0.05)  # noqa: SLF001


@pytest.mark.slow
def test_no_log_names_a_vehicle_a_file_or_a_person(
    garage: App, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, log = garage.store.parent, garage.store.parent / "logs" / "all.log"
    told = command(garage, "run")
    with monkeypatch.context() as broken:
        broken.setattr(take_in, "absorb", failing(ValueError(TOLD)))
        (folder / f"{NUMBER}.fault.csv").write_text(VEHICLES + "\n")
        told += command(garage, "load", str(folder / f"{NUMBER}.fault.csv"))
    (folder / f"{NUMBER}.fault.csv").unlink()
    told += command(garage, "load", str(folder / f"{NUMBER}.not_there.csv"))
    told += command(garage, "digest")
    assert NUMBER in told, "what a person asks for is told the person"
    form = garage.config.settings.watching.log_form
    log_to(log, form, without_secrets)
    logging.getLogger("afterclear").setLevel(1)
    _at_the_desk(garage, monkeypatch)
    said = _by_the_timetable(garage, monkeypatch)
    _held_by_another(garage, monkeypatch)
    quiet()
    command(garage, "forget", "vehicle", NUMBER, "--yes")
    command(garage, "digest")
    command(garage, "load")  # the sources list the same names again
    assert "out of reach: web" in command(garage, "load"), "and what was taken is not taken again"

    text = log.read_text(encoding="utf-8")
    lines = text.splitlines()
    assert {event for event in events_in_source() if event in text} == events_in_source()
    if form == "json":
        assert {json.loads(line)["event"] for line in lines} == events_in_source()
        refused = next(e for e in map(json.loads, lines) if e.get("outcome") == "refused")
        assert refused["load"]
        assert "{" in refused["why"] or refused["why"] == ""
    written = "\n".join([text, *said, (folder / "metrics.prom").read_text()]).encode()
    assert names_in(written, *text.encode().splitlines()) == []
    assert [name for name in deliveries() if name.encode() in written] == []
    # the run list, the ledger, the memory of sources and all that stands beside them
    assert places_with_names(garage) == []


def test_what_an_error_says_is_not_logged_but_its_kind_and_place(tmp_path: Path) -> None:
    log_to(tmp_path / "a.log", "text", without_secrets)
    try:
        failing(UnreachableError(TOLD))()
    except UnreachableError:
        logging.getLogger("afterclear.test").exception("broke", extra={"facts": {"file": TOLD}})
    quiet()
    (line,) = (tmp_path / "a.log").read_text(encoding="utf-8").splitlines()
    assert names_in(line.encode()) == []
    assert "LookupError" in line
    assert "raise error from" in line
