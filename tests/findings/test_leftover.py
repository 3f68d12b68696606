"""Echoes that outlive their cause, work on echoes, related returns: stories through the store."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from afterclear.findings.roles.find_roles import find_roles
from afterclear.findings.roles.pair_evidence import MIN_BOTH, count_pairs
from afterclear.findings.roles.role_facts import FactBook
from afterclear.findings.verdicts import judge_attempts
from afterclear.histories.history_rules import HistoryRules
from afterclear.store.engine.database import Connection, query
from afterclear.store.queries.exports import EXPORTS
from afterclear.wording.cells import Cells
from afterclear.wording.roles import role_sentence
from tests.histories.story import CATALOGUE, RULES, Story, told

pytestmark = pytest.mark.slow

SENSOR, ECHO = "C0034-13", "U0415-86"


@contextmanager
def roles_of(tmp_path: Path, *stories: Story, rules: HistoryRules = RULES) -> Iterator[Connection]:
    with told(tmp_path, *stories, rules=rules) as con:
        judge_attempts(con, 0.05)
        find_roles(con, CATALOGUE)
        yield con


def role(con: Connection, scan_id: str, ecu: str = "steering") -> dict[str, Any]:
    rows = query(con, "FROM roles WHERE scan_id = ? AND ecu = ?", [scan_id, ecu]).to_dicts()
    assert len(rows) == 1
    return rows[0]


def why(row: dict[str, Any]) -> str:
    """Say a stored reason, with plain blanks."""
    return role_sentence(row["reason"], row["facts"], Cells()).replace("\u00a0", " ")


def repaired() -> Story:
    """Sensor and echo together; the sensor alone is replaced, all is cleared."""
    story = Story().scan(0, 1000, brakes=[SENSOR], steering=[ECHO])
    return story.repair(0.1, 1000, codes=SENSOR, action="replace").clear(0.2, 1000)


def test_an_echo_still_there_after_its_cause_and_its_own_clear_stands_alone(
    tmp_path: Path,
) -> None:
    story = repaired().scan(30, 3000, brakes=[], steering=[ECHO])
    with roles_of(tmp_path, story) as con:
        assert role(con, "S1")["role"] == "consequential"
        left = role(con, "S2")
        assert (left["role"], left["primary_code"]) == ("stands_alone", None)
        assert "is a separate fault" in why(left)
        assert "followed C0034-13 in the brake control unit" in why(left)
        assert "is there, although its own memory was cleared on" in why(left)
        rows = query(con, "FROM leftovers").to_dicts()
        assert [(r["code"], r["primary_code"], r["is_open"]) for r in rows] == [
            (ECHO, SENSOR, True)
        ]


def test_an_echo_that_left_with_its_cause_is_no_leftover(tmp_path: Path) -> None:
    with roles_of(tmp_path, repaired().scan(30, 3000, brakes=[], steering=[])) as con:
        assert not len(query(con, "FROM leftovers"))


def test_an_echo_whose_memory_was_not_cleared_may_be_an_old_entry(tmp_path: Path) -> None:
    """Only the brakes were cleared: the steering's code proves nothing."""
    story = Story().scan(0, 1000, brakes=[SENSOR], steering=[ECHO])
    story.repair(0.1, 1000, codes=SENSOR, action="replace").clear(0.2, 1000, ecu="brakes")
    with roles_of(tmp_path, story.scan(30, 3000, brakes=[], steering=[ECHO])) as con:
        old = role(con, "S2")
        assert (old["role"], old["primary_code"]) == ("consequential", SENSOR)
        assert "not cleared since" in why(old)
        assert not len(query(con, "FROM leftovers"))


def test_an_echo_of_a_cause_that_came_back_is_an_echo_again(tmp_path: Path) -> None:
    story = repaired().scan(30, 3000, brakes=[SENSOR], steering=[ECHO])
    with roles_of(tmp_path, story) as con:
        assert role(con, "S2")["primary_code"] == SENSOR
        assert not len(query(con, "FROM leftovers"))


