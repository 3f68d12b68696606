"""What tests of more than one part begin with."""

import os
import shutil
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

# As the command line has it, before numpy is loaded: with a thread for each processor the smallest
# matrix waits for all of them, and an analysis in a test takes twice its processor time.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# The same examples on every machine, however slow it is; fresh ones with
# --hypothesis-profile=default.
settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")


if TYPE_CHECKING:
    from afterclear.commands.app import App
    from afterclear.commands.init_and_demo import DemoReport


@pytest.fixture(scope="session", autouse=True)
def _new_stores_are_copies(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[Callable[[Path], None]]:
    """Make an empty store once; all others are copies of it: to make one takes a tenth of a second.

    Processes that tests begin make their own.  Gives what makes one in earnest.
    """
    from afterclear.store.engine import database  # noqa: PLC0415 - after the threads are set
    from afterclear.store.queries.public_views import make_views  # noqa: PLC0415

    made = tmp_path_factory.mktemp("empty") / "store.duckdb"
    make = database.make_store

    def copied(path: Path) -> None:
        if not made.exists():
            make(made)
            with database.open_store(made) as con:  # a fifth of a second in the first analysis
                make_views(con)
        shutil.copyfile(made, path)
        database.begin_archive(path)

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(database, "make_store", copied)
        yield make


@pytest.fixture
def stores_made_in_earnest(
    _new_stores_are_copies: Callable[[Path], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Let new stores be made as users' are, where what goes wrong meanwhile is tested."""
    monkeypatch.setattr("afterclear.store.engine.database.make_store", _new_stores_are_copies)


@pytest.fixture(scope="session")
def demo_run(tmp_path_factory: pytest.TempPathFactory) -> tuple["App", "DemoReport"]:
    """Run the demo once for all tests that only read what it found."""
    from afterclear.commands.app import App  # noqa: PLC0415
    from afterclear.commands.init_and_demo import demo, of_the_demo  # noqa: PLC0415
    from afterclear.config import Config  # noqa: PLC0415 - only where it is asked for

    folder = tmp_path_factory.mktemp("demo")
    app = App(Config(None), folder / "store.duckdb", lambda: datetime(2026, 11, 25, tzinfo=UTC))
    told = demo(app, lambda _: None)
    own = of_the_demo(app)  # with what was changed in its fleet
    return App(own.config, folder / "reports" / "demo" / "demo.duckdb", app.clock), told


@pytest.fixture(scope="session")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make one small garage for tests to copy."""
    from tests.store.care_fixture import garage  # noqa: PLC0415 - only where it is asked for

    folder = tmp_path_factory.mktemp("template")
    garage(folder)
    return folder
