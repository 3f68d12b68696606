"""What may be concluded from a scan: one small hand-worked story per rule.

Distances are chosen so that the expected numbers can be checked by eye: the work is done at
1000 km unless a story says otherwise.
"""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from afterclear.store.engine.database import query
from tests.histories.story import (
    RULES,
    Story,
    attempt_of_each,
    attempts,
    build,
    episodes,
    findings,
    found_of_each,
    together,
    told,
)

CODE = "P0301"  # needs 50 km after a clear, where readiness is not known


def repaired(vehicle: str = "V1") -> Story:
    """Begin with a code at 1000 km, repaired and cleared on the spot."""
    story = Story(vehicle).scan(0, 1000, engine=[CODE], brakes=[])
    return story.repair(0.1, 1000, codes=CODE, action="replace").clear(0.2, 1000)


def only(rows: list[dict[str, Any]]) -> dict[str, Any]:
    assert len(rows) == 1, rows
    return rows[0]


def test_absent_is_evidence_only_where_the_unit_was_read(tmp_path: Path) -> None:
    """A scan of the brakes alone says nothing of the engine."""
    story = repaired().scan(30, 2000, brakes=[]).scan(60, 3000, engine=[])
    with told(tmp_path, story) as con:
        assert findings(con) == [("S3", "clean")]
        assert only(attempts(con))["clean_km"] == 2000


def test_a_partial_scan_of_other_units_leaves_an_attempt_unchecked(tmp_path: Path) -> None:
    story = repaired().scan(30, 2000, scan_scope="partial", brakes=[])
    with told(tmp_path, story) as con:
        attempt = only(attempts(con))
        assert (attempt["clean_km"], attempt["returned"], attempt["scans_used"]) == (0, False, 0)


def test_no_answer_says_nothing(tmp_path: Path) -> None:
    story = repaired().scan(30, 2000, engine={"ecu_response": "no_answer"})
    with told(tmp_path, story) as con:
        assert findings(con) == [("S2", "no_evidence")]
        assert only(attempts(con))["clean_km"] == 0


def test_active_only_memory_proves_presence_and_nothing_by_absence(tmp_path: Path) -> None:
    """A bus log without the code is no evidence; one with it is a return."""
    story = (
        repaired()
        .scan(30, 2000, engine={"memory": "active_only"})
        .scan(60, 3000, engine={"memory": "active_only", "codes": [f"{CODE}/active"]})
    )
    with told(tmp_path, story) as con:
        assert findings(con) == [("S2", "no_evidence"), ("S3", "returned")]
        attempt = only(attempts(con))
        assert (attempt["clean_km"], attempt["unwatched_km"]) == (0, 2000)


def test_active_only_readings_do_not_break_an_episode(tmp_path: Path) -> None:
    log = {"memory": "active_only"}
    story = Story()
    for day, codes in enumerate([[CODE], [], [CODE]]):
        story.scan(day, 1000 + day, engine=log | {"codes": codes})
    with told(tmp_path, story) as con:
        assert only(episodes(con))["n_scans"] == 2


def test_a_stored_reading_between_active_ones_breaks_an_episode(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, engine=[CODE]).scan(1, 1001, engine=[])
    story.scan(2, 1002, engine={"memory": "active_only", "codes": [CODE]})
    with told(tmp_path, story) as con:
        assert [e["n_scans"] for e in episodes(con)] == [1, 1]


def test_evidence_looks_back_only_to_the_last_clear(tmp_path: Path) -> None:
    """Clean at 3000, cleared at 3500, clean at 5000: 500 km between were not watched."""
    story = (
        repaired().scan(30, 3000, engine=[]).clear(40, 3500, ecu="engine").scan(60, 5000, engine=[])
    )
    with told(tmp_path, story) as con:
        assert only(attempts(con))["clean_km"] == 2000 + 1500


def test_a_clear_of_another_unit_costs_no_evidence(tmp_path: Path) -> None:
    story = repaired().scan(30, 3000, engine=[]).clear(40, 3500, ecu="brakes")
    story.scan(60, 5000, engine=[])
    with told(tmp_path, story) as con:
        assert only(attempts(con))["clean_km"] == 4000