def test_a_scan_that_did_not_read_the_cause_tells_of_no_leftover(tmp_path: Path) -> None:
    with roles_of(tmp_path, repaired().scan(30, 3000, steering=[ECHO])) as con:
        assert role(con, "S2")["to_scan"] == "brakes"
        assert not len(query(con, "FROM leftovers"))


def test_an_echo_cleared_without_a_repair_is_no_leftover(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, brakes=[SENSOR], steering=[ECHO]).clear(0.2, 1000)
    with roles_of(tmp_path, story.scan(30, 3000, brakes=[], steering=[ECHO])) as con:
        assert not len(query(con, "FROM leftovers"))
        assert "was read and has no code" in why(role(con, "S2"))


def test_one_unit_spelled_in_two_ways_is_one_unit(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, **{"ABS module": [SENSOR]}, steering=[ECHO])
    story.repair(0.1, 1000, codes=SENSOR, action="replace").clear(0.2, 1000)
    with roles_of(tmp_path, story.scan(30, 3000, brakes=[], steering=[ECHO])) as con:
        assert len(query(con, "FROM leftovers")) == 1


def echo_work(con: Connection) -> list[dict[str, Any]]:
    return query(con, "FROM echo_work").to_dicts()


def test_a_part_fitted_for_an_echo_is_shown_with_its_cost_and_the_fault_behind_it(
    tmp_path: Path,
) -> None:
    """Nobody read the brakes before the work; the scan in which it came back did."""
    story = Story().scan(0, 1000, engine=[], steering=[ECHO])
    story.repair(0.1, 1000, codes=ECHO, action="replace", part_family="steering angle sensor",
                 part_cost="118.50", labour_cost="34.59", currency="EUR")  # fmt: skip
    story.clear(0.2, 1000).scan(11, 1500, brakes=[SENSOR], steering=[ECHO])
    with roles_of(tmp_path, story) as con:
        work = echo_work(con)
        assert [(w["code"], w["primary_code"], w["cost"]) for w in work] == [(ECHO, SENSOR, 153.09)]
        assert "for 153.09 EUR" in why(work[0])
        assert "not read before the work" in why(work[0])


def test_work_on_cause_and_echo_in_one_order_is_no_work_on_an_echo(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, brakes=[SENSOR], steering=[ECHO])
    story.repair(0.1, 1000, codes=f"{SENSOR} {ECHO}", action="replace").clear(0.2, 1000)
    with roles_of(tmp_path, story.scan(30, 3000, brakes=[], steering=[])) as con:
        assert echo_work(con) == []


def test_work_on_an_echo_while_its_cause_was_known_is_shown(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, brakes=[SENSOR], steering=[ECHO])
    story.repair(0.1, 1000, codes=ECHO, action="replace", part_cost="90", currency="EUR")
    with roles_of(tmp_path, story) as con:
        assert [w["primary_code"] for w in echo_work(con)] == [SENSOR]


@pytest.mark.parametrize(("visit_hours", "shown"), [(12, [SENSOR]), (24, [])])
def test_how_long_a_visit_lasts_is_a_setting_here_too(
    tmp_path: Path, visit_hours: float, shown: list[str]
) -> None:
    """The cause is worked on 19 hours after the echo, on another order."""
    story = Story().scan(0, 1000, brakes=[SENSOR], steering=[ECHO])
    story.repair(0.1, 1000, codes=ECHO, action="replace")
    story.repair(0.9, 1000, codes=SENSOR, action="replace")
    rules = replace(RULES, visit_hours=visit_hours)
    with roles_of(tmp_path, story, rules=rules) as con:
        assert [w["primary_code"] for w in echo_work(con)] == shown


