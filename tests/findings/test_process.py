"""How sites work: each finding's counts and money, by hand."""

from pathlib import Path
from typing import Any

import pytest

from afterclear.store.engine.database import query
from tests.findings.found import found, rows
from tests.histories.story import Story

pytestmark = pytest.mark.slow

CODE = "P0401"


def counts(con: Any) -> dict[tuple[str, str | None], tuple[int, int]]:
    return {(r["finding"], r["site"]): (r["n"], r["n_of"]) for r in rows(con, "process")}


def costs(con: Any) -> dict[tuple[str, str | None, str | None], tuple[float, int]]:
    return {
        (r["finding"], r["site"], r["currency"]): (r["cost"], r["n_orders"])
        for r in rows(con, "process_costs")
    }


def valve(story: Story, day: float, km: float, **columns: str) -> Story:
    """Tell of an EGR valve for the code at Ashford, with a clear."""
    usual = {"codes": CODE, "action": "replace", "part_family": "EGR valve", "site": "Ashford"}
    usual |= {"part_number": "E1", "part_cost": "100", "labour_cost": "40", "currency": "EUR"}
    return story.repair(day, km, **(usual | columns)).clear(day + 0.1, km)


def test_a_scan_before_the_work_is_no_look_after_it(tmp_path: Path) -> None:
    before = valve(Story("V1").scan(0, 1000, engine=[CODE]), 0.1, 1000)
    after = valve(Story("V2").scan(0, 1000, engine=[CODE]), 0.1, 1000)
    after.scan(0.3, 1001, visit_reason="post_repair", engine=[])
    days_later = valve(Story("V3").scan(0, 1000, engine=[CODE]), 0.1, 1000)
    days_later.scan(5, 1400, engine=[])
    with found(tmp_path, before, after, days_later) as con:
        assert counts(con)["no_scan_after_repair", "Ashford"] == (2, 3)
        orders = {
            r["vehicle_id"] for r in rows(con, "process_orders")
            if r["finding"] == "no_scan_after_repair"
        }  # fmt: skip
    assert orders == {"V1", "V3"}


def test_the_same_part_again_for_a_fault_that_came_back(tmp_path: Path) -> None:
    """Two valves for nothing, then a clean: 1 pair, 200 of parts in vain, 140 + 40 spent again."""
    story = Story("V1").scan(0, 1000, engine=[CODE])
    valve(story, 0.1, 1000).scan(10, 1500, engine=[CODE])
    valve(story, 10.1, 1500).scan(20, 2000, engine=[CODE])
    valve(story, 20.1, 2000, action="clean", part_number="", part_cost="").scan(60, 9000, engine=[])
    with found(tmp_path, story) as con:
        # the clean fits no part, so it is none of the repairs with parts
        assert counts(con)["part_fitted_again", "Ashford"] == (1, 2)
        money = costs(con)
    assert money["parts_that_changed_nothing", "Ashford", "EUR"] == (200, 2)
    assert money["come_backs", "Ashford", "EUR"] == (180, 2)


def test_come_backs_are_charged_to_the_site_whose_work_came_back(tmp_path: Path) -> None:
    story = Story("V1").scan(0, 1000, engine=[CODE])
    valve(story, 0.1, 1000).scan(10, 1500, engine=[CODE])
    valve(story, 10.1, 1500, site="Birkdale", currency="CHF").scan(60, 9000, engine=[])
    with found(tmp_path, story) as con:
        money = costs(con)
    # spent at Birkdale, in its currency, because of Ashford
    assert money["come_backs", "Ashford", "CHF"] == (140, 1)
    assert money["parts_that_changed_nothing", "Ashford", "EUR"] == (100, 1)
    assert not any(site == "Birkdale" for _, site, _ in money)


def test_a_work_order_for_two_codes_is_paid_once(tmp_path: Path) -> None:
    both = f"{CODE} P0402"
    story = Story("V1").scan(0, 1000, engine=[CODE, "P0402"])
    valve(story, 0.1, 1000, codes=both).scan(10, 1500, engine=[CODE, "P0402"])
    valve(story, 10.1, 1500, codes=both).scan(60, 9000, engine=[])
    with found(tmp_path, story) as con:
        money = costs(con)
    assert money["come_backs", "Ashford", "EUR"] == (140, 1)
    assert money["parts_that_changed_nothing", "Ashford", "EUR"] == (100, 1)


def test_work_without_a_price_is_counted_not_guessed(tmp_path: Path) -> None:
    story = Story("V1").scan(0, 1000, engine=[CODE])
    valve(story, 0.1, 1000, part_cost="", labour_cost="", currency="").scan(10, 1500, engine=[CODE])
    valve(story, 10.1, 1500, part_cost="", labour_cost="", currency="").scan(60, 9000, engine=[])
    with found(tmp_path, story) as con:
        (row,) = [r for r in rows(con, "process_costs") if r["finding"] == "come_backs"]
    assert (row["currency"], row["n_orders"], row["n_priced"], row["cost"]) == (
        None, 1, 0, 0,
    )  # fmt: skip


def test_bare_clears_are_visits_without_work(tmp_path: Path) -> None:
    """Three codes cleared in one visit are one; the site is that of the vehicle where known."""
    bare = Story("V1").scan(0, 1000, engine=[CODE, "P0130", "P0171"]).clear(0.1, 1000)
    bare.scan(20, 3000, engine=[CODE])
    worked = valve(Story("V2").scan(0, 1000, engine=[CODE]), 0.1, 1000).scan(20, 3000, engine=[])
    with found(tmp_path, bare, worked) as con:
        told = counts(con)
    assert told["bare_clears", None] == (1, 1)
    assert told["bare_clears", "Ashford"] == (0, 1)
    assert told["bare_clears_that_came_back", None] == (1, 1)


