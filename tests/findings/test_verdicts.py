"""From evidence to verdicts, through the store."""

from pathlib import Path

import pytest

from afterclear.findings.verdicts import judge_attempts
from afterclear.store.engine.database import Connection, query
from tests.findings.yard import put_vehicles
from tests.histories.story import Story, told

CODE = "P0301"


def fleet(n_held: int, n_back: int) -> list[Story]:
    """Vehicles with the same repair; some drive clean for 30,000 km, some come back at once."""
    stories = []
    for number in range(n_held + n_back):
        story = Story(f"V{number:03d}").scan(0, 1000, engine=[CODE])
        story.repair(0.1, 1000, codes=CODE, action="replace").clear(0.2, 1000)
        if number < n_held:
            for step in range(1, 11):
                story.scan(step * 30, 1000 + step * 3000, engine=[])
        else:
            story.scan(30, 2000, engine=[]).scan(60, 3000, engine=[CODE])
        stories.append(story)
    return stories


def verdicts(con: Connection) -> dict[str, dict[str, object]]:
    rows = query(
        con, "FROM store.attempts JOIN store.verdicts USING (attempt_id) ORDER BY vehicle_id"
    )
    return {row["vehicle_id"]: row for row in rows.to_dicts()}


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, object]]:
    stories = fleet(n_held=15, n_back=5)
    silent = Story("V900").scan(0, 1000, engine=[CODE])
    silent.repair(0.1, 1000, codes=CODE, action="replace").clear(0.2, 1000)
    fresh = Story("V901").scan(0, 1000, engine=[CODE])
    fresh.repair(0.1, 1000, codes=CODE, action="replace").clear(0.2, 1000)
    fresh.scan(5, 1200, engine=[])
    with told(tmp_path_factory.mktemp("judged"), *stories, silent, fresh) as con:
        judge_attempts(con, 0.05)
        return verdicts(con)


def test_long_clean_is_held(judged: dict[str, dict[str, object]]) -> None:
    assert judged["V000"]["outcome"] == "held"
    assert float(str(judged["V000"]["p_not_held"])) < 0.05


def test_seen_again_is_came_back_with_its_interval(judged: dict[str, dict[str, object]]) -> None:
    """Clean to 1000 km after the repair, there at 2000."""
    back = judged["V019"]
    assert back["outcome"] == "came_back"
    assert (back["returned_low_km"], back["returned_high_km"]) == (1000, 2000)
    assert back["p_not_held"] is None
    assert float(str(back["p_same_fault"])) > 0.5


def test_no_evidence_is_unchecked_however_good_the_odds(
    judged: dict[str, dict[str, object]],
) -> None:
    assert judged["V900"]["outcome"] == "unchecked"


def test_a_little_evidence_is_on_watch_with_the_km_to_go(
    judged: dict[str, dict[str, object]],
) -> None:
    fresh = judged["V901"]
    assert fresh["outcome"] == "on_watch"
    assert 0 < float(str(fresh["km_to_go"])) < 30_000
    # the unchecked one needs what this one has already, and more
    assert float(str(judged["V900"]["km_to_go"])) > float(str(fresh["km_to_go"]))


def test_no_km_to_go_are_told_that_the_vehicle_will_not_drive(tmp_path: Path) -> None:
    """What is left of its life, a tenth of it at least, is the most that is told."""
    fresh = Story("V901").scan(0, 1000, engine=[CODE])
    fresh.repair(0.1, 1000, codes=CODE, action="replace").clear(0.2, 1000).scan(5, 1200, engine=[])
    with told(tmp_path, fresh) as con:
        told_km = {}
        for life_km in (500_000.0, 9000.0, 6000.0):
            judge_attempts(con, 0.05, life_km)
            assert verdicts(con)["V901"]["outcome"] == "on_watch"
            told_km[life_km] = verdicts(con)["V901"]["km_to_go"]
    needed = told_km[500_000.0]
    # at 1200 km: 7800 km are left of 9000 and 4800 of 6000
    assert 4800 < float(str(needed)) < 7800
    assert (told_km[9000.0], told_km[6000.0]) == (needed, None)


def test_verdicts_say_how_many_attempts_they_lean_on(
    judged: dict[str, dict[str, object]],
) -> None:
    """21 with evidence (the silent one has none), 5 of them came back."""
    assert (judged["V000"]["n_group"], judged["V000"]["group_returned"]) == (21, 5)


def test_an_empty_store_has_no_verdicts(tmp_path: Path) -> None:
    with told(tmp_path, Story().scan(0, 1000, engine=[])) as con:
        assert judge_attempts(con, 0.05).n_attempts == 0


def test_a_code_never_gone_is_a_come_back_but_no_return_distance(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, engine=[CODE])
    story.repair(1, 1040, codes=CODE, action="replace").scan(30, 3000, engine=[CODE])
    with told(tmp_path, story, *fleet(3, 1)) as con:
        judge_attempts(con, 0.05)
        verdict = verdicts(con)["V1"]
        assert (verdict["outcome"], verdict["stayed"]) == ("came_back", True)
        assert verdict["p_same_fault"] is None


@pytest.mark.slow
def test_vehicles_that_cannot_have_a_fault_do_not_make_it_rarer(tmp_path: Path) -> None:
    """Half a fleet of another engine kind, watched as far: a return is as likely a new fault."""
    some, others = (
        [Story(f"{kind}{n:02d}").scan(0, 1000, engine=[]).scan(120, 29_000, engine=[])
         for n in range(10, 28)]
        for kind in "DE"
    )  # fmt: skip
    for number in range(6):
        story = Story(f"D{number:02d}").scan(0, 1000, engine=[]).scan(40, 9000, engine=[CODE])
        story.repair(40.1, 9000, codes=CODE, action="replace").clear(40.2, 9000)
        story.scan(50, 10_000, engine=[])
        some.append(story.scan(120, 29_000, engine=[CODE] if number < 3 else []))
    kinds = {"D": "diesel", "E": "electric"}
    found = []
    for name, stories in (("some", some), ("all", some + others)):
        (tmp_path / name).mkdir()
        with told(tmp_path / name, *stories) as con:
            put_vehicles(
                con,
                *({"vehicle_id": s.vehicle, "powertrain": kinds[s.vehicle[0]]} for s in stories),
            )
            judge_attempts(con, 0.05)
            found.append(verdicts(con)["D00"])
    alone, beside = found
    assert 0.01 < float(str(alone["p_same_fault"])) < 0.99
    assert beside["p_same_fault"] == pytest.approx(alone["p_same_fault"], rel=1e-9)