@pytest.mark.slow
@pytest.mark.parametrize(("visit_hours", "n_repaired"), [(12, 0), (24, MIN_BOTH)])
def test_repairs_that_tell_of_a_pair_are_of_the_visit_the_setting_says(
    tmp_path: Path, visit_hours: float, n_repaired: int
) -> None:
    """The first code is repaired, the second cleared 19 hours later and seen no more."""
    stories = [
        Story(f"V{n}")
        .scan(0, 1000, brakes=[SENSOR], steering=[ECHO])
        .repair(0.1, 1000, codes=SENSOR, action="replace")
        .clear(0.2, 1000, ecu="brakes")
        .clear(0.9, 1000, ecu="steering")
        .scan(30, 3000, brakes=[], steering=[])
        for n in range(MIN_BOTH)
    ]
    rules = replace(RULES, visit_hours=visit_hours)
    with told(tmp_path, *stories, rules=rules) as con:
        judge_attempts(con, 0.05)
        count_pairs(con, FactBook(CATALOGUE))
        assert query(con, "SELECT coalesce(sum(n_repaired), 0) FROM role_repairs").item() == (
            n_repaired
        )


def test_an_echo_is_counted_with_the_fix_of_its_fault(tmp_path: Path) -> None:
    """One sensor that failed again is one failure, though two codes came back."""
    story = repaired().scan(30, 3000, brakes=[SENSOR], steering=[ECHO])
    with roles_of(tmp_path, story) as con:
        fixes = query(con, EXPORTS["attempts"])
        assert dict(fixes.select("code", "is_echo").iter_rows()) == {SENSOR: False, ECHO: True}
        assert dict(fixes.select("code", "echo_codes").iter_rows())[SENSOR] == ECHO


def test_a_fix_aimed_at_an_echo_alone_is_counted(tmp_path: Path) -> None:
    """Whoever replaces the cluster for the brakes' fault has tried to fix it, in vain."""
    story = Story().scan(0, 1000, brakes=[SENSOR], steering=[ECHO])
    story.repair(0.1, 1000, codes=ECHO, action="replace").clear(0.2, 1000, ecu="steering")
    story.scan(30, 3000, brakes=[SENSOR], steering=[ECHO])
    with roles_of(tmp_path, story) as con:
        assert query(con, EXPORTS["attempts"])["is_echo"].to_list() == [False]


def test_a_return_under_another_code_of_the_component_is_told_as_related(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, brakes=["C0031-13"])
    story.repair(0.1, 1000, codes="C0031-13", action="replace").clear(0.2, 1000)
    story.scan(10, 1900, brakes=[]).scan(28, 2600, brakes=["C0031-2F"])
    with roles_of(tmp_path, story) as con:
        rows = query(con, "FROM related_returns").to_dicts()
        assert [(r["code"], r["related_code"], r["is_open"]) for r in rows] == [
            ("C0031-13", "C0031-2F", True)
        ]
        assert rows[0]["km_after"] == 1600
        assert "same component" in why(rows[0])


def test_a_code_of_another_corner_is_no_related_return(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, brakes=["C0031-13"])
    story.repair(0.1, 1000, codes="C0031-13", action="replace").clear(0.2, 1000)
    with roles_of(tmp_path, story.scan(28, 2600, brakes=["C0034-13"])) as con:
        assert not len(query(con, "FROM related_returns"))


def test_roles_are_made_anew_and_the_same(tmp_path: Path) -> None:
    story = repaired().scan(30, 3000, brakes=[], steering=[ECHO])
    with roles_of(tmp_path, story) as con:
        before = query(con, "FROM roles ORDER BY ALL")
        find_roles(con, CATALOGUE)
        assert query(con, "FROM roles ORDER BY ALL").equals(before)


def test_one_return_of_a_circuit_worked_on_under_two_codes_is_one_failure(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, engine=["P0117", "P0118"])
    story.repair(0.1, 1000, codes="P0117 P0118", action="replace").clear(0.2, 1000)
    story.scan(20, 1500, engine=[]).scan(40, 2600, engine=["P0118"])
    with roles_of(tmp_path, story) as con:
        rows = query(con, EXPORTS["attempts"]).to_dicts()
        assert {row["code"]: row["outcome"] for row in rows} == dict.fromkeys(
            ("P0117", "P0118"), "came_back"
        )
        (counted,) = [row for row in rows if not row["is_echo"]]
        assert (counted["code"], counted["echo_codes"]) == ("P0118", "P0117")
