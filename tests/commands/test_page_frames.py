"""What the store sums up for the pages, held against the same worked out from every row."""

import multiprocessing
import signal
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from afterclear.commands.app import App
from afterclear.commands.init_and_demo import DemoReport
from afterclear.commands.pages import page_workers
from afterclear.commands.pages.page_frames import (
    StoreDetails,
    analysed,
    gather_frames,
    shown_as,
)
from afterclear.commands.pages.page_workers import rendered
from afterclear.commands.pages.told_figures import as_told
from afterclear.commands.pages.write_digests import DigestAsked, digest, digest_again
from afterclear.digest.build_digests import PAGE_TABLES, DigestModel, build_fleet_digest
from afterclear.digest.input.frames import DigestSettings, FleetFrames
from afterclear.errors import Stopped
from afterclear.finding_tables.registry import PAGE_FINDINGS
from afterclear.store.engine.database import Connection, open_store, query
from afterclear.store.queries.digest_changes import said_by
from afterclear.store.queries.digests import DigestBefore, digest_before
from afterclear.store.queries.exports_histories import PAGE_FRAMES
from tests.commands.small_fleet import told_before
from tests.digest.every_row import HistoryFrames, details_of, fleet_frames

pytestmark = pytest.mark.slow

_FRAMES = ("fleet", "attempts", "open_faults", "new", "gone", "tallies", "year", "set_aside")
_NUMBERS = ("n_failed_before", "n_scans", "n_partial", "has_previous", "previous_at")


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> App:
    return told_before(tmp_path_factory.mktemp("fleet"))


def every_row(con: Connection, summed: FleetFrames) -> HistoryFrames:
    """Read every row of the store, as a small fleet's frames."""
    before = digest_before(con, summed.as_of)
    previous = None
    if before is not None:
        previous = query(con, said_by("$1"), [before.digest_id]).drop_nulls("outcome")
    tables: Mapping[str, pl.DataFrame] = {
        name: as_told(query(con, sql)) for name, sql in PAGE_FRAMES.items()
    }
    return HistoryFrames(
        as_of=summed.as_of,
        previous=previous,
        previous_at=before.as_of if before else None,
        findings={"roles": as_told(query(con, PAGE_FINDINGS["roles"]))},
        **tables,
    )


def test_a_part_that_only_the_forecast_names_has_its_cautions(app: App) -> None:
    with open_store(app.store) as con:
        con.execute(
            """INSERT INTO store.forecast_parts BY NAME
               SELECT 'steering_rack' AS part_family, 'steering rack' AS label, 90 AS days,
                   3 AS n_orders, 1.0 AS expected, 2 AS keep, true AS is_advised"""
        )
        try:
            frames = gather_frames(app, con, app.clock(), None, DigestSettings()).frames
        finally:
            con.execute("DELETE FROM store.forecast_parts WHERE part_family = 'steering_rack'")
    assert [each.title for each in frames.part_cautions["steering_rack"]] == [
        "Steering and stability"
    ]


def assert_same_sums(con: Connection, app: App) -> None:
    """Hold the store's sums against those of its rows, and rows of few vehicles against all."""
    before = digest_before(con, analysed(con).as_of)
    summed = gather_frames(app, con, app.clock(), before, DigestSettings()).frames
    rows = every_row(con, summed)
    worked_out = fleet_frames(rows)
    for name in _FRAMES:
        ours, theirs = getattr(summed, name), getattr(worked_out, name)
        columns = sorted(ours.columns)
        assert set(columns) <= set(theirs.columns), name
        assert_frame_equal(
            ours.select(columns).sort(columns),
            theirs.select(columns).sort(columns),
            check_dtypes=False,
            check_exact=True,
        )
    for name in _NUMBERS:
        assert getattr(summed, name) == getattr(worked_out, name), name
    some = summed.fleet["vehicle_id"].to_list()[::2]
    of_store, of_rows = StoreDetails(con)(some, PAGE_TABLES), details_of(rows)(some, PAGE_TABLES)
    for name, frame in of_rows.items():
        columns = sorted(frame.columns)
        assert_frame_equal(
            of_store[name].select(columns).sort(columns), frame.sort(columns).select(columns)
        )


def test_the_store_sums_up_what_its_rows_say(app: App) -> None:
    """With a digest before: changes, come-backs, the ends of every vehicle's line."""
    with open_store(app.store, read_only=True) as con:
        assert_same_sums(con, app)


