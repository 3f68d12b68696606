"""Whose fixes hold: what counts for whom, and against what."""

from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.findings.found import found, rows
from tests.histories.story import Story

pytestmark = pytest.mark.slow

CODE = "P0401"


def repaired(vehicle: str, site: str, *, back: bool, day: float = 0.0, **columns: str) -> Story:
    """Tell of a repair, clean 1000 km later, then back or clean each 2000 km to 9000 km."""
    story = Story(vehicle).scan(day, 1000, engine=[CODE])
    story.repair(day + 0.1, 1000, codes=CODE, action="replace", site=site, **columns)
    story.clear(day + 0.2, 1000).scan(day + 20, 2000, engine=[])
    if back:
        return story.scan(day + 40, 3000, engine=[CODE])
    for step in range(1, 5):
        story.scan(day + 20 + 40 * step, 2000 + 2000 * step, engine=[])
    return story


def fleet(shares: dict[str, tuple[int, int]], **columns: str) -> list[Story]:
    """Repairs of each site: so many in all, so many come back."""
    return [
        repaired(f"{site[:2]}{number:03d}", site, back=number < n_back, **columns)
        for site, (n, n_back) in shares.items()
        for number in range(n)
    ]


def by_name(con: Any, table: str) -> dict[str, dict[str, Any]]:
    name = table.removesuffix("s")
    return {row[name]: row for row in rows(con, table)}


