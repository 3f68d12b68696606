"""A lake on Apache Spark says what one machine's store says, whoever is killed meanwhile.

Skipped without Spark or Java; the project's own run installs both.
"""

import shutil
import subprocess
import sys
import time
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from afterclear.commands.app import App
from afterclear.commands.lake import analysing_lake
from afterclear.commands.lake.analysing_lake import analyse_lake
from afterclear.commands.lake.bucket_job import UNFINISHED
from afterclear.commands.lake.filling_lake import fill_lake
from afterclear.commands.lake.publishing import current_run
from afterclear.errors import StoreError
from afterclear.lake.engine import HERE, workers_of
from tests.lake.comparing import differing, differing_pages
from tests.lake.killing import build_once_killed
from tests.store.care_fixture import copy_of_garage

if TYPE_CHECKING:
    from afterclear.commands.init_and_demo import DemoReport

TWO = "local[2]"
needs_spark = pytest.mark.skipif(
    find_spec("pyspark") is None or shutil.which("java") is None,
    reason="needs Apache Spark (pip install 'afterclear[spark]') and Java",
)
# the engine's own Python warns of what it will change
pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("default")]


@pytest.fixture
def garage(template: Path, tmp_path: Path) -> App:
    return copy_of_garage(template, tmp_path / "garage")


@needs_spark
def test_the_engine_says_of_the_sample_what_the_store_says(
    demo_run: "tuple[App, DemoReport]", tmp_path: Path
) -> None:
    app, told = demo_run
    lake = tmp_path / "lake"
    fill_lake(app, lake, 4)
    report = analyse_lake(app, lake, TWO, as_of=told.analysis.as_of, pages=True)
    assert report.n_built == report.n_buckets == 4
    assert report.verdicts.by_outcome == told.analysis.verdicts.by_outcome
    assert differing(app, lake) == {}
    assert differing_pages(app, lake, tmp_path / "pages") == []


@needs_spark
def test_a_bucket_whose_worker_is_killed_in_the_middle_is_built_by_another(
    garage: App, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lake = tmp_path / "lake"
    fill_lake(garage, lake, 3)
    monkeypatch.setattr(analysing_lake, "build_histories", build_once_killed)
    assert analyse_lake(garage, lake, TWO).n_built == 2
    assert len(list(lake.glob("killed-*"))) == 2
    assert not list(lake.glob(f"histories/bucket=*/{UNFINISHED}*"))
    assert differing(garage, lake) == {}


@needs_spark
def test_a_task_that_always_fails_ends_the_run_with_its_own_words() -> None:
    with (
        workers_of(TWO) as workers,
        pytest.raises(
            StoreError, match="gave up: ZeroDivisionError: integer division or modulo by zero"
        ),
    ):
        workers(lambda number: {"n": 1 // number}, 2, lambda _: None)


def test_a_run_that_is_killed_goes_on_from_the_buckets_that_are_done(
    garage: App, tmp_path: Path
) -> None:
    lake = tmp_path / "lake"
    fill_lake(garage, lake, 3)
    command = ["--store", str(garage.store), "lake-analyse", str(lake), "--as-of", "2026-01-01T12"]
    with subprocess.Popen([sys.executable, "-m", "afterclear", *command]) as run:
        while run.poll() is None and not list(lake.glob("histories/bucket=*/[!.]*")):
            time.sleep(0.01)
        run.kill()
    assert current_run(lake) is None  # a reader sees nothing of it
    report = analyse_lake(garage, lake, HERE)
    assert (report.n_built, report.n_buckets) == (1, 2)
    assert differing(garage, lake) == {}