def test_a_clear_that_wipes_the_only_return_hides_it(tmp_path: Path) -> None:
    """What happened before an unread clear is not known: only the km after it count."""
    story = repaired().clear(40, 3500).scan(60, 5000, engine=[])
    with told(tmp_path, story) as con:
        assert only(attempts(con))["clean_km"] == 1500


def test_a_scan_before_the_clear_of_the_same_visit_belongs_to_the_old_fault(
    tmp_path: Path,
) -> None:
    """The diagnosis scan shows the code, of course; it is no return."""
    story = Story().scan(0, 1000, engine=[CODE])
    story.repair(0.1, 1001, codes=CODE, action="replace")
    story.scan(0.2, 1001, engine=[CODE]).clear(0.3, 1002)
    with told(tmp_path, story) as con:
        attempt = only(attempts(con))
        assert (attempt["returned"], attempt["attempted_km"]) == (False, 1002)
        assert findings(con) == []


def test_a_code_still_there_after_the_clear_of_the_same_visit_stayed(tmp_path: Path) -> None:
    story = repaired().scan(0.3, 1001, engine=[CODE], visit_reason="post_repair")
    with told(tmp_path, story) as con:
        attempt = only(attempts(con))
        assert (attempt["stayed"], attempt["returned"]) == (True, True)
        assert findings(con) == [("S2", "stayed")]


def test_a_code_gone_in_the_same_visit_is_not_yet_evidence(tmp_path: Path) -> None:
    story = repaired().scan(0.3, 1005, engine=[], visit_reason="post_repair")
    with told(tmp_path, story) as con:
        assert findings(con) == [("S2", "no_evidence")]


def test_a_code_that_returned_after_driving_came_back(tmp_path: Path) -> None:
    """Clean to 3000, there at 4000: it came back between 2000 and 3000 km after the repair."""
    story = repaired().scan(30, 3000, engine=[]).scan(60, 4000, engine=[CODE])
    with told(tmp_path, story) as con:
        attempt = only(attempts(con))
        assert (attempt["returned"], attempt["stayed"]) == (True, False)
        assert (attempt["clean_km"], attempt["unwatched_km"]) == (2000, 1000)
        assert attempt["returned_scan_id"] == "S3"


def test_the_unit_telling_where_it_first_saw_the_code_narrows_the_return(tmp_path: Path) -> None:
    seen = {"codes": [CODE], "first_seen_km": 3400}
    story = repaired().scan(30, 3000, engine=[]).scan(60, 4000, engine=seen)
    with told(tmp_path, story) as con:
        assert only(attempts(con))["unwatched_km"] == 400
        reason = query(con, "SELECT reason FROM store.evidence WHERE scan_id = 'S3'").item()
        assert reason == "first_seen_earlier"


def test_a_return_after_an_unwatched_clear_lies_behind_that_clear(tmp_path: Path) -> None:
    story = repaired().scan(30, 3000, engine=[]).clear(40, 3500).scan(60, 4000, engine=[CODE])
    with told(tmp_path, story) as con:
        attempt = only(attempts(con))
        assert (attempt["clean_km"], attempt["unwatched_km"]) == (2000, 500)


def test_pending_once_is_a_sign_and_no_return(tmp_path: Path) -> None:
    story = repaired().scan(30, 3000, engine=[f"{CODE}/pending"]).scan(60, 4000, engine=[])
    with told(tmp_path, story) as con:
        assert findings(con) == [("S2", "sign"), ("S3", "clean")]
        attempt = only(attempts(con))
        assert (attempt["returned"], attempt["clean_km"]) == (False, 3000)
        assert len(episodes(con)) == 1  # the sign alone is no episode


def test_a_stored_code_is_a_return_where_a_pending_one_is_a_sign(tmp_path: Path) -> None:
    """As tools say it of a fault that is sporadic: it was there again, if not at that moment."""
    story = repaired().scan(30, 3000, engine=[f"{CODE}/stored"])
    with told(tmp_path, story) as con:
        assert findings(con) == [("S2", "returned")]


