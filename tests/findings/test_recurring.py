"""Codes that begin again more often than on peers: what counts as watched, as begun, as peers."""

from pathlib import Path

import numpy as np
import pytest

from afterclear.findings.common.vehicle_traits import put_traits
from afterclear.findings.recurrence.recurring import find_recurring
from tests.findings.found import found, rows
from tests.histories.story import CATALOGUE, RULES, Story

pytestmark = pytest.mark.slow

CODE = "P0442"


def test_exposure_is_clean_road_and_the_stretches_in_which_the_code_began(tmp_path: Path) -> None:
    """Clean 0-2000, there at 3000, cleared there, clean at 6000, there at 7000.

    Onsets in (2000, 3000] and (6000, 7000]; clean km 2000 + 3000.  The rate solves
    2 x 1000 / (e^(1000 r) - 1) = 5000, so r = ln(1.4) / 1000.
    """
    story = Story()
    for day, km, codes in ((0, 0, []), (20, 2000, []), (30, 3000, [CODE])):
        story.scan(day, km, engine=codes)
    story.clear(30.1, 3000).scan(60, 6000, engine=[]).scan(70, 7000, engine=[CODE])
    with found(tmp_path, story) as con:
        (row,) = rows(con, "recurring")
    assert (row["n_episodes"], row["n_onsets"]) == (2, 2)
    assert row["rate_per_10000km"] == pytest.approx(3.364722366212129, rel=1e-9)  # 10 ln 1.4
    assert row["exposure_km"] == pytest.approx(2 / 0.0003364722366212129, rel=1e-9)


def test_a_code_found_at_the_first_scan_began_nobody_knows_when(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, engine=[CODE]).clear(0.1, 1000)
    story.scan(30, 4000, engine=[]).scan(60, 7000, engine=[CODE])
    with found(tmp_path, story) as con:
        (row,) = rows(con, "recurring")
    assert (row["n_episodes"], row["n_onsets"]) == (2, 1)


def test_a_code_still_there_after_its_clear_did_not_begin_anew(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, engine=[]).scan(30, 4000, engine=[CODE])
    story.clear(30.1, 4000).scan(30.2, 4002, visit_reason="post_repair", engine=[CODE])
    with found(tmp_path, story) as con:
        (row,) = rows(con, "recurring")
    assert (row["n_episodes"], row["n_onsets"]) == (2, 1)


def test_other_units_silence_is_no_exposure(tmp_path: Path) -> None:
    """Ten scans of the brakes say nothing of the engine."""
    story = Story().scan(0, 0, engine=[])
    for step in range(1, 11):
        story.scan(step, step * 1000, brakes=[])
    story.scan(12, 12_000, engine=[CODE]).clear(12.1, 12_000).scan(13, 12_100, engine=[CODE])
    with found(tmp_path, story) as con:
        (row,) = rows(con, "recurring")
    # no clean stretch at all: both onsets lay somewhere in 12,000 and 100 km
    assert row["exposure_km"] == pytest.approx((12_000 + 100) / 2)


def test_how_far_a_unit_was_watched_is_read_once(tmp_path: Path) -> None:
    """The next analysis takes what is kept: the readings themselves are gone here."""
    with found(tmp_path, recurrent("V1", every=5)) as con:
        before = rows(con, "recurring")
        con.script("DELETE FROM store.unit_patterns; DELETE FROM store.recurring")
        put_traits(con, RULES.as_of)
        find_recurring(con, CATALOGUE)
        assert rows(con, "recurring") == before != []


def test_in_which_order_the_store_holds_onsets_makes_no_difference(tmp_path: Path) -> None:
    """Onsets after equal distances are returns to different degrees: the sum is one sum."""
    with found(tmp_path, *(recurrent(f"V{n}", every=2) for n in range(6))) as con:
        con.script("UPDATE store.verdicts SET p_same_fault = 0.1 * (1 + hash(attempt_id) % 7)")
        told = []
        for order in ("rowid", "rowid DESC", "hash(onset_high_at, vehicle_id)"):
            con.script(f"""CREATE OR REPLACE TEMP TABLE turned AS
                FROM store.episodes ORDER BY {order};
                DELETE FROM store.episodes; INSERT INTO store.episodes FROM turned;
                DELETE FROM store.recurring""")
            put_traits(con, RULES.as_of)
            find_recurring(con, CATALOGUE)
            told.append(rows(con, "recurring"))
    assert told[0] == told[1] == told[2] != []


def peers(n: int, n_onsets: int = 0) -> list[Story]:
    """Vehicles read each 2000 km for 40,000 km; the first ``n_onsets`` have the code once."""
    stories = []
    for number in range(n):
        story = Story(f"P{number:02d}")
        for step in range(21):
            has = number < n_onsets and step == 10
            story.scan(step * 30, step * 2000, engine=[CODE] if has else [])
            if has:
                story.clear(step * 30 + 0.1, step * 2000)
        stories.append(story)
    return stories


