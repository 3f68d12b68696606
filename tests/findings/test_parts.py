"""Lives of parts from work orders: places, quantities, reasons, supersession, comparison."""

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from afterclear.findings.parts.part_lifetimes import PartRules
from afterclear.findings.parts.part_tables import ExpectedLife, PartTables
from tests.findings.found import found, rows
from tests.histories.story import Story

pytestmark = pytest.mark.slow

DAY = 1 / 50  # of a km


def seen(vehicle: str, *kms: float) -> Story:
    """Tell of a vehicle read at these km."""
    story = Story(vehicle)
    for km in kms:
        story.scan(km * DAY, km, engine=[])
    return story


def fitted(story: Story, km: float, **columns: str) -> Story:
    """Tell of a part fitted at a km; glow plug GP-1 of Aldon unless told otherwise."""
    usual = {"action": "replace", "part_family": "glow plug", "part_number": "GP-1",
             "part_brand": "Aldon", "removal_reason": "failure"}  # fmt: skip
    return story.repair(km * DAY, km, **(usual | columns))


def units(con: Any) -> list[tuple[Any, ...]]:
    """(vehicle, position, km run, how it ended, is factory) of every claim row."""
    return [
        (r["vehicle_id"], r["position"], r["km_run"], r["ended_by"], r["is_factory"])
        for r in rows(con, "claims")
    ]


def test_a_part_lives_from_its_fitting_to_the_next_in_its_place(tmp_path: Path) -> None:
    story = seen("V1", 20_000, 60_000)
    fitted(story, 30_000, position="cylinder 2")
    fitted(story, 42_000, position="cylinder 2")
    fitted(story, 50_000, position="cylinder 3")
    with found(tmp_path, story) as con:
        told = units(con)
        (first, *_) = rows(con, "claims")
    assert sorted(told, key=str) == [
        ("V1", "cylinder_2", 12_000, "failure", False),
        ("V1", "cylinder_2", 18_000, "in_service", False),
        ("V1", "cylinder_3", 10_000, "in_service", False),
    ]
    # the claim sheet names both work orders
    failed = next(r for r in [first, *_] if r["ended_by"] == "failure")
    assert (failed["fitted_repair_id"], failed["removed_repair_id"]) == ("R1", "R2")
    assert (failed["fitted_km"], failed["removed_km"]) == (30_000, 42_000)
    assert failed["removed_at"] - failed["fitted_at"] == timedelta(days=12_000 * DAY)
    assert isinstance(failed["removed_at"], datetime)


def test_the_factorys_part_counts_where_the_vehicle_was_nearly_new(tmp_path: Path) -> None:
    """Seen from 1000 km: entered late at 1000; from 20,000 km: its age is not known."""
    new, old = seen("V1", 1000, 60_000), seen("V2", 20_000, 60_000)
    for story in (new, old):
        fitted(story, 30_000)
    with found(tmp_path, new, old) as con:
        told = units(con)
        left_out = {r["reason"]: r["n"] for r in rows(con, "parts_left_out")}
        family = next(r for r in rows(con, "parts") if r["grouping"] == "family")
    assert ("V1", None, 30_000, "failure", True) in told
    assert len([t for t in told if t[4]]) == 1
    assert left_out["age_unknown"] == 1
    assert family["n_late_entry"] == 1
    assert family["km_observed"] == 29_000 + 30_000 + 30_000


def test_other_vehicles_of_the_model_hold_the_part_too(tmp_path: Path) -> None:
    """Nothing was replaced on V2, yet its plug has lived 50,000 km."""
    with found(tmp_path, fitted(seen("V1", 0, 60_000), 30_000), seen("V2", 0, 50_000)) as con:
        family = next(r for r in rows(con, "parts") if r["grouping"] == "family")
    assert (family["n_fitted"], family["n_followed"], family["n_failed"]) == (1, 3, 1)
    assert family["km_observed"] == 30_000 + 30_000 + 50_000


def test_prevention_and_accident_end_a_life_without_a_failure(tmp_path: Path) -> None:
    story = seen("V1", 20_000, 60_000)
    for km, why in ((30_000, "failure"), (40_000, "preventive"), (50_000, "accident")):
        fitted(story, km, removal_reason=why)
    with found(tmp_path, story) as con:
        part = next(r for r in rows(con, "parts") if r["grouping"] == "number")
    assert (part["n_failed"], part["n_preventive"], part["n_accident"]) == (0, 1, 1)
    assert part["b10_km"] is None  # no failure: a lower bound only
    assert part["b10_low_km"] > 0