def test_pending_in_two_scans_is_a_return(tmp_path: Path) -> None:
    pending = [f"{CODE}/pending"]
    story = repaired().scan(30, 3000, engine=pending).scan(60, 4000, engine=pending)
    with told(tmp_path, story) as con:
        assert findings(con) == [("S2", "returned")]
        assert only(attempts(con))["unwatched_km"] == 2000


def test_pending_then_confirmed_is_a_return_from_the_first_sign(tmp_path: Path) -> None:
    story = repaired().scan(30, 3000, engine=[f"{CODE}/pending"])
    story.scan(60, 4000, engine=[f"{CODE}/confirmed"])
    with told(tmp_path, story) as con:
        assert findings(con) == [("S2", "returned")]


def test_a_permanent_code_alone_is_no_return_and_no_evidence(tmp_path: Path) -> None:
    """It outlives a clear until its own test has passed (13 CCR 1968.2 (d)(2.5))."""
    story = repaired().scan(30, 3000, engine=[f"{CODE}/permanent"]).scan(60, 5000, engine=[])
    with told(tmp_path, story) as con:
        assert findings(con) == [("S2", "no_evidence"), ("S3", "clean")]
        assert only(attempts(con))["clean_km"] == 4000


def test_absence_counts_once_the_monitor_of_the_code_has_completed(tmp_path: Path) -> None:
    found = {
        "misfire catalyst": "no_evidence",  # the code's own monitor has not run
        "catalyst": "clean",
        "none": "clean",
    }
    stories = [repaired(m).scan(30, 1030, engine={"monitors_incomplete": m}) for m in found]
    with told(tmp_path, together(stories)) as con:
        assert found_of_each(con) == {m: ("S2", finding) for m, finding in found.items()}


def test_without_readiness_a_family_needs_its_distance(tmp_path: Path) -> None:
    stories = [repaired(f"{km} km").scan(30, km, engine=[]) for km in (1049, 1050)]
    with told(tmp_path, together(stories)) as con:
        assert found_of_each(con) == {"1049 km": ("S2", "no_evidence"), "1050 km": ("S2", "clean")}


def test_the_status_byte_is_read_bit_by_bit(tmp_path: Path) -> None:
    """ISO 14229-1 annex D, as Wireshark, scapy and udsoncan read it."""
    found = {
        "50": "no_evidence",  # bit 4: test not completed since the clear
        "40": "clean",  # passed since the clear, not yet run in this cycle
        "00": "clean",
        "20": "returned",  # bit 5: failed at some time since the clear
        "2F": "returned",
        "08": "returned",
        "04": "sign",  # pending alone
    }
    stories = [repaired(byte).scan(30, 2000, engine=[f"{CODE}/{byte}"]) for byte in found]
    with told(tmp_path, together(stories)) as con:
        assert found_of_each(con) == {byte: ("S2", finding) for byte, finding in found.items()}


def test_a_counter_reveals_a_clear_nobody_recorded(tmp_path: Path) -> None:
    """300 km since the clear at 5000 km: somebody cleared at 4700, give or take 5 km."""
    story = repaired().scan(30, 3000, engine=[])
    story.scan(60, 5000, engine={"distance_since_clear_km": 300})
    with told(tmp_path, story) as con:
        inferred = query(con, "FROM store.clear_events WHERE origin = 'counter'").to_dicts()
        assert [c["km"] for c in inferred] == [4700]
        assert only(attempts(con))["clean_km"] == 2000 + 300 - 5


def test_a_counter_that_agrees_with_the_recorded_clear_is_no_news(tmp_path: Path) -> None:
    story = repaired().scan(30, 3000, engine={"distance_since_clear_km": 1998})
    with told(tmp_path, story) as con:
        assert query(con, "FROM store.clear_events WHERE origin = 'counter'").is_empty()
        assert only(attempts(con))["clean_km"] == 2000


def test_an_unrecorded_clear_of_the_visit_lies_after_the_scan_before_the_work(
    tmp_path: Path,
) -> None:
    """Scan with the code, repair, scan 4 km after a clear nobody wrote down: cleared between."""
    story = Story().scan(0, 1000, engine=[CODE])
    story.repair(0.06, 1000, codes=CODE, action="replace")
    story.scan(0.1, 1004, engine={"distance_since_clear_km": 4}, visit_reason="post_repair")
    story.scan(30, 3000, engine={"distance_since_clear_km": 2000})
    with told(tmp_path, story) as con:
        attempt = only(attempts(con))
        assert (attempt["kind"], attempt["returned"], attempt["clean_km"]) == (
            "repair",
            False,
            2000,
        )