def recurrent(vehicle: str, every: int) -> Story:
    """Tell of the code at each so many scans, cleared each time."""
    story = Story(vehicle)
    for step in range(21):
        has = step % every == every - 1
        story.scan(step * 30, step * 2000, engine=[CODE] if has else [])
        if has:
            story.clear(step * 30 + 0.1, step * 2000)
    return story


def test_a_vehicle_far_beyond_its_peers_is_flagged_and_they_are_not(tmp_path: Path) -> None:
    with found(tmp_path, recurrent("V", 4), *peers(16, n_onsets=3)) as con:
        found_rows = {row["vehicle_id"]: row for row in rows(con, "recurring")}
    assert set(found_rows) == {"V"}  # once is not recurring
    row = found_rows["V"]
    assert row["flagged"]
    assert row["n_onsets"] == 5
    assert row["peer_onsets"] == 3  # its own left out
    assert row["expected_onsets"] < 0.5
    assert row["p_excess"] > 0.99
    assert row["q_value"] < 1e-3
    assert "Began 5 times" in row["sentence"]


def test_a_code_that_only_ever_followed_from_another_is_not_flagged_beside_it(
    tmp_path: Path,
) -> None:
    """The wheel's sensor recurs; the steering unit only told of it, and is left in the table."""
    wheel = {"brakes": ["C0034-13"], "steering": ["U0415-86"]}
    clean: dict[str, list[str]] = {"brakes": [], "steering": []}
    story = Story("V").scan(0, 0, **clean)
    for n in range(5):
        day, km = 40 * n + 20, 4000 * n + 2000
        story.scan(day, km, **wheel).clear(day + 0.1, km).scan(day + 20, km + 2000, **clean)
    others = [Story(f"P{n:02d}") for n in range(16)]
    for other in others:
        for step in range(11):
            other.scan(20 * step, 2000 * step, **clean)
    # one of them had each once: a code that no peer ever had is held against nothing
    others[0].scan(210, 21_000, **wheel)
    with found(tmp_path, story, *others) as con:
        flags = {row["code"]: row["flagged"] for row in rows(con, "recurring")}
    assert flags == {"C0034-13": True, "U0415-86": False}


def test_what_is_usual_for_the_fleet_is_not_flagged(tmp_path: Path) -> None:
    """All vehicles have it five times: nobody stands out."""
    with found(tmp_path, *(recurrent(f"V{n}", 4) for n in range(12))) as con:
        found_rows = rows(con, "recurring")
    assert len(found_rows) == 12
    assert not any(row["flagged"] for row in found_rows)
    assert all(row["ratio"] == pytest.approx(1, abs=0.3) for row in found_rows)


def failing(vehicle: str, rng: np.random.Generator, new_per_10000_km: float) -> Story:
    """Tell of a vehicle whose fixes fail in six of ten cases: the fault is back some 1500 km on."""
    story, cleared_km, back_km = Story(vehicle), 0.0, np.inf
    new_km = rng.exponential(10_000 / new_per_10000_km)
    for step in range(41):
        km = step * 1000.0
        is_there = km >= min(new_km, back_km)
        story.scan(step * 12, km, engine=[CODE] if is_there else [])
        if is_there:
            story.clear(step * 12 + 0.1, km).repair(step * 12 + 0.05, km, codes=CODE)
            cleared_km = km
            back_km = cleared_km + rng.exponential(1500) if rng.random() < 0.6 else np.inf
            new_km = cleared_km + rng.exponential(10_000 / new_per_10000_km)
    return story


def test_failed_fixes_on_equal_vehicles_make_none_recurring_and_a_bad_one_is_found(
    tmp_path: Path,
) -> None:
    """Taken for independent onsets, returns flagged 4 of 92 equal vehicles."""
    rng = np.random.default_rng(5)
    equal = [failing(f"V{n:03d}", rng, 0.5) for n in range(120)]
    with found(tmp_path, *equal, failing("bad", rng, 8.0)) as con:
        told = {row["vehicle_id"]: row for row in rows(con, "recurring")}
    flagged = {vehicle for vehicle, row in told.items() if row["flagged"]}
    assert len(told) > 60
    assert flagged == {"bad"}


def test_an_empty_store_has_no_findings(tmp_path: Path) -> None:
    with found(tmp_path, Story().scan(0, 1000, engine=[])) as con:
        tables = ("recurring", "parts", "sites", "process", "process_costs", "held_by_quarter")
        assert [rows(con, table) for table in tables] == [[]] * 6
        (vehicle,) = rows(con, "worsening") or [None]
        assert vehicle is None
