"""The fleet page's numbers and lists, from the invented fleet's stories."""

from dataclasses import replace
from datetime import UTC, datetime

import polars as pl
import pytest

from afterclear.digest.audience.fleet_model import FleetPage
from afterclear.digest.common.cure_lines import CuresView
from afterclear.digest.common.model import ChangeList, Changes, LoadLine, SetAside, Tally
from afterclear.digest.output.render import render_fleet
from afterclear.wording.cells import Dash
from tests.digest.every_row import build_digest
from tests.digest.fleet_fixture import AS_OF, BEFORE, fleet, frames_of
from tests.digest.story import Story, Try, vehicle
from tests.digest.test_forecast_lines import AIRBAGS, QUARTER, told


@pytest.fixture(scope="module")
def page() -> FleetPage:
    built = build_digest(fleet()).fleet
    assert built is not None
    return built


def plain(text: str) -> str:
    return text.replace("\u00a0", " ")


def names(changes: object) -> list[tuple[str, str]]:
    assert isinstance(changes, ChangeList)
    assert changes.n == len(changes.shown)
    return [(change.vehicle.vehicle_id, change.fault.code) for change in changes.shown]


def test_what_changed_since_the_digest_before(page: FleetPage) -> None:
    changes = page.changes
    assert changes is not None
    assert changes.since == BEFORE
    assert names(changes.came_back) == [("HX-211", "P0301")]
    assert names(changes.proven) == [("BUS-07", "U0121"), ("HX-204", "P0301")]
    assert names(changes.new) == [("BUS-12", "C0545")], "a return is not new"
    assert names(changes.gone) == [("VAN-34", "P0562")]


def test_the_first_digest_compares_with_nothing() -> None:
    assert build_digest(replace(fleet(), previous=None)).fleet.changes is None


def test_without_the_time_of_the_digest_before_new_faults_cannot_be_told() -> None:
    changes = build_digest(fleet(previous_at=None)).fleet.changes
    assert changes is not None
    assert changes.new == changes.gone == Dash("the time of the last digest is not known")
    assert names(changes.came_back) == [("HX-211", "P0301")]


def test_the_same_digest_again_has_no_changes() -> None:
    frames = fleet()
    same = frames.attempts.select("attempt_id", "outcome")
    changes = build_digest(replace(frames, previous=same, previous_at=AS_OF)).fleet.changes
    none = ChangeList((), 0)
    assert changes == Changes(AS_OF, none, none, none, none)


def test_attempts_are_counted_by_kind_and_verdict(page: FleetPage) -> None:
    assert page.tallies == (
        Tally("Repairs", held=4, on_watch=3, unchecked=2, came_back=3),
        Tally("Codes cleared only", held=0, on_watch=1, unchecked=0, came_back=2),
    )
    assert sum(tally.total for tally in page.tallies) == 15
    assert 0 < sum(tally.total for tally in page.year) <= 15
    assert [tally.name for tally in page.year] == sorted({t.name for t in page.year})


def test_come_backs_of_the_last_year_are_listed_present_ones_first(page: FleetPage) -> None:
    assert [(view.row.attempt_id, view.present) for view in page.failed] == [
        ("BUS-07/1", True),
        ("HX-211/2", True),
        ("HX-217/2", True),
    ]
    again = [(view.row.attempt_id, view.present) for view in page.failed_again]
    assert again == [("HX-211/1", False), ("HX-217/1", False)]
    assert (page.n_failed, page.n_failed_again) == (3, 2)
    assert page.n_failed_before == 0


def test_older_come_backs_are_counted_only() -> None:
    frames = fleet()
    short = replace(frames.settings, look_back_days=60)
    page = build_digest(replace(frames, settings=short)).fleet
    assert [view.row.attempt_id for view in page.failed] == ["HX-211/2"]
    assert page.n_failed_before == 4


def test_a_work_order_for_two_codes_costs_once() -> None:
    story = Story(vehicle("A-1", "Haul 7", "Northquay"), 0, 50)
    story.fault("engine", "P0301", 10).fault("engine", "P0302", 10).scan(5, 20, 400)
    for code in ("P0301", "P0302"):
        story.attempt(Try(30, "engine", code, "came_back", "WO-1", "replace", "coil", 90.0, p=0.9))
    costs = build_digest(frames_of([story])).fleet.costs
    assert [(cost.currency, cost.total, cost.n_repairs) for cost in costs] == [("EUR", 90.0, 1)]