def test_two_scans_that_tell_of_one_clear_make_one_clear(tmp_path: Path) -> None:
    story = Story()
    for day, km, since in ((0, 5000, 300), (10, 5500, 801), (20, 6000, 1299)):
        story.scan(day, km, engine={"distance_since_clear_km": since})
    with told(tmp_path, story) as con:
        assert len(query(con, "FROM store.clear_events")) == 1


def test_a_counter_as_high_as_the_odometer_tells_of_no_clear(tmp_path: Path) -> None:
    """Not cleared since the vehicle was new; nobody erases codes at -551 km."""
    story = Story()
    for day, km, since in ((0, 55_184, 55_180), (30, 60_000, 59_990)):
        story.scan(day, km, engine={"distance_since_clear_km": since})
    with told(tmp_path, story) as con:
        assert query(con, "FROM store.clear_events").is_empty()


def test_a_saturated_counter_places_no_clear(tmp_path: Path) -> None:
    """SAE J1979: distance since clear stops at 65535 km, warm-ups at 255."""
    told_by_unit = {"distance_since_clear_km": 65535, "warmups_since_clear": 255}
    story = Story().scan(0, 90000, engine=told_by_unit).scan(30, 92000, engine=told_by_unit)
    with told(tmp_path, story) as con:
        assert query(con, "FROM store.clear_events").is_empty()


def test_fewer_warm_ups_than_before_put_a_clear_between_the_scans(tmp_path: Path) -> None:
    """Its place is not known, so evidence starts at the second scan."""
    story = repaired().scan(30, 3000, engine={"warmups_since_clear": 40})
    story.scan(60, 5000, engine={"warmups_since_clear": 3}).scan(90, 6000, engine=[])
    with told(tmp_path, story) as con:
        assert only(attempts(con))["clean_km"] == 2000 + 1000


def test_counters_of_two_units_may_differ(tmp_path: Path) -> None:
    """A clear one unit tells of is no clear of the other."""
    story = repaired().scan(30, 3000, engine=[], brakes={"distance_since_clear_km": 100})
    with told(tmp_path, story) as con:
        assert only(attempts(con))["clean_km"] == 2000


def test_a_code_gone_with_the_repair_was_cleared_then(tmp_path: Path) -> None:
    """No clear on record: the repair's visit is taken for it, and evidence starts there."""
    story = Story().scan(0, 1000, engine=[CODE])
    story.repair(1, 1040, codes=CODE, action="replace").scan(30, 3000, engine=[])
    with told(tmp_path, story) as con:
        assert query(con, "SELECT origin FROM store.clear_events").item() == "with_repair"
        assert only(attempts(con))["clean_km"] == 3000 - 1040


def test_without_that_presumption_evidence_starts_at_the_first_clean_scan(
    tmp_path: Path,
) -> None:
    rules = replace(RULES, presume_clear_at_repair=False)
    story = Story().scan(0, 1000, engine=[CODE])
    story.repair(1, 1040, codes=CODE, action="replace")
    story.scan(30, 3000, engine=[]).scan(60, 4000, engine=[])
    with told(tmp_path, story, rules=rules) as con:
        assert only(attempts(con))["clean_km"] == 1000


def test_a_code_never_seen_gone_after_a_repair_without_a_clear_stayed(tmp_path: Path) -> None:
    """What the scan shows may be the old entry: never gone, rather than come back."""
    story = Story().scan(0, 1000, engine=[CODE])
    story.repair(1, 1040, codes=CODE, action="replace").scan(30, 3000, engine=[CODE])
    with told(tmp_path, story) as con:
        attempt = only(attempts(con))
        assert (attempt["returned"], attempt["stayed"]) == (True, True)