@pytest.mark.parametrize(("as_failure", "n_failed"), [(True, 1), (False, 0)])
def test_a_reason_nobody_noted_counts_as_the_setting_says(
    tmp_path: Path,
    as_failure: bool,  # noqa: FBT001 - a case of the table above
    n_failed: int,
) -> None:
    story = fitted(seen("V1", 20_000, 60_000), 30_000)
    fitted(story, 40_000, removal_reason="unknown")
    with found(tmp_path, story, parts=PartRules(5000, as_failure)) as con:
        part = next(r for r in rows(con, "parts") if r["grouping"] == "number")
        claims = rows(con, "claims")
    assert (part["n_failed"], part["n_unknown_reason"]) == (n_failed, 1)
    assert sum(claim["failed"] for claim in claims) == n_failed  # what pages count


def test_a_set_fills_all_places_and_a_single_part_some_unknown_one(tmp_path: Path) -> None:
    """Four plugs at once, then one: the one may have replaced any of the four."""
    story = fitted(seen("V1", 20_000, 60_000), 30_000, quantity="4")
    fitted(story, 45_000, quantity="1")
    with found(tmp_path, story) as con:
        told = units(con)
    assert sorted(told, key=str) == [
        ("V1", None, 15_000, "in_service", False),  # the single one
        *[("V1", None, 15_000, "lost_sight", False)] * 4,
    ]


def test_litres_are_no_count_of_parts(tmp_path: Path) -> None:
    story = fitted(seen("V1", 20_000, 60_000), 30_000, part_family="coolant", quantity="6.5")
    with found(tmp_path, story) as con:
        assert len(units(con)) == 1


def test_spellings_of_a_number_and_its_successor_are_one_part(tmp_path: Path) -> None:
    story = seen("V1", 20_000, 70_000)
    for km, number in ((30_000, "GP 1"), (40_000, "gp-1"), (50_000, "GP-1"), (60_000, "GP2")):
        fitted(story, km, part_number=number, part_brand="aldon" if km == 40_000 else "Aldon")
    superseded = PartTables({}, {}, {"GP1": "GP2"})
    with found(tmp_path, story, tables=superseded) as con:
        numbers = [r for r in rows(con, "parts") if r["grouping"] == "number"]
        on_orders = {r["number_on_order"] for r in rows(con, "claims")}
    assert [(r["part_number"], r["part_brand"], r["n_fitted"]) for r in numbers] == [
        ("GP2", "Aldon", 4)
    ]
    assert on_orders == {"GP 1", "gp-1", "GP-1", "GP2"}


def test_parts_none_of_which_could_be_followed_are_only_counted(tmp_path: Path) -> None:
    """Two on one place at one distance, and nothing read after: no life, no group, no crash."""
    story = seen("V1", 30_000)
    fitted(story, 30_000, position="cylinder 2")
    with found(tmp_path, story) as con:
        assert rows(con, "parts") == []
        assert rows(con, "claims") == []
        assert rows(con, "parts_left_out")


def test_work_that_fits_nothing_is_no_life(tmp_path: Path) -> None:
    story = fitted(seen("V1", 20_000, 60_000), 30_000, action="clean")
    with found(tmp_path, story) as con:
        assert rows(con, "parts") == []


def weak_and_sound(n: int, weak_life: float, seed: int = 5) -> list[Story]:
    """Vehicles with plugs of two brands in turn, places alternating; Bromby's live short."""
    rng = np.random.default_rng(seed)
    stories = []
    for number in range(n):
        story = seen(f"V{number:02d}", 10_000, 90_000)
        for place in (1, 2):
            km, weak = 12_000.0, (number + place) % 2 == 0
            while km < 90_000:
                brand = {"part_brand": "Bromby", "part_number": "B9"} if weak else {}
                fitted(story, km, position=f"cylinder {place}", **brand)
                km += float(rng.weibull(1.5)) * (weak_life if weak else 60_000) + 100
        stories.append(story)
    return stories