def test_a_clear_of_several_codes_is_shown_by_the_one_that_came_back(tmp_path: Path) -> None:
    """Shown by another, a list of come-backs would say "held" beside one of them."""
    codes = ["P0130", "P0171", "P0301", "P0442"]
    stories = [
        Story(f"V{i}").scan(0, 1000, engine=codes).clear(0.1, 1000).scan(20, 3000, engine=[code])
        for i, code in enumerate(codes)
    ]
    with found(tmp_path, *stories) as con:
        shown = query(
            con,
            """SELECT p.finding, p.vehicle_id, a.code, a.returned FROM process_orders p
            JOIN store.attempts a USING (attempt_id)
            WHERE p.finding LIKE 'bare_clears%' ORDER BY ALL""",
        )
    once = [(f"V{i}", code, True) for i, code in enumerate(codes)]
    assert [row[1:] for row in shown.rows()] == once * 2


def test_a_clear_in_a_visit_with_any_order_is_part_of_that_work(tmp_path: Path) -> None:
    """A coil ordered without codes, and a valve beside which an echo was cleared: none is bare."""
    coil = Story("V1").scan(0, 1000, engine=["P0301"])
    coil.repair(0.1, 1000, action="replace", part_family="ignition coil", site="Ashford")
    coil.clear(0.2, 1000).scan(20, 3000, engine=[])
    beside = valve(Story("V2").scan(0, 1000, engine=[CODE], brakes=["C0034-13"]), 0.1, 1000)
    beside.scan(20, 3000, engine=[], brakes=["C0034-13"])
    with found(tmp_path, coil, beside) as con:
        told = counts(con)
        ordered = query(con, "SELECT code, kind, repair_id, beside_repair_id FROM store.attempts")
    assert told["bare_clears", "Ashford"] == (0, 2)
    assert set(ordered.rows()) == {
        ("P0301", "repair", "R1", None),
        (CODE, "repair", "R1", None),
        ("C0034-13", "clear_only", None, "R1"),
    }


def test_work_of_which_nobody_knows_the_site_is_not_another_sites(tmp_path: Path) -> None:
    """Clears on record name no site; beside them every site would seem to clear less."""
    stories = [Story(f"V{n:02d}").scan(0, 1000, engine=[CODE]) for n in range(30)]
    for number, story in enumerate(stories):
        if number < 20:
            valve(story, 0.1, 1000, site="Ashford" if number % 2 else "Birkdale")
        else:
            story.clear(0.1, 1000)
    with found(tmp_path, *stories) as con:
        told = {(r["finding"], r["site"]): r for r in rows(con, "process")}
    here, unknown = told["bare_clears", "Ashford"], told["bare_clears", None]
    assert (here["n_of"], here["others_share"], here["p_value"]) == (10, 0, 1)
    assert (unknown["n"], unknown["share"], unknown["others_share"]) == (10, 1, None)
    assert (unknown["p_value"], unknown["flagged"]) == (None, False)


def test_codes_cleared_one_after_the_other_are_one_visit(tmp_path: Path) -> None:
    """At 10:53 and 11:07: a full hour between them does not make two."""
    story = Story("V1").scan(0, 1000, engine=[CODE], brakes=["C0034-13"])
    story.clear(0.12, 1000, ecu="engine").clear(0.13, 1000, ecu="brakes")
    later = story.scan(20, 3000, engine=[CODE], brakes=["C0034-13"]).clear(20.1, 3000)
    with found(tmp_path, later.scan(40, 5000, engine=[], brakes=[])) as con:
        assert counts(con)["bare_clears", None] == (2, 2)


def test_a_site_that_stands_out_is_flagged_against_the_others(tmp_path: Path) -> None:
    stories = []
    for number in range(30):
        story = Story(f"V{number:02d}").scan(0, 1000, engine=[CODE])
        valve(story, 0.1, 1000, site="Ashford" if number < 15 else "Birkdale")
        if number >= 15:
            story.scan(0.3, 1001, visit_reason="post_repair", engine=[])
        stories.append(story)
    with found(tmp_path, *stories) as con:
        told = {
            r["site"]: r for r in rows(con, "process") if r["finding"] == "no_scan_after_repair"
        }
    assert told["Ashford"]["flagged"]
    assert not told["Birkdale"]["flagged"]
    assert (told["Ashford"]["share"], told["Ashford"]["others_share"]) == (1, 0)
    assert told["Ashford"]["sentence"].startswith("15 of 15 repairs had no scan after them")


def test_a_part_that_changed_nothing_has_its_brand_number_and_kind_apart(tmp_path: Path) -> None:
    """A page names its kind in the reader's language; a name may hold any word, even a kind's."""
    told = {"part_brand": "Acme, valve", "part_number": "E 1"}
    story = valve(Story("V1").scan(0, 1000, engine=[CODE]), 0.1, 1000, **told)
    story.scan(10, 1500, engine=[CODE])
    valve(story, 10.1, 1500, **told).scan(60, 9000, engine=[])
    with found(tmp_path, story) as con:
        orders = {r["finding"]: r for r in rows(con, "process_orders")}
    part = orders["parts_that_changed_nothing"]
    named = (part["part_brand"], part["part_number"], part["part_label"])
    assert named == ("Acme, valve", "E 1", "EGR valve")
    assert orders["come_backs"]["part_label"] is None