def test_the_store_sums_up_the_demo(demo_run: tuple[App, DemoReport]) -> None:
    """The sample fleet: vehicles without an odometer, readings set aside, partial scans."""
    own = demo_run[0]
    with open_store(own.store, read_only=True) as con:
        assert_same_sums(con, own)


def test_what_is_new_is_neither_a_return_nor_what_follows_from_another(
    demo_run: tuple[App, DemoReport],
) -> None:
    """P-209's second code was told as a return and as new; P-215's U0415 follows its sensor."""
    own = demo_run[0]
    before = DigestBefore(1, datetime(2026, 9, 15, tzinfo=UTC), {})
    with open_store(own.store, read_only=True) as con:
        new = gather_frames(own, con, own.clock(), before, DigestSettings()).frames.new
    found = set(new.select("vehicle_id", "code").iter_rows())
    assert {("M-114", "C0020-12"), ("H-403", "P0AA6-1A")} <= found
    assert not {("P-209", "C0031-2F"), ("P-215", "U0415-86"), ("H-403", "U0412-86")} & found


def test_a_code_that_went_with_its_cause_is_no_fault_gone_of_its_own(
    demo_run: tuple[App, DemoReport],
) -> None:
    """M-111's wheel speed sensor, and the U0415 that followed from it, were told as two."""
    own = demo_run[0]
    before = DigestBefore(1, datetime(2026, 9, 15, tzinfo=UTC), {})
    with open_store(own.store, read_only=True) as con:
        gone = gather_frames(own, con, own.clock(), before, DigestSettings()).frames.gone
    found = gone.filter(vehicle_id="M-111").select("ecu", "code").rows()
    assert found == [("brakes", "C0037-13")]


@pytest.mark.slow
def test_pages_of_named_vehicles_only_are_made_again_to_the_byte(app: App, tmp_path: Path) -> None:
    """What was asked for is kept with the digest; pages of the other vehicles go."""
    every = digest(app, DigestAsked(folder=tmp_path))
    named = digest(app, DigestAsked(folder=tmp_path, vehicle_pages="named"))
    assert named.n_pages == every.n_pages - named.n_removed
    assert named.n_removed == 1  # the sound one is on no page
    again = digest_again(app, named.digest_id)
    assert again.differing == ()
    assert again.n_pages == named.n_pages


@contextmanager
def model_of(app: App) -> Iterator[DigestModel]:
    """Give a digest's model as long as its store is open."""
    with open_store(app.store, read_only=True) as con:
        frames = gather_frames(app, con, app.clock(), None, shown_as(app)).frames
        yield build_fleet_digest(frames, StoreDetails(con))


@pytest.mark.slow
def test_several_processes_make_the_same_pages_in_the_same_order(
    app: App, monkeypatch: pytest.MonkeyPatch
) -> None:
    with model_of(app) as model:
        by_one = list(rendered(model))
        monkeypatch.setattr(page_workers, "_WORTH_IT", 0)
        assert list(rendered(model, 2)) == by_one


def test_workers_end_with_whoever_stops_asking(app: App, monkeypatch: pytest.MonkeyPatch) -> None:
    """A signal raises in the first process; no worker is left, whatever it was at."""
    monkeypatch.setattr(page_workers, "_WORTH_IT", 0)

    def stopped(pages: Iterator[tuple[str, str]]) -> None:
        for _ in pages:
            assert multiprocessing.active_children()
            raise Stopped(signal.SIGTERM)

    with model_of(app) as model:
        pages = rendered(model, 2)
        with pytest.raises(Stopped):
            stopped(pages)
        pages.close()  # type: ignore[attr-defined]  # a generator
    assert multiprocessing.active_children() == []


def test_what_goes_wrong_in_a_worker_is_told_as_it_would_be_here(
    app: App, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(page_workers, "_WORTH_IT", 0)
    with model_of(app) as model:

        def broken(ids: Sequence[str], tables: Collection[str]) -> Mapping[str, pl.DataFrame]:
            given = dict(model.vehicles.details(ids, tables))
            return {**given, "recurring": given["recurring"].drop("flagged")}

        vehicles = replace(model.vehicles, details=broken)
        with pytest.raises(ValueError, match=r"recurring\.flagged"):
            list(rendered(replace(model, vehicles=vehicles), 2))
