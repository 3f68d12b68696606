"""Stories of ordinary workshops: tools, clocks and work orders that do not tell all.

Each is small enough to be judged by hand; the work is done at 1000 km unless a story says
otherwise.
"""

from pathlib import Path

import pytest

from afterclear.store.engine.database import query
from tests.findings.yard import put_vehicles
from tests.histories.story import (
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
from tests.histories.test_evidence import CODE, only

pytestmark = pytest.mark.slow


def test_a_clear_names_its_unit_as_another_tool_would(tmp_path: Path) -> None:
    """Scans say engine, the clear says ECM: the memory was emptied, and the code came back."""
    names = ("engine", "ECM", "Engine Control Module")
    stories = [
        Story(name).scan(0, 1000, engine=[CODE], brakes=[]).clear(0.2, 1000, ecu=name)
        .scan(30, 1400, engine=[CODE])
        for name in names
    ]  # fmt: skip
    with told(tmp_path, together(stories)) as con:
        each = attempt_of_each(con)
        for name in names:
            attempt = each[name]
            assert (attempt["kind"], attempt["returned"]) == ("clear_only", True)
            assert (attempt["stayed"], attempt["unwatched_km"]) == (False, 400)
        assert query(con, "SELECT DISTINCT ecu FROM store.clear_events").rows() == [("engine",)]


def test_a_name_two_units_of_a_vehicle_share_clears_the_one_it_was_told_of(
    tmp_path: Path,
) -> None:
    """ECM and engine answer in one scan, so they are two here: a clear of ECM is no other's."""
    story = Story().scan(0, 1000, ECM=[CODE], engine=[CODE]).clear(0.2, 1000, ecu="ECM")
    with told(tmp_path, story) as con:
        assert query(con, "SELECT ecu FROM store.clear_events").rows() == [("ECM",)]


def test_a_code_that_stays_while_another_leaves_is_one_episode(tmp_path: Path) -> None:
    """P0301 aged out or was mended; P0420 is in every scan, so it never ended."""
    story = Story().scan(0, 1000, engine=["P0420", CODE])
    for day in (30, 60, 90):
        story.scan(day, 1000 + 100 * day, engine=["P0420"])
    with told(tmp_path, story.clear(91, 10_100)) as con:
        ends = {e["code"]: (e["n_scans"], e["ended_by"]) for e in episodes(con)}
        assert ends == {CODE: (1, "clean_scan"), "P0420": (4, "clear")}


def test_a_return_after_work_at_an_unknown_distance_claims_none(tmp_path: Path) -> None:
    """No reading within 90 days of the work: it came back, but nobody knows after how many km."""
    story = Story().scan(0, None, engine=[CODE]).repair(0.1, codes=CODE, action="replace")
    story.clear(0.2).scan(200, 8000, engine=[CODE])
    with told(tmp_path, story) as con:
        attempt = only(attempts(con))
        assert (attempt["returned"], attempt["unwatched_km"]) == (True, None)


@pytest.mark.parametrize(
    ("order_km", "clean_km"), [(1000, 20_000 * 39.6 / 39.7), (None, 20_000 * 39.6 / 40)]
)
def test_a_clear_without_odometer_belongs_to_the_visit_of_its_hour(
    tmp_path: Path, order_km: float | None, clean_km: float
) -> None:
    """Its km lie between two readings; not known to be elsewhere, it was part of the work."""
    story = Story().scan(0, 1000, engine=[CODE])
    story.repair(0.3, order_km, codes=CODE, action="replace").clear(0.4)
    with told(tmp_path, story.scan(40, 21_000, engine=[])) as con:
        attempt = only(attempts(con))
        assert (attempt["kind"], attempt["clean_km"]) == ("repair", pytest.approx(clean_km))


def test_a_work_order_without_odometer_does_not_cost_the_evidence_after_it(
    tmp_path: Path,
) -> None:
    """Nor a presumed clear with it: 30 of 300 days on the line, 900 of 10,000 km."""
    story = Story().scan(0, 1000, engine=[CODE]).repair(3, codes=CODE, action="replace")
    with told(tmp_path, story.scan(30, 11_000, engine=[])) as con:
        assert only(attempts(con))["clean_km"] == pytest.approx(9000)


def test_an_order_opened_before_its_vehicle_was_read_cleared_what_is_gone_since(
    tmp_path: Path,
) -> None:
    """Order 8:00, scan with the code 9:00, no clear on record, gone at 3000 km."""
    story = Story().scan(-5, 900, engine=[]).repair(0, 1000, codes=CODE, action="replace")
    story.scan(0.04, 1000, engine=[CODE], visit_reason="complaint").scan(30, 3000, engine=[])
    with told(tmp_path, story) as con:
        assert query(con, "SELECT origin, km FROM store.clear_events").rows() == [
            ("with_repair", 1000)
        ]
        assert only(attempts(con))["clean_km"] == 2000


@pytest.mark.parametrize("after", [{"visit_reason": "post_repair"}, {"cleared": 0.03}])
def test_a_code_seen_after_the_work_was_not_cleared_with_it(
    tmp_path: Path, after: dict[str, str | float]
) -> None:
    """Order 8:00; the scan that still shows the code was after the work, or after a clear."""
    story = Story().scan(-5, 900, engine=[CODE]).repair(0, 1000, codes=CODE, action="replace")
    if "cleared" in after:
        story.clear(float(after.pop("cleared")), 1000)
    story.scan(0.04, 1000, engine=[CODE], **after).scan(30, 3000, engine=[])
    with told(tmp_path, story) as con:
        attempt = only(attempts(con))
        assert (attempt["stayed"], attempt["returned_scan_id"]) == (True, "S2")


def test_of_two_jobs_the_one_aimed_at_the_code_cleared_it(tmp_path: Path) -> None:
    """A coil at 1100 km, brake pads at 2500 km, gone at 3000 km: clean since 1100 km."""
    story = Story().scan(0, 1000, engine=[CODE]).repair(3, 1100, codes=CODE, action="replace")
    story.repair(20, 2500, action="replace", part_family="brake pad")
    with told(tmp_path, story.scan(30, 3000, engine=[])) as con:
        assert only(attempts(con))["clean_km"] == 1900


@pytest.mark.parametrize(
    ("code", "part", "place", "kind"),
    [
        ("P0301", "ignition coil", "cylinder 1", "repair"),
        ("P0300", "spark plug", "cylinder 2", "repair"),
        ("P0442", "purge valve", None, "repair"),
        ("P0301", "ignition coil", "cylinder 2", "clear_only"),  # of another cylinder
        ("P0310", "ignition coil", "cylinder 1", "clear_only"),  # nor is 10 in 1
        ("P0301", "brake pad", "front left", "clear_only"),  # cures no misfire
    ],
)
def test_an_order_without_a_code_is_for_the_fault_that_such_work_may_cure(
    tmp_path: Path, code: str, part: str, place: str | None, kind: str
) -> None:
    """``config/cures.csv``: common practice, no source."""
    work = {"action": "replace", "part_family": part} | ({"position": place} if place else {})
    story = Story().scan(0, 1000, engine=[code]).repair(0.1, 1000, **work).clear(0.2, 1000)
    with told(tmp_path, story.scan(30, 3000, engine=[])) as con:
        attempt = only(attempts(con))
        beside = "R1" if kind == "clear_only" else None
        assert (attempt["kind"], attempt["beside_repair_id"]) == (kind, beside)


def test_of_two_orders_the_one_that_names_the_code_is_for_it(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, engine=["P0301"])
    story.repair(0.1, 1000, codes="P0301", action="replace", part_family="spark plug")
    story.repair(0.12, 1000, action="replace", part_family="ignition coil").clear(0.2, 1000)
    with told(tmp_path, story.scan(30, 3000, engine=[])) as con:
        assert only(attempts(con))["repair_id"] == "R1"


def test_the_order_that_names_a_code_cleared_it_before_later_work_that_may_cure_it(
    tmp_path: Path,
) -> None:
    """A coil for P0301 at 1100 km, spark plugs for no code at 2500 km, gone at 3000 km."""
    story = Story().scan(0, 1000, engine=["P0301"])
    story.repair(3, 1100, codes="P0301", action="replace", part_family="ignition coil")
    story.repair(20, 2500, action="replace", part_family="spark plug")
    with told(tmp_path, story.scan(30, 3000, engine=[])) as con:
        attempt = only(attempts(con))
        assert (attempt["repair_id"], attempt["clean_km"]) == ("R1", 1900)


def test_an_inspection_clears_nothing(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, engine=[CODE]).repair(3, 1100, codes=CODE, action="inspect")
    with told(tmp_path, story.scan(30, 3000, engine=[])) as con:
        assert query(con, "SELECT origin FROM store.clear_events").rows() == [("vanished",)]


def test_a_code_still_listed_where_nothing_was_driven_or_cleared_tells_nothing(
    tmp_path: Path,
) -> None:
    """The vehicle stood two days in the workshop; the next km tell."""
    story = Story().scan(0, 1000, engine=[CODE]).repair(0.1, 1000, codes=CODE, action="replace")
    story.scan(2, 1003, engine=[CODE]).scan(30, 3000, engine=[CODE])
    with told(tmp_path, story) as con:
        assert findings(con) == [("S2", "no_evidence"), ("S3", "stayed")]


def test_a_code_back_within_a_visits_km_came_back_where_it_was_gone(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, engine=[CODE]).repair(0.1, 1000, codes=CODE, action="replace")
    story.scan(0.2, 1002, engine=[], visit_reason="post_repair").scan(1.2, 1015, engine=[CODE])
    with told(tmp_path, story) as con:
        attempt = only(attempts(con))
        assert (attempt["stayed"], attempt["unwatched_km"]) == (False, 15)


def test_a_scan_before_the_next_repair_is_one_of_the_next_visit_once_driven(
    tmp_path: Path,
) -> None:
    """Repaired at 8:30, back at 14:00 after 100 km, read before the second repair."""
    story = Story().scan(0, 1000, engine=[CODE]).repair(0.02, 1000, codes=CODE, action="replace")
    story.scan(0.25, 1100, engine=[CODE], visit_reason="pre_repair")
    with told(tmp_path, story) as con:
        assert only(attempts(con))["returned_scan_id"] == "S2"


def test_a_scan_before_the_work_is_no_return_after_an_earlier_clear(tmp_path: Path) -> None:
    """Cleared to see whether it comes back, back at once, then repaired: judged by what follows."""
    story = Story().scan(0, 1000, engine=[CODE]).clear(0.01, 1000)
    story.scan(0.06, 1002, engine=[CODE], visit_reason="pre_repair")
    story.repair(0.12, 1003, codes=CODE, action="replace").scan(30, 3000, engine=[CODE])
    with told(tmp_path, story) as con:
        attempt = only(attempts(con))
        assert (attempt["stayed"], attempt["returned_scan_id"]) == (False, "S3")


def test_an_entry_said_not_to_be_active_may_be_the_old_one(tmp_path: Path) -> None:
    """No clear is known since the work, so a code that is only remembered is no return."""
    found = {
        ("active", "previously_active"): "no_evidence",  # J1939 DM2
        ("active", "active"): "stayed",
        ("2F", "28"): "no_evidence",  # confirmed, failed since the clear, not failing
        ("2F", "2A"): "stayed",  # failed in this operation cycle
        ("stored", "stored"): "stayed",
    }
    stories = []
    for before, later in found:
        story = Story(f"{before}, {later}").scan(0, 1000, engine=[f"{CODE}/{before}"])
        story.repair(0.1, 1000, codes=CODE, action="replace")
        stories.append(story.scan(30, 3000, engine=[f"{CODE}/{later}"]))
    with told(tmp_path, together(stories)) as con:
        expected = {", ".join(words): ("S2", finding) for words, finding in found.items()}
        assert found_of_each(con) == expected
        assert [e["ended_by"] for e in episodes(con)] == ["open"] * len(found)


def test_a_previously_active_code_after_a_clear_came_back(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, engine=[f"{CODE}/active"]).clear(0.2, 1000)
    with told(tmp_path, story.scan(30, 3000, engine=[f"{CODE}/previously_active"])) as con:
        assert findings(con) == [("S2", "returned")]


def test_a_work_order_means_the_fault_the_vehicle_had(tmp_path: Path) -> None:
    meant = [
        ("C0034", "C0034-11"),  # the tool shows no failure type
        ("C0034-13", "C0034-11"),  # another tool than the one that was read out here
        ("SPN 100 FMI 4", "SPN 100"),
        ("SPN 100 FMI 4", "SPN 100 FMI 3"),
        ("C0034-11/pending", "C0034"),
        ("P0420/permanent", "P0420"),
        ("P0301/50", "P0301"),  # listed, its test not completed
    ]
    stories = []
    for shown, listed in meant:
        story = Story(f"{shown}, {listed}").scan(0, 1000, brakes=[shown])
        story.repair(0.1, 1000, codes=listed, action="replace").clear(0.2, 1000)
        stories.append(story.scan(30, 5000, brakes=[]))
    with told(tmp_path, together(stories)) as con:
        each = attempt_of_each(con)
    for shown, listed in meant:
        attempt = each[f"{shown}, {listed}"]
        assert (attempt["code"], attempt["ecu"]) == (shown.split("/", maxsplit=1)[0], "brakes")
        assert (attempt["kind"], attempt["clean_km"]) == ("repair", 4000)


def test_a_work_order_that_tells_the_failure_type_means_no_other_where_it_is_there(
    tmp_path: Path,
) -> None:
    story = Story().scan(0, 1000, brakes=["C0034-11", "C0034-13"], gateway=["C0034"])
    with told(tmp_path, story.repair(0.1, 1000, codes="C0034-11", action="replace")) as con:
        assert [a["code"] for a in attempts(con)] == ["C0034-11"]


def test_a_makers_own_number_is_the_makers_on_work_orders_too(tmp_path: Path) -> None:
    """Told without its make on the order, the vehicle's make is meant, as in scans."""
    story = Story().scan(0, 1000, engine=["unknown:1234"])
    story.repair(0.1, 1000, codes="unknown:1234", action="replace")
    with told(tmp_path, story) as con:
        put_vehicles(con, {"vehicle_id": "V1", "make": "Veldrun"})
        build(con)
        attempt = only(attempts(con))
        assert (attempt["code"], attempt["ecu"]) == ("veldrun:1234", "engine")


def test_each_part_of_an_order_is_aimed_by_its_own_row(tmp_path: Path) -> None:
    """A battery for the code it names, and a wheel speed sensor that was faulty as well."""
    story = Story().scan(0, 1000, engine=["P0562"], brakes=["C0034-11"])
    work = {"repair_id": "R1", "action": "replace"}
    story.repair(0.1, 1000, codes="P0562", part_family="battery", **work)
    story.repair(0.1, 1000, part_family="wheel speed sensor", position="front right", **work)
    with told(tmp_path, story.clear(0.2, 1000)) as con:
        assert [(a["code"], a["kind"]) for a in attempts(con)] == [
            ("C0034-11", "repair"),
            ("P0562", "repair"),
        ]


def test_a_part_only_looked_at_is_no_attempt_on_its_codes(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, brakes=["C0034-11"])
    story.repair(0.1, 1000, repair_id="R1", part_family="brake pad", action="replace")
    story.repair(0.1, 1000, repair_id="R1", part_family="wheel speed sensor", action="inspect")
    with told(tmp_path, story) as con:
        assert attempts(con) == []


def test_pending_in_two_readouts_of_one_visit_is_one_sign(tmp_path: Path) -> None:
    """The second readout ten minutes later tells nothing new."""
    pending = [f"{CODE}/pending"]
    story = Story().scan(0, 1000, engine=[CODE]).clear(0.2, 1000)
    story.scan(30, 3000, engine=pending).scan(30.007, 3000, engine=pending)
    with told(tmp_path, story.scan(60, 5000, engine=[])) as con:
        assert [f for _, f in findings(con)] == ["sign", "sign", "clean"]


def counted(km_since_clear: float) -> dict[str, float]:
    return {"distance_since_clear_km": km_since_clear}


def test_a_counter_is_as_exact_as_the_km_of_its_scan(tmp_path: Path) -> None:
    """Cleared on record at 1000 km; the scan without odometer, 300 km later, tells of no other."""
    story = Story().scan(0, 1000, engine=[CODE]).clear(0.2, 1000)
    story.scan(30, None, engine=counted(300)).scan(60, 1700, engine=counted(700))
    story.scan(90, None, engine=counted(900))
    with told(tmp_path, story) as con:
        assert query(con, "SELECT origin FROM store.clear_events").rows() == [("recorded",)]


def test_a_counter_that_fell_tells_of_a_clear_wherever_the_scan_was(tmp_path: Path) -> None:
    """No odometer at the scan that tells; the next one, 2000 km later at 7000, says where."""
    story = Story().scan(0, 1000, engine=[CODE]).clear(0.2, 1000)
    story.scan(30, 3000, engine=counted(2000)).scan(60, None, engine=counted(50))
    with told(tmp_path, story.scan(90, 7000, engine=counted(2000))) as con:
        clears = query(con, "SELECT origin, km FROM store.clear_events ORDER BY cleared_at")
        assert clears.rows() == [("recorded", 1000), ("counter", 5000)]
        # as exactly as the counter tells: 1 % of its 2000 km
        assert only(attempts(con))["clean_km"] == 2000 + 2000 - 20


def test_a_clear_without_odometer_lies_where_the_next_counter_puts_it(tmp_path: Path) -> None:
    """By its day it would lie at 1667 km; 500 km since the clear at 3000 say 2500."""
    story = Story().scan(0, 1000, engine=[CODE]).clear(10)
    with told(tmp_path, story.scan(30, 3000, engine=counted(500))) as con:
        assert query(con, "SELECT origin, km FROM store.clear_events").rows() == [
            ("recorded", 2500)
        ]
        assert only(attempts(con))["clean_km"] == 500


MIDNIGHT = -1 / 3  # of the day on which the stories begin at 8:00


@pytest.mark.parametrize("cleared", [True, False])
@pytest.mark.parametrize("day", [0.05, 0.25])  # 9:12, and 14:00: past a visit's hours
def test_a_work_order_dated_by_its_day_is_of_the_visit_of_that_day(
    tmp_path: Path, *, day: float, cleared: bool
) -> None:
    """Nothing was driven between midnight and the scan before the work."""
    story = Story().repair(MIDNIGHT, 1000, codes=CODE, action="replace")
    story.scan(day, 1000, engine=[CODE])
    if cleared:
        story.clear(day + 0.05, 1000)
    with told(tmp_path, story.scan(30, 3000, engine=[])) as con:
        attempt = only(attempts(con))
        assert (attempt["kind"], attempt["returned"], attempt["clean_km"]) == (
            "repair",
            False,
            2000,
        )


def test_a_clear_days_after_the_work_is_part_of_it_where_nothing_was_driven(
    tmp_path: Path,
) -> None:
    """Opened on Monday, cleared on Wednesday, 1 km further on."""
    story = Story().repair(0, 1000, codes=CODE, action="replace").scan(0.05, 1000, engine=[CODE])
    with told(tmp_path, story.clear(2.3, 1001).scan(30, 3000, engine=[])) as con:
        attempt = only(attempts(con))
        assert (attempt["kind"], attempt["clean_km"]) == ("repair", 1999)


@pytest.mark.parametrize("cleared", [True, False])
def test_a_clear_of_a_code_that_was_gone_is_an_attempt_of_its_own(
    tmp_path: Path, *, cleared: bool
) -> None:
    """Gone after the work, back the next day after 15 km: the second clear hides no return."""
    story = Story().scan(0, 1000, engine=[CODE]).repair(0.1, 1000, codes=CODE, action="replace")
    if cleared:
        story.clear(0.2, 1000)
    story.scan(0.25, 1002, engine=[], visit_reason="post_repair")
    with told(tmp_path, story.scan(1.2, 1015, engine=[CODE]).clear(1.3, 1015)) as con:
        first, second = attempts(con)
        assert (first["kind"], first["returned_scan_id"]) == ("repair", "S3")
        assert second["kind"] == "clear_only"


def test_a_code_gone_and_back_in_the_visit_was_not_cleared_by_its_order(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, engine=[CODE]).repair(0.1, 1000, codes=CODE, action="replace")
    story.scan(0.15, 1002, engine=[], visit_reason="post_repair")
    with told(tmp_path, story.scan(0.35, 1012, engine=[CODE]).scan(30, 3000, engine=[])) as con:
        assert only(attempts(con))["returned_scan_id"] == "S3"


def test_two_clears_at_one_instant_are_ordered_by_place_not_by_chance(tmp_path: Path) -> None:
    """Fewer warm-ups put one at the second scan; the third scan's counter puts one before it."""
    story = Story().scan(0, 1000, engine={"codes": [CODE], "warmups_since_clear": 40})
    story.scan(1.2, 1100, engine={"codes": [CODE], "warmups_since_clear": 2})
    story.scan(10, 1400, engine={"codes": [CODE], "distance_since_clear_km": 450})
    with told(tmp_path, story) as con:
        first, second = attempts(con)
        assert first["attempted_at"] == second["attempted_at"]
        assert [first["attempted_km"], second["attempted_km"]] == [955, 1100]
        assert first["attempt_id"] != second["attempt_id"], "each has its own verdict and evidence"


def sensor_with_two_codes(name: str, order: str, *, back: list[str]) -> Story:
    """Tell of one sensor that set two codes, the order for it, and what a later scan shows."""
    story = Story(name).scan(0, 1000, engine=["P0117", "P0118"])
    story.repair(0.1, 1000, codes=order, action="replace").clear(0.2, 1000)
    return story.scan(20, 1500, engine=[]).scan(40, 2600, engine=back)


def test_work_on_two_codes_of_one_circuit_is_one_fix(tmp_path: Path) -> None:
    """Whichever of them comes back, and whichever the order names, the fix failed once."""
    stories = [
        sensor_with_two_codes("one back", "P0117 P0118", back=["P0118"]),
        sensor_with_two_codes("both back", "P0117 P0118", back=["P0117", "P0118"]),
        sensor_with_two_codes("one named", "P0117", back=["P0118"]),
        sensor_with_two_codes("gone", "P0117 P0118", back=[]),
    ]
    with told(tmp_path, together(stories)) as con:
        each = [a for a in attempts(con) if a["counted_with"] is None]
        assert sorted((a["vehicle_id"], a["code"], a["returned"]) for a in each) == [
            ("both back", "P0117", True),
            ("gone", "P0117", False),
            ("one back", "P0118", True),
            ("one named", "P0117", True),
        ]
        assert {a["vehicle_id"]: a["related_code"] for a in each}["one named"] == "P0118"
        heads = {a["attempt_id"]: a["vehicle_id"] for a in each}
        others = [a for a in attempts(con) if a["counted_with"] is not None]
        assert [heads[a["counted_with"]] for a in others] == [a["vehicle_id"] for a in others]
        assert len(others) == len(stories)


def test_two_orders_for_one_circuit_at_one_visit_are_one_fix(tmp_path: Path) -> None:
    """One order a code, three hours apart, and no clear: read between or not, it failed once."""
    codes = ["P0117", "P0118"]
    unread, read = (Story(name).scan(0, 1000, engine=codes) for name in ("unread", "read"))
    for story in (unread, read):
        story.repair(0.1, 1000, codes="P0117", action="replace")
    read.scan(0.15, 1000, engine=codes)
    for story in (unread, read):
        story.repair(0.22, 1000, codes="P0118", action="replace").scan(40, 2600, engine=codes)
    with told(tmp_path, together([unread, read])) as con:
        each = [a for a in attempts(con) if a["counted_with"] is None]
        assert {(a["vehicle_id"], a["returned"]) for a in each} == {
            ("unread", True),
            ("read", True),
        }
        assert len(each) == 2, each


def test_two_orders_for_one_circuit_at_two_visits_are_two_fixes(tmp_path: Path) -> None:
    story = Story().scan(0, 1000, engine=["P0117", "P0118"])
    story.repair(0.1, 1000, codes="P0117", action="replace")
    story.repair(9, 1400, codes="P0118", action="replace").scan(40, 2600, engine=[])
    with told(tmp_path, story) as con:
        assert [a["counted_with"] for a in attempts(con)] == [None, None]


def test_work_on_two_circuits_at_one_visit_is_two_fixes(tmp_path: Path) -> None:
    codes = ["P0117", "P0113"]  # coolant and intake air: two sensors
    story = Story().scan(0, 1000, engine=codes)
    story.repair(0.1, 1000, codes=" ".join(codes), action="replace").clear(0.2, 1000)
    with told(tmp_path, story.scan(40, 2600, engine=codes)) as con:
        assert [(a["returned"], a["counted_with"]) for a in attempts(con)] == [(True, None)] * 2


def test_a_clear_carries_no_site_so_that_of_its_vehicle_stands_for_it_and_says_so(
    tmp_path: Path,
) -> None:
    """Nobody writes down where a code was cleared; of work the order says it."""
    story = Story().scan(0, 1000, engine=[CODE]).clear(0.1, 1000).scan(9, 1900, engine=[CODE])
    story.repair(9.1, 1900, codes=CODE, site="Ashford").clear(9.2, 1900)
    with told(tmp_path, story.scan(60, 9000, engine=[])) as con:
        put_vehicles(con, {"vehicle_id": "V1", "site": "Birkdale"})
        build(con)
        sites = [(a["kind"], a["site"], a["is_site_of_vehicle"]) for a in attempts(con)]
    assert sites == [("clear_only", "Birkdale", True), ("repair", "Ashford", False)]