def test_a_vehicle_without_an_odometer_is_judged_by_its_days(tmp_path: Path) -> None:
    """60 days at the assumed 40 km a day, and the clock says so."""
    story = Story().scan(0, None, engine=[CODE]).clear(0.1).scan(60.1, None, engine=[])
    with told(tmp_path, story) as con:
        attempt = only(attempts(con))
        assert attempt["clean_km"] == pytest.approx(60 * 40)
        assert attempt["clean_days"] == pytest.approx(60)
        assert query(con, "SELECT clock FROM store.vehicle_clocks").item() == "days"


def test_engine_hours_stand_in_for_an_odometer(tmp_path: Path) -> None:
    story = Story()
    for day, hours, codes in ((0, 100, [CODE]), (30, 160, [])):
        story.scan(day, None, engine={"codes": codes, "engine_hours": hours})
    story.clear(0)
    with told(tmp_path, story) as con:
        assert only(attempts(con))["clean_km"] == pytest.approx(60 * 35)
        assert query(con, "SELECT clock FROM store.vehicle_clocks").item() == "engine_hours"


def test_a_reading_that_breaks_the_line_is_set_aside_and_judged_around(tmp_path: Path) -> None:
    """1200 instead of 2100 was typed; the km of that scan come from its neighbours."""
    story = repaired().scan(29, 1200, engine=[]).scan(30, 22000, engine=[])
    story.scan(59, 3000, engine=[]).scan(60, 3100, engine=[])
    with told(tmp_path, story) as con:
        aside = query(con, "SELECT reading_km, set_aside FROM store.odometer WHERE line_km IS NULL")
        assert aside.rows() == [(22000.0, "single")]
        assert only(attempts(con))["clean_km"] == 2100


def test_a_second_attempt_ends_the_first(tmp_path: Path) -> None:
    """The scan before the second repair shows the return of the first."""
    story = repaired().scan(30, 2000, engine=[]).scan(60, 4000, engine=[CODE])
    story.repair(60.1, 4000, codes=CODE, action="replace").clear(60.2, 4000)
    story.scan(90, 6000, engine=[])
    with told(tmp_path, story) as con:
        first, second = attempts(con)
        assert (first["returned"], first["clean_km"], first["unwatched_km"]) == (True, 1000, 2000)
        assert (second["attempt_no"], second["is_repeat"]) == (2, True)
        assert (second["returned"], second["clean_km"]) == (False, 2000)
        assert first["ended_at"] == second["attempted_at"]


def test_a_clear_and_a_repair_of_one_visit_are_one_attempt(tmp_path: Path) -> None:
    with told(tmp_path, repaired()) as con:
        assert [a["kind"] for a in attempts(con)] == ["repair"]


def test_a_bare_clear_of_a_present_code_is_an_attempt(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, engine=[CODE]).clear(0.1, 1000).scan(30, 1400, engine=[CODE])
    with told(tmp_path, story) as con:
        attempt = only(attempts(con))
        assert (attempt["kind"], attempt["returned"], attempt["unwatched_km"]) == (
            "clear_only",
            True,
            400,
        )


def test_a_clear_of_an_empty_memory_is_no_attempt(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, engine=[]).clear(0.1, 1000)
    with told(tmp_path, story) as con:
        assert attempts(con) == []


def test_an_inspection_is_no_attempt(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, engine=[CODE]).repair(0.1, 1000, codes=CODE, action="inspect")
    with told(tmp_path, story) as con:
        assert attempts(con) == []


def test_a_work_order_names_a_code_without_its_failure_type(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, brakes=["C0034-11"])
    story.repair(0.1, 1000, codes="C0034", action="replace").clear(0.2, 1000)
    with told(tmp_path, story) as con:
        attempt = only(attempts(con))
        assert (attempt["code"], attempt["ecu"], attempt["kind"]) == (
            "C0034-11",
            "brakes",
            "repair",
        )


def test_a_work_order_without_codes_is_aimed_by_its_part(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, brakes=["C0034-11"], engine=[CODE])
    story.repair(
        0.1, 1000, action="replace", part_family="wheel speed sensor", position="front right"
    )
    with told(tmp_path, story) as con:
        assert [a["code"] for a in attempts(con)] == ["C0034-11"]