@pytest.fixture(scope="module")
def three_sites(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    stories = fleet({"Ashford": (40, 4), "Birkdale": (40, 26), "Corran": (40, 5), "Dun": (3, 3)})
    with found(tmp_path_factory.mktemp("sites"), *stories) as con:
        return by_name(con, "sites")


def test_a_site_far_above_expectation_is_flagged(three_sites: dict[str, dict[str, Any]]) -> None:
    bad = three_sites["Birkdale"]
    assert bad["flagged"]
    assert (bad["n_attempts"], bad["n_judged"], bad["observed"]) == (40, 40, 26)
    assert bad["ratio"] == pytest.approx(bad["observed"] / bad["expected"])
    assert bad["ratio_low"] > 1.5
    assert bad["ratio"] > bad["limit"]
    assert bad["rank"] == 1
    assert "clearly more" in bad["sentence"]


def test_ordinary_sites_are_not(three_sites: dict[str, dict[str, Any]]) -> None:
    assert not three_sites["Ashford"]["flagged"]
    assert not three_sites["Corran"]["flagged"]


def test_three_attempts_get_no_label_though_all_came_back(
    three_sites: dict[str, dict[str, Any]],
) -> None:
    few = three_sites["Dun"]
    assert (few["label"], few["flagged"], few["rank"]) == ("too_few", False, 0)
    assert "too few" in few["sentence"]


@pytest.fixture(scope="module")
def one_each(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[dict[str, Any]]]:
    """One store with a case of each kind, each at sites of its own."""
    elsewhere = repaired("V1", "Ashford", back=True)
    elsewhere.repair(40.1, 3000, codes=CODE, action="replace", site="Birkdale").clear(40.2, 3000)
    elsewhere.scan(60, 5000, engine=[])
    still_there = Story("V2").scan(0, 1000, engine=[CODE])
    still_there.repair(0.1, 1000, codes=CODE, action="replace", site="Corran").clear(0.2, 1000)
    still_there.scan(0.3, 1002, visit_reason="post_repair", engine=[CODE])
    lost = Story("V3").scan(0, 1000, engine=[CODE])
    lost.repair(0.1, 1000, codes=CODE, action="replace", site="Dun").clear(0.2, 1000)
    stories = [
        elsewhere,
        still_there,
        lost,
        repaired("V4", "Corran", back=False),
        repaired("V5", "Dun", back=False),
        repaired("V6", "Esker", back=False, technician="A. Nister"),
        repaired("V7", "Farrow", back=True, technician="A. Nister"),
        repaired("V8", "Farrow", back=True),
        # of a code that no control unit has shown
        Story("V9").repair(0.1, 1000, codes=CODE, site="Garth").scan(20, 2000),
    ]
    tables = ("sites", "technicians", "counted_work", "held_by_quarter")
    with found(tmp_path_factory.mktemp("each"), *stories) as con:
        return {table: rows(con, table) for table in tables}


def site_of(told: dict[str, list[dict[str, Any]]], name: str) -> dict[str, Any]:
    return next(row for row in told["sites"] if row["site"] == name)


def test_a_come_back_seen_elsewhere_counts_where_the_work_was_done(
    one_each: dict[str, list[dict[str, Any]]],
) -> None:
    worked, saw = site_of(one_each, "Ashford"), site_of(one_each, "Birkdale")
    assert (worked["observed"], worked["n_seen_elsewhere"]) == (1, 1)
    assert (saw["observed"], saw["n_seen_elsewhere"]) == (0, 0)


def test_a_fault_still_there_in_the_visit_is_counted_beside(
    one_each: dict[str, list[dict[str, Any]]],
) -> None:
    """Who looks at once and mends it should not fare worse than who never looks."""
    site = site_of(one_each, "Corran")
    assert (site["n_attempts"], site["n_judged"], site["observed"], site["n_never_gone"]) == (
        2, 1, 0, 1,
    )  # fmt: skip
    assert site["n_still_there"] == 1


def test_a_vehicle_never_seen_again_is_lost_to_follow_up(
    one_each: dict[str, list[dict[str, Any]]],
) -> None:
    site = site_of(one_each, "Dun")
    assert (site["lost_to_follow_up"], site["n_judged"]) == (0.5, 1)


def test_each_repair_counts_as_exactly_one_thing_and_all_figures_follow(
    one_each: dict[str, list[dict[str, Any]]],
) -> None:
    work = one_each["counted_work"]
    for site in one_each["sites"]:
        own = Counter(row["counted_as"] for row in work if row["site"] == site["site"])
        assert own.total() == site["n_repairs"]
        assert own["come_back"] == site["observed"]
        assert own["still_there"] == site["n_still_there"]
        judged = own["come_back"] + own["worn_or_new"] + own["held"] + own["on_watch"]
        assert judged == site["n_judged"]
    assert {row["counted_as"] for row in work} > {"come_back", "still_there", "not_judged"}
    assert all(row["vehicle_id"] and row["code"] == CODE for row in work)


def test_the_figures_of_a_quarter_add_up(one_each: dict[str, list[dict[str, Any]]]) -> None:
    """All of these are repairs, so the quarters together count what the list of work does."""
    work = Counter(row["counted_as"] for row in one_each["counted_work"])
    quarters = [row for row in one_each["held_by_quarter"] if row["site"] is None]
    for part in ("worn_or_new", "still_there", "held", "on_watch"):
        assert sum(row[f"n_{part}"] for row in quarters) == work[part], part
    for row in quarters:
        parts = ("observed", "n_worn_or_new", "n_held", "n_on_watch")
        assert row["n_judged"] == sum(row[part] for part in parts)


def test_the_latest_work_is_a_part_of_the_figures_it_stands_beside(tmp_path: Path) -> None:
    """Seven quarters with two come-backs each, of which the latest five begin with 2025-Q3."""
    stories = [
        repaired(
            f"{site[0]}{quarter}{n}", site, back=n < 2, day=92.0 * quarter, technician="A. Nister"
        )
        for site in ("Ashford", "Birkdale")
        for quarter in range(7)
        for n in range(4)
    ]
    with found(tmp_path, *stories) as con:
        groups = (*rows(con, "sites"), *rows(con, "technicians"))
    assert len(groups) == 4
    for own in groups:
        assert (own["late_since"], own["observed"], own["observed_late"]) == ("2025-Q3", 14, 10)
        assert own["expected_late"] / own["expected"] == pytest.approx(5 / 7, abs=0.02)


def test_without_work_before_the_latest_nothing_is_divided(
    three_sites: dict[str, dict[str, Any]],
) -> None:
    own = three_sites["Birkdale"]
    assert (own["late_since"], own["observed_late"], own["expected_late"]) == (None, None, None)


def test_more_looks_are_no_fault(tmp_path: Path) -> None:
    """Both sites fail alike; one reads each 1000 km, the other once.  More seen, more expected."""
    rng = np.random.default_rng(1)
    stories = []
    for number in range(120):
        site = "Often" if number % 2 else "Seldom"
        fails_at = rng.exponential(4000) if rng.random() < 0.5 else np.inf
        story = Story(f"V{number:03d}").scan(0, 1000, engine=[CODE])
        story.repair(0.1, 1000, codes=CODE, action="adjust", site=site).clear(0.2, 1000)
        for km in (1000, 2000, 3000, 4000, 5000, 6000) if site == "Often" else (2000,):
            back = fails_at <= km
            story.scan(km / 50, 1000 + km, engine=[CODE] if back else [])
            if back:
                break
        stories.append(story)
    with found(tmp_path, *stories) as con:
        sites = by_name(con, "sites")
    assert sites["Often"]["observed"] > 1.5 * sites["Seldom"]["observed"]
    assert all(s["ratio_low"] < 1 < s["ratio_high"] for s in sites.values())


def test_a_technician_is_told_apart_by_site(one_each: dict[str, list[dict[str, Any]]]) -> None:
    people = one_each["technicians"]
    told = [(row["technician"], row["site"], row["observed"]) for row in people]
    assert sorted(told) == [("A. Nister", "Esker", 0), ("A. Nister", "Farrow", 1)]
    assert all("Nister" not in row["sentence"] for row in people)


@pytest.fixture(scope="module")
def weak_brand(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    """Brand Bromby fails in 70 %, Aldon in 10 %, at every site; Birkdale fits Bromby most."""
    stories = []
    for site, n_bromby, n_aldon in (("Ashford", 10, 40), ("Birkdale", 40, 10), ("Corran", 10, 40)):
        for brand, n, share in (("Bromby", n_bromby, 0.7), ("Aldon", n_aldon, 0.1)):
            stories += [
                repaired(
                    f"{site[:2]}{brand[:2]}{number:03d}", site, back=number < round(share * n),
                    part_brand=brand, part_number=f"{brand}1", part_family="EGR valve",
                    part_grade="aftermarket" if brand == "Bromby" else "original",
                )
                for number in range(n)
            ]  # fmt: skip
    with found(tmp_path_factory.mktemp("brands"), *stories) as con:
        return by_name(con, "brands") | by_name(con, "sites") | by_name(con, "grades")


def test_a_brands_effect_is_told_apart_from_the_site_that_uses_it(
    weak_brand: dict[str, dict[str, Any]],
) -> None:
    brand, site = weak_brand["Bromby"], weak_brand["Birkdale"]
    assert brand["flagged"]
    # within each site its parts still fail several times as often as the other brand's
    assert brand["ratio_apart"] > 3
    assert brand["ratio_apart_low"] > 1.5
    assert (brand["apart_from"], brand["n_side_by_side"]) == ("site", 3)
    # the site looks bad, but not beside others with the same brand
    assert site["ratio"] > 1.5
    assert site["ratio_apart_low"] < 1 < site["ratio_apart_high"]


def test_grades_are_told_as_brands_are(weak_brand: dict[str, dict[str, Any]]) -> None:
    assert weak_brand["aftermarket"]["observed"] == 42
    assert weak_brand["original"]["observed"] == 9


def test_quarters_are_held_against_what_their_work_let_expect(tmp_path: Path) -> None:
    with found(tmp_path, *fleet({"Ashford": (20, 4), "Birkdale": (20, 12)})) as con:
        told = {(r["site"], r["quarter"]): r for r in rows(con, "held_by_quarter")}
    every, good, bad = (told[site, "2025-Q1"] for site in (None, "Ashford", "Birkdale"))
    assert every["observed"] == good["observed"] + bad["observed"] == 16
    assert every["ratio"] == pytest.approx(1)
    assert good["share_held"] > every["share_held"] > bad["share_held"]
    assert every["share_low"] < every["share_held"] < every["share_high"]


def test_work_on_what_only_followed_from_another_fault_is_no_fix_of_its_own(tmp_path: Path) -> None:
    """A steering unit told of a wheel sensor's fault; both were cleared at its repair."""
    story = Story("V1").scan(0, 1000, brakes=["C0034-13"], steering=["U0415-86"])
    story.repair(0.1, 1000, codes="C0034-13", action="replace", site="Ashford").clear(0.2, 1000)
    story.scan(20, 2000, brakes=[], steering=[])
    with found(tmp_path, story) as con:
        (quarter,) = rows(con, "held_by_quarter")[:1]
        (site,) = rows(con, "sites")
        assert con.execute("SELECT count(*) FROM attempts").fetchall() == [(2,)]
    assert (quarter["n_attempts"], quarter["n_judged"]) == (1, 1)
    assert (site["n_attempts"], site["n_repairs"], site["n_bare_clears"]) == (1, 1, 0)
