"""A lake holds a store's rows by bucket and month, and judging it says what the store says."""

import re
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner
from hypothesis import Phase, given, settings

from afterclear.cli import main
from afterclear.commands.analysis.analysing import analyse, last_event
from afterclear.commands.app import App
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.lake.analysing_lake import analyse_lake
from afterclear.commands.lake.filling_lake import fill_lake
from afterclear.commands.lake.publishing import OFFERED, PAGES, current_run
from afterclear.errors import UsageError
from afterclear.lake.contents import contents_there
from afterclear.lake.engine import HERE
from tests.commands.fleet_bench import Bench
from tests.commands.random_fleets import UNHURRIED, Fleet, fleets
from tests.lake.comparing import differing, differing_pages, published
from tests.store.care_fixture import SCAN_HEAD, copy_of_garage


@pytest.fixture
def garage(template: Path, tmp_path: Path) -> App:
    return copy_of_garage(template, tmp_path / "garage")


def load_scan(app: App, folder: Path, row: str) -> None:
    """Load one scan row more."""
    file = folder / f"more_{len(list(folder.iterdir()))}.csv"
    file.write_text(f"{SCAN_HEAD}{row}\n", encoding="utf-8")
    load_paths(app, [file], Whose(), lambda _: None)


def test_every_row_of_the_store_is_in_the_lake_under_its_bucket_and_month(
    garage: App, tmp_path: Path
) -> None:
    lake = tmp_path / "lake"
    filled = fill_lake(garage, lake, 3)
    rows = pl.read_parquet(lake / "rows/scans/**/*.parquet", hive_partitioning=True)
    assert len(rows) > 20
    assert filled.n_written == filled.n_pieces
    assert rows.group_by("vehicle_id").agg(pl.col("bucket").n_unique())["bucket"].max() == 1
    assert (rows["month"].cast(pl.String) == rows["scanned_at"].dt.strftime("%Y-%m")).all()
    assert "load_id" not in rows.columns


def test_filling_again_writes_only_what_has_changed(garage: App, tmp_path: Path) -> None:
    lake = tmp_path / "lake"
    fill_lake(garage, lake, 3)
    assert fill_lake(garage, lake).n_written == 0
    before = contents_there(lake).files()
    load_scan(garage, tmp_path, "S99,V1,2025-11-20T08:00:00Z,19000,full,engine,,,")
    assert fill_lake(garage, lake).n_written == 1
    # who read the list before still finds what it names
    assert all((lake / file).exists() for file in before)
    fill_lake(garage, lake)
    on_disk = {p.relative_to(lake).as_posix() for p in (lake / "rows").rglob("*.parquet")}
    assert on_disk == contents_there(lake).files()


def test_a_new_lake_needs_a_number_of_buckets_and_keeps_it(garage: App, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="say with --buckets"):
        fill_lake(garage, tmp_path / "lake")
    fill_lake(garage, tmp_path / "lake", 3)
    with pytest.raises(UsageError, match="has 3 buckets"):
        fill_lake(garage, tmp_path / "lake", 2)
    with pytest.raises(UsageError, match="There is no lake at"):
        analyse_lake(garage, tmp_path / "elsewhere", HERE)


def test_the_command_says_what_the_lake_holds_and_what_was_written(
    garage: App, tmp_path: Path
) -> None:
    command = ["--store", str(garage.store), "lake-fill", str(tmp_path / "lake"), "--buckets", "3"]
    first, again = (CliRunner().invoke(main, command).output for _ in range(2))
    assert re.fullmatch(r"(\d+) rows in 3 buckets, (\d+) pieces: \2 written, .*\n", first)
    assert re.fullmatch(r"(\d+) rows in 3 buckets, (\d+) pieces: 0 written, .*\n", again)
    assert (tmp_path / "lake").stat().st_mode & 0o077 == 0  # it names vehicles and people


@pytest.mark.slow
def test_a_lake_says_what_the_store_says_and_after_a_night_builds_only_what_is_new(
    garage: App, tmp_path: Path
) -> None:
    lake = tmp_path / "lake"
    fill_lake(garage, lake, 3)
    report = analyse_lake(garage, lake, HERE)
    assert report.n_built == report.n_buckets == 2
    assert len(published(lake, "attempts")) > 2
    assert differing(garage, lake) == {}
    assert {path.name for path in report.run.iterdir()} == {*OFFERED, "buckets.json"}

    load_scan(garage, tmp_path, "S99,V2,2025-11-20T08:00:00Z,19000,full,engine,,,")
    fill_lake(garage, lake)
    analyse(garage)
    tonight = analyse_lake(garage, lake, HERE)
    assert (tonight.n_built, tonight.n_buckets) == (1, 2)
    assert differing(garage, lake) == {}
    # who reads the run before still finds it
    assert report.run.exists()
    assert current_run(lake) == tonight.run

    assert analyse_lake(garage, lake, HERE).n_built == 0
    assert differing(garage, lake) == {}
    assert not report.run.exists()


@pytest.mark.slow
def test_pages_of_a_lake_are_those_of_the_store_but_for_what_was_delivered(
    garage: App, tmp_path: Path
) -> None:
    lake = tmp_path / "lake"
    fill_lake(garage, lake, 3)
    report = analyse_lake(garage, lake, HERE, as_of=last_event(garage), pages=True)
    analyse(garage, full=True, as_of=last_event(garage))
    assert differing_pages(garage, lake, tmp_path / "pages") == []
    assert report.n_pages == len(list((report.run / PAGES).rglob("*.html")))
    assert {path.name for path in report.run.iterdir()} == {*OFFERED, "buckets.json", PAGES}
    assert not (lake / "work/pages").exists()
    # without pages the next run has none, and those of the run before stay with it
    assert not (analyse_lake(garage, lake, HERE).run / PAGES).exists()
    assert (report.run / PAGES / "index.html").exists()


@pytest.mark.slow
def test_any_fleet_is_judged_in_a_lake_as_in_a_store(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    bench = Bench(tmp_path_factory.mktemp("bench"))
    tried = []

    @settings(UNHURRIED, max_examples=3, phases=(Phase.generate,), derandomize=True)
    @given(fleets(fewest=3, turns=("none", "mended")))
    def check(fleet: Fleet) -> None:
        bench.go(fleet, lambda _: None)
        until = fleet.deliveries[-1].as_of
        analyse(bench.app, full=True, as_of=until)
        lake = bench.folder / f"lake{len(tried)}"
        fill_lake(bench.app, lake, 3)
        report = analyse_lake(bench.app, lake, HERE, as_of=until)
        assert differing(bench.app, lake) == {}
        tried.append(report.n_buckets)

    check()
    assert max(tried) > 1