def test_an_attempt_at_a_code_no_scan_ever_showed_is_unchecked(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, engine=[]).repair(1, 1100, codes="P0420", action="replace")
    with told(tmp_path, story) as con:
        attempt = only(attempts(con))
        assert (attempt["ecu"], attempt["code"], attempt["scans_used"]) == (None, "P0420", 0)


def sensor_replaced() -> Story:
    """Begin with an open wheel speed sensor circuit at 1000 km, repaired and cleared."""
    story = Story().scan(0, 1000, brakes=["C0034-11"], engine=[])
    return story.repair(0.1, 1000, codes="C0034-11", action="replace").clear(0.2, 1000)


def test_the_same_circuit_under_another_code_is_a_return(tmp_path: Path) -> None:
    """The scan that shows it counts no clean km, and the attempt says which code told it."""
    story = sensor_replaced().scan(20, 2000, brakes=[]).scan(30, 3000, brakes=["C0034-2F"])
    story.scan(40, 4000, brakes=[])
    with told(tmp_path, story) as con:
        attempt = only(attempts(con))
        assert (attempt["returned"], attempt["related_code"]) == (True, "C0034-2F")
        assert (attempt["clean_km"], attempt["unwatched_km"]) == (1000, 1000)
        assert findings(con) == [("S2", "clean"), ("S3", "returned")]
        reason = query(con, "SELECT reason FROM store.evidence WHERE scan_id = 'S3'").item()
        assert reason == "other_code_shown"


def replaced(unit: str, code: str, *, then: str, by: str | None = None) -> Story:
    """Tell of work for a code that cleared it, and of another code 2000 km on, told ``by`` a unit.

    The vehicle is called as the two codes.
    """
    story = Story(f"{code}, {then}").scan(0, 1000, **{unit: [code], "body": []})
    story.repair(0.1, 1000, codes=code, action="replace").clear(0.2, 1000)
    return story.scan(30, 3000, **({"brakes": [], "engine": []} | {by or unit: [then]}))


def test_another_fault_is_no_return_of_the_one_repaired(tmp_path: Path) -> None:
    stories = [
        # another unit only repeats what the brakes told
        replaced("brakes", "C0034-11", then="C0034-2F", by="body"),
        replaced("brakes", "C0034-11", then="C0034-64"),  # implausible: a tyre, or other wheels
        replaced("brakes", "C0034-11", then="C0037-11"),  # another wheel
        replaced("engine", "P0117", then="P0116"),  # what is measured: as likely the thermostat
        # a hot engine is no bad thermometer
        replaced("engine", "SPN 110 FMI 3", then="SPN 110 FMI 0"),
        replaced("engine", "U0121-11", then="U0121-87"),  # tells of the unit it points at
    ]
    with told(tmp_path, together(stories)) as con:
        each = attempt_of_each(con)
        assert {each[s.vehicle]["returned"] for s in stories} == {False}
        assert {each[s.vehicle]["clean_km"] for s in stories} == {2000}


def test_these_codes_are_of_one_circuit(tmp_path: Path) -> None:
    then = {
        "P0117": "P0118",
        "SPN 110 FMI 3": "SPN 110 FMI 4",
        "P0351-13": "P0351",  # a tool that shows no failure type
        "C0031-11": "C0032-11",  # the sensor's signal and its supply
    }
    stories = [replaced("engine", code, then=other) for code, other in then.items()]
    with told(tmp_path, together(stories)) as con:
        each = attempt_of_each(con).values()
        assert {a["code"]: a["related_code"] for a in each} == then
        assert all(a["returned"] for a in each)


def test_another_code_of_the_circuit_that_was_never_gone_proves_nothing(tmp_path: Path) -> None:
    """Nobody cleared it: an old entry is no return, and no clean km either."""
    story = Story().scan(0, 1000, brakes=["C0034-11", "C0034-2F"])
    story.repair(0.1, 1000, codes="C0034-11", action="replace")
    story.scan(30, 3000, brakes=["C0034-2F"])
    rules = replace(RULES, presume_clear_at_repair=False)
    with told(tmp_path, story, rules=rules) as con:
        attempt = only(attempts(con))
        assert (attempt["returned"], attempt["clean_km"]) == (False, 0)
        assert findings(con) == [("S2", "no_evidence")]