@pytest.fixture(scope="module")
def two_brands(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    tables = PartTables({"glow_plug": ExpectedLife(40_000, "budget")}, {}, {})
    stories = weak_and_sound(12, weak_life=9000)
    with found(tmp_path_factory.mktemp("brands"), *stories, tables=tables) as con:
        return {r["part_brand"]: r for r in rows(con, "parts") if r["grouping"] == "number"}


def test_a_brand_that_lives_short_is_flagged_with_its_numbers(
    two_brands: dict[str, dict[str, Any]],
) -> None:
    weak, sound = two_brands["Bromby"], two_brands["Aldon"]
    assert weak["flagged"]
    assert not sound["flagged"]
    assert weak["ratio_high"] < 0.5
    assert weak["ratio_low"] < 9000 / 60_000 < weak["ratio_high"]
    assert weak["q_value"] < 1e-4
    assert weak["n_strata"] == 2  # cylinder 1 and 2 of the one model
    assert weak["test"] == "mid_p"
    assert weak["method"] == "likelihood"
    # B10 of a Weibull of shape 1.5 and scale 9000: 9000 x 0.10536^(1 / 1.5) = 2008, here + 100
    assert weak["b10_low_km"] < 2108 < weak["b10_high_km"]


def test_how_soon_one_in_ten_fails_is_not_told_surer_than_the_curve_has_it(tmp_path: Path) -> None:
    """No plug fails for 3,000 km, then many soon: the law alone has one in ten gone before.

    Fifteen plugs, none lost sight of, fail at 3,100, 3,200, ... km.  By the limits of a curve
    (Kalbfleisch & Prentice 2002, 1.4) with z = 1.6449: after k failures of 15, S = 1 - k / 15 and
    the upper limit is S ** exp(-z se / |ln S|), se ** 2 = k / (15 (15 - k)).
    """
    stories = []
    lives = [3100.0 + 100 * n for n in range(10)] + [9000, 15_000, 22_000, 30_000, 40_000]
    for number, life in enumerate(lives):
        story = seen(f"V{number:02d}", 10_000, 90_000)
        fitted(story, 12_000.0)
        fitted(story, 12_000.0 + life, part_number="other")
        stories.append(story)
    with found(tmp_path, *stories) as con:
        (row,) = (r for r in rows(con, "parts") if r["n_failed"] == 15 and r["part_number"])
    limits = []
    for k in range(1, 15):
        share, error = 1 - k / 15, (k / (15 * (15 - k))) ** 0.5
        limits.append(share ** np.exp(-1.6449 * error / -np.log(share)))
    sure = next(i for i, limit in enumerate(limits) if limit <= 0.9)
    assert row["b10_km"] < lives[0]
    assert row["b10_high_km"] == pytest.approx(lives[sure])
    assert "at the latest" in row["sentence"]


def test_a_part_is_not_praised_beside_peers_most_of_which_are_one_flagged_number(
    two_brands: dict[str, dict[str, Any]],
) -> None:
    """All other parts are Bromby's, which live short: ten times that is nothing to boast of."""
    sound = two_brands["Aldon"]
    assert sound["n_peers"] == two_brands["Bromby"]["n_followed"]
    assert sound["life_ratio_to_peers"] is sound["ratio_low"] is sound["ratio_high"] is None
    assert "as long as" not in sound["sentence"]
    assert "as long as" in two_brands["Bromby"]["sentence"]


def test_a_life_below_the_expected_one_says_so(two_brands: dict[str, dict[str, Any]]) -> None:
    weak = two_brands["Bromby"]
    assert weak["life_to_expected"] == pytest.approx(weak["b10_km"] / 40_000)
    assert weak["to_expected_high"] < 1
    assert "Less than the 40,000 km expected (budget)" in weak["sentence"]
    assert ": short-lived." in weak["sentence"]


def test_brands_that_live_alike_are_not_flagged(tmp_path: Path) -> None:
    with found(tmp_path, *weak_and_sound(10, weak_life=60_000)) as con:
        told = rows(con, "parts")
    assert not any(r["flagged"] for r in told)
    compared = [r for r in told if r["grouping"] == "number"]
    assert all(r["ratio_low"] < 1 < (r["ratio_high"] or np.inf) for r in compared)


def test_two_failures_are_no_claim(tmp_path: Path) -> None:
    """Both of Bromby's died at once, none of Aldon's twenty: still only two."""
    stories = []
    for number in range(22):
        story = seen(f"V{number:02d}", 10_000, 90_000)
        if number < 2:
            fitted(story, 12_000, part_brand="Bromby", part_number="B9")
            fitted(story, 12_500)
        else:
            fitted(story, 12_000)
        stories.append(story)
    with found(tmp_path, *stories) as con:
        weak = next(r for r in rows(con, "parts") if r["part_brand"] == "Bromby")
    assert weak["n_failed"] == 2
    assert weak["q_value"] < 0.05
    assert weak["test"] == "shuffling"
    assert not weak["flagged"]


def test_what_share_failed_counts_other_removals_as_competing(tmp_path: Path) -> None:
    """Ten followed to 10,000 km or more: one in five failed before, one in five was taken out."""
    stories = []
    for number in range(10):
        story = fitted(seen(f"V{number:02d}", 10_000, 60_000), 20_000)
        if number < 4:
            why = "failure" if number < 2 else "preventive"
            fitted(story, 25_000 + number * 1000, removal_reason=why, part_number="X1")
        stories.append(story)
    with found(tmp_path, *stories) as con:
        part = next(r for r in rows(con, "parts") if r["part_number"] == "GP-1")
    # Aalen-Johansen by hand: 1/10 + 9/10 x 1/9
    assert part["share_failed_at_horizon"] == pytest.approx(0.2)
    assert part["horizon_km"] == 8000


def test_a_share_is_told_only_where_enough_were_followed_all_along(tmp_path: Path) -> None:
    """The one part that fails before the others are watched is no share of all.

    One vehicle from 0 km, its part out at 1000; ten from 4000 km on, one part out at 30,000.
    """
    early = fitted(seen("V0", 0, 60_000), 1000)
    rest = [seen(f"V{n}", 4000, 60_000) for n in range(1, 11)]
    fitted(rest[0], 30_000)
    with found(tmp_path, early, *rest) as con:
        family = next(r for r in rows(con, "parts") if r["grouping"] == "family")
    assert (family["n_failed"], family["n_followed"]) == (2, 13)
    assert (family["share_failed_at_horizon"], family["horizon_km"]) == (None, None)


def test_a_reason_nobody_noted_is_in_the_share_as_the_setting_says(tmp_path: Path) -> None:
    """Ten parts and the two fitted since: 12 at risk, then 11; each failure is one in twelve."""
    story = [seen(f"V{n}", 0, 60_000) for n in range(10)]
    fitted(story[0], 10_000, removal_reason="unknown")
    fitted(story[1], 20_000)
    shares = {}
    for counts in (True, False):
        (tmp_path / str(counts)).mkdir()
        rules = PartRules(factory_until_km=5000, unknown_reason_is_failure=counts)
        with found(tmp_path / str(counts), *story, parts=rules) as con:
            family = next(r for r in rows(con, "parts") if r["grouping"] == "family")
        shares[counts] = (family["n_failed"], family["share_failed_at_horizon"])
    assert shares[True] == (2, pytest.approx(2 / 12))
    assert shares[False] == (1, pytest.approx(1 / 12))


CODE = "P0671"  # glow plug of cylinder 1


def mended(number: int, back_after_km: float | None, *, cleared: bool = False) -> Story:
    """Tell of a plug fitted for its code, which is back so far on: a plug is fitted again.

    None: it is not back.  ``cleared``: at first the code is only cleared, and back once more.
    100 km a day.
    """
    story = Story(f"V{number:02d}").scan(60, 6000, engine=[]).scan(700, 70_000, engine=[CODE])
    order = {"action": "replace", "part_family": "glow plug", "part_number": "GP-1"}
    order |= {"codes": CODE, "position": "cylinder 1", "removal_reason": "failure"}
    story.repair(700, 70_000, **order).clear(700.1, 70_000)
    km = 70_000.0
    for step in (back_after_km,) * (1 + cleared) if back_after_km else ():
        back_km = km + step
        while (km := km + 5000) < back_km:
            story.scan(km / 100, km, engine=[])
        km = back_km
        story.scan(km / 100 - 0.5, km - 50, engine=[]).scan(km / 100, km, engine=[CODE])
        story.clear(km / 100 + 0.1, km)
    if back_after_km:
        story.repair(km / 100, km, **order)
    while (km := km + 5000) < 145_000:
        story.scan(km / 100, km, engine=[])
    return story


@pytest.fixture(scope="module")
def mended_plugs(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[dict[str, Any]], ...]:
    """Ten early come-backs, ten plugs that last 35,000 km or more, and twenty that last on."""
    stories = [mended(n, 400.0 + 20 * n, cleared=n == 3) for n in range(10)]
    stories += [mended(n, 35_000.0 + 500 * n) for n in range(10, 20)]
    stories += [mended(n, None) for n in range(20, 40)]
    with found(tmp_path_factory.mktemp("mended"), *stories) as con:
        return rows(con, "claims"), rows(con, "parts")


def test_a_plug_taken_out_after_a_fix_that_failed_is_no_plug_that_died(
    mended_plugs: tuple[list[dict[str, Any]], ...],
) -> None:
    claims, parts = mended_plugs
    ends = {r["vehicle_id"]: r for r in claims if r["ended_by"] in {"not_held", "failure"}}
    by_end = {
        end: {v for v, r in ends.items() if r["ended_by"] == end} for end in ("not_held", "failure")
    }
    assert by_end["not_held"] == {f"V{n:02d}" for n in range(10)}
    assert by_end["failure"] == {f"V{n:02d}" for n in range(10, 20)}
    assert all(r["failed"] == (r["ended_by"] == "failure") for r in claims)
    assert all(ends[v]["p_fix_failed"] > 0.8 for v in by_end["not_held"])
    # cleared once in between: there all along only if neither the fix nor the clear had cured it
    assert ends["V03"]["p_fix_failed"] < ends["V04"]["p_fix_failed"]
    plug = next(r for r in parts if r["grouping"] == "number")
    assert (plug["n_failed"], plug["n_not_held"]) == (10, 10)
    assert (
        "10 more were taken out again, most likely because the repair had not held"
        in plug["sentence"]
    )