def test_the_cost_of_come_backs_leaves_out_what_is_likelier_a_new_fault(page: FleetPage) -> None:
    """305 for BUS-07, 211 and 140 for the two orders of HX-211."""
    assert [(c.currency, c.total, c.n_repairs) for c in page.costs] == [("EUR", 656.0, 3)]
    frames = fleet()
    doubted = frames.attempts.with_columns(
        pl.when(pl.col("attempt_id") == "BUS-07/1")
        .then(0.3)
        .otherwise(pl.col("p_same_fault"))
        .alias("p_same_fault")
    )
    costs = build_digest(replace(frames, attempts=doubted)).fleet.costs
    assert [(cost.total, cost.n_repairs) for cost in costs] == [(351.0, 2)]


def test_currencies_are_kept_apart_and_missing_costs_counted() -> None:
    frames = fleet()
    mixed = frames.attempts.with_columns(
        pl.when(pl.col("attempt_id") == "HX-211/1")
        .then(pl.lit("CHF"))
        .otherwise(pl.col("currency"))
        .alias("currency"),
        pl.when(pl.col("attempt_id") == "HX-211/2")
        .then(None)
        .otherwise(pl.col("cost"))
        .alias("cost"),
    )
    page = build_digest(replace(frames, attempts=mixed)).fleet
    assert [(c.currency, c.total) for c in page.costs] == [("CHF", 140.0), ("EUR", 305.0)]
    assert page.n_failed_without_cost == 1


def test_the_soonest_proven_comes_first_and_the_undatable_last(page: FleetPage) -> None:
    assert [view.row.vehicle_id for view in page.on_watch] == [
        "HX-226",
        "HX-221",
        "VAN-38",
        "PLANT-3",
    ]
    due = page.on_watch[1].due
    assert due is not None
    assert due.on == datetime(2025, 7, 15, 3, tzinfo=UTC), "3,100 km at 80 km a day: 38.75 days"
    assert due.from_km == 61_300 + 3_100


def test_a_fix_on_watch_shows_on_which_side_of_the_limit_it_is(page: FleetPage) -> None:
    """H-404 of the demo: "chance that it did not hold 5 %", and still on watch."""
    (first, *_) = page.on_watch
    near = replace(first, row=replace(first.row, p_not_held=0.0503))
    html = render_fleet(replace(page, on_watch=(near,)))
    assert "chance that it did not hold 5.0" in html


def test_unchecked_fixes_say_what_would_settle_them(page: FleetPage) -> None:
    assert [(v.row.vehicle_id, v.settled_by) for v in page.unchecked] == [
        ("BUS-09", "any scan that reads this control unit after some driving"),
        ("VAN-40", "find out why the control unit does not answer, then scan it again"),
    ]


def test_what_could_not_be_used_is_said(page: FleetPage) -> None:
    notes = page.notes
    assert notes.n_rejections == 7
    assert notes.set_aside == (
        SetAside("decimal", 1, 1),
        SetAside("single", 1, 1),
        SetAside("units", 1, 1),
    )
    assert [ref.vehicle_id for ref, _ in notes.quiet] == ["VAN-44"]
    assert [ref.vehicle_id for ref in notes.never_scanned] == ["VAN-50"]
    assert (notes.n_scans, notes.n_partial) == (131, 6)
    assert notes.loads_with_refusals[0] == LoadLine(
        "scans_2025-05-02.csv",
        "yard tablet",
        notes.loads_with_refusals[0].at,
        n_read=412,
        n_refused=5,
    )


def test_an_empty_store_makes_an_empty_page_not_an_error() -> None:
    model = build_digest(frames_of([]))
    assert model.fleet.work.shown == ()
    assert model.index.vehicles == ()
    assert len(model.vehicles) == 0


def test_a_vehicle_met_in_scans_only_has_a_page() -> None:
    story = Story(vehicle("A-1", "Haul 7", "Northquay"), 0, 10).scan(10)
    frames = frames_of([story])
    model = build_digest(replace(frames, vehicles=frames.vehicles.clear()))
    assert [line.vehicle.vehicle_id for line in model.index.vehicles] == ["A-1"]
    assert [page.ref.vehicle_id for page in model.vehicles] == ["A-1"]


def test_a_caution_stands_with_what_is_coming_though_the_cures_further_down_have_it_too(
    page: FleetPage,
) -> None:
    both = replace(
        page,
        work=replace(page.work, cautions=()),
        coming=told([QUARTER] * 4, []),
        cures=CuresView((), (), 0, (AIRBAGS,)),
    )
    _, coming, cures = render_fleet(both).replace('id="cures"', 'id="coming"').split('id="coming"')
    assert (AIRBAGS.text in coming, AIRBAGS.text in cures) == (True, False)
    assert 'href="#coming">The cautions above' in cures