def test_work_on_a_circuit_under_its_other_code_is_a_repeat_and_ends_the_watch(
    tmp_path: Path,
) -> None:
    story = sensor_replaced().scan(30, 3000, brakes=["C0034-2F"])
    story.repair(30.1, 3000, codes="C0034-2F", action="replace").clear(30.2, 3000)
    story.scan(60, 5000, brakes=[])
    with told(tmp_path, story) as con:
        first, second = attempts(con)
        assert (first["returned"], first["is_repeat"]) == (True, False)
        assert first["ended_at"] == second["attempted_at"]
        assert (second["returned"], second["is_repeat"], second["clean_km"]) == (False, True, 2000)


def test_a_late_file_changes_the_verdict(tmp_path: Path) -> None:
    """A scan of the time between, delivered last, shows the code had come back."""
    with told(tmp_path, repaired().scan(60, 5000, engine=[])) as con:
        assert only(attempts(con))["returned"] is False
        late = Story()
        late.scan(30, 3000, engine=[CODE])
        late.scans[0]["scan_id"] = "late"
        late.load(con, 9)
        build(con)
        attempt = only([a for a in attempts(con) if a["kind"] == "repair"])
        assert (attempt["returned"], attempt["returned_scan_id"]) == (True, "late")


def test_nothing_after_the_as_of_time_is_known(tmp_path: Path) -> None:
    rules = replace(RULES, as_of=datetime(2025, 2, 15, tzinfo=UTC))
    story = repaired().scan(30, 3000, engine=[]).scan(60, 4000, engine=[CODE])
    with told(tmp_path, story, rules=rules) as con:
        assert findings(con) == [("S2", "clean")]


def test_two_vehicles_that_shared_a_plate_have_two_histories(tmp_path: Path) -> None:
    """A plate is an attribute; the vehicle's own number holds a history together."""
    stories = [repaired("V1").scan(30, 3000, engine=[]), Story("V2").scan(40, 70, engine=[CODE])]
    with told(tmp_path, *stories) as con:
        assert [a["vehicle_id"] for a in attempts(con)] == ["V1"]
        assert [(e["vehicle_id"], e["ended_by"]) for e in episodes(con)] == [
            ("V1", "clear"),
            ("V2", "open"),
        ]


def test_an_episode_in_the_last_scan_has_no_end(tmp_path: Path) -> None:
    """Three episodes, the last one open: no aggregate hands it an earlier one's end."""
    story = Story()
    for day, codes in enumerate([[CODE], [], [CODE], [], [CODE]]):
        story.scan(day * 30, 1000 + day * 1000, engine=codes)
    with told(tmp_path, story) as con:
        ends = [(e["ended_by"], e["ended_high_km"]) for e in episodes(con)]
        assert ends == [("clean_scan", 2000), ("clean_scan", 4000), ("open", None)]


def test_an_onset_lies_between_the_last_reading_without_and_the_first_with(
    tmp_path: Path,
) -> None:
    story = Story().scan(0, 1000, engine=[]).scan(30, 3000, engine=[CODE])
    with told(tmp_path, story) as con:
        episode = only(episodes(con))
        assert (episode["onset_low_km"], episode["onset_high_km"]) == (1000, 3000)


def test_a_code_there_at_the_first_look_has_no_known_onset(tmp_path: Path) -> None:
    with told(tmp_path, Story().scan(0, 1000, engine=[CODE])) as con:
        assert only(episodes(con))["onset_low_km"] is None


def test_the_order_of_deliveries_does_not_matter(tmp_path: Path) -> None:
    """The same rows as one file or as two in the wrong order give the same histories."""
    whole = repaired().scan(30, 3000, engine=[]).scan(60, 4000, engine=[CODE])
    late, early = replace(whole, scans=whole.scans[-1:]), replace(whole, scans=whole.scans[:-1])
    late = replace(late, clears=[], repairs=[])
    (tmp_path / "a").mkdir()
    with told(tmp_path / "a", whole) as con:
        expected = attempts(con), episodes(con), findings(con)
    with told(tmp_path, late, early) as con:
        assert (attempts(con), episodes(con), findings(con)) == expected
